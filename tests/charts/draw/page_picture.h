#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "charts/draw/chart_drawing.h"

namespace trueplate::tests {

/// A page turned into pixels by a program that has nothing to do with ours: 1 is paper, 0 ink.
struct PagePicture {
  Image<float> pixels;
  double px_per_mm = 0.0;

  [[nodiscard]] double width_mm() const { return pixels.width() / px_per_mm; }
  [[nodiscard]] double height_mm() const { return pixels.height() / px_per_mm; }
};

inline constexpr double kPageDpi = 600.0;

/// Renders page `number` (from 1) with pdftoppm of poppler-utils, or an SVG with rsvg-convert of
/// librsvg. Nothing, after printing why the test is skipped, when the program is not installed.
std::optional<PagePicture> render_pdf(const std::string& bytes, int number);
std::optional<PagePicture> render_svg(const std::string& bytes);

/// A straight cut through the page, along x (axis 0) or y (axis 1).
struct Cut {
  int axis = 0;
  double at_mm = 0.0;  // place on the other axis
  double begin_mm = 0.0;
  double end_mm = 0.0;
};

/// Where ink begins or ends along the cut, in mm from the page's edge. The mean of five lines; an
/// edge is placed by the area of ink around it, which is exact for pixels that hold their covered
/// share.
std::vector<double> edges_mm(const PagePicture& page, const Cut& cut);

/// The middles of stretches of ink: of each second edge and the next.
std::vector<double> middles(const std::vector<double>& edges);

/// What the pattern shows along x or y, for any kind of chart: the edges of squares, or the middles
/// of lines or dots, as measured and as asked for, in mm on the drawing.
struct Measured {
  std::vector<double> found_mm;
  std::vector<double> wanted_mm;

  [[nodiscard]] double worst_mm() const;
  /// The step between neighbours, from a straight line through all (least squares).
  [[nodiscard]] double step_mm() const;
};
Measured measure_pattern(const PagePicture& page, const draw::ChartDrawing& chart, int axis);

/// The distance of a scale bar's first and last tick.
double measure_bar_mm(const PagePicture& page, const draw::ScaleBar& bar, int axis);

}  // namespace trueplate::tests

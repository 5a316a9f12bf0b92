#pragma once

#include <string>
#include <vector>

#include "charts/draw/chart_drawing.h"
#include "charts/draw/detail/pattern.h"
#include "charts/draw/shapes.h"

namespace trueplate::draw::detail {

/// What decides the size of everything around a pattern, in the unit of the drawing.
struct MarkStyle {
  double text_size = 0.0;
  double stroke = 0.0;  // thickness of ticks
  double margin = 0.0;
  double gap = 0.0;  // between the pattern and the nearest mark
  double mm_per_unit = 1.0;
  bool whole_pixels = false;  // edges of marks fall on whole units
  int num_label_lines = 1;
};

/// How much of the sheet, from each of its edges, is not for the pattern.
struct Strips {
  double left = 0.0;
  double top = 0.0;
  double right = 0.0;
  double bottom = 0.0;
};
[[nodiscard]] Strips strips_of(const MarkStyle& style);

/// `items`, separated by commas, in lines no longer than `length` by the width of an average
/// letter. An item is never broken.
[[nodiscard]] std::vector<std::string> packed_lines(const std::vector<std::string>& items,
                                                    double text_size,
                                                    double length);

/// What add_marks() draws around the pattern.
struct MarkPlan {
  MarkStyle style;
  Pattern pattern;
  double width = 0.0;  // of the sheet
  double height = 0.0;
  std::vector<std::string> label_lines;
};

struct ScaleBars {
  ScaleBar across;
  ScaleBar down;
};

/// Draws pointers to the centre, axis arrows, scale bars and label.
/// errors  kInvalidInput: no room for a scale bar.
Result<ScaleBars> add_marks(const MarkPlan& plan, std::vector<Shape>& shapes);

}  // namespace trueplate::draw::detail

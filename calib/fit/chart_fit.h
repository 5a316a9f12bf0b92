#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace trueplate::fit {

/// What is believed of the printed chart.
enum class ChartShape {
  kAuto,        // tested: each departure from the description is fitted where it is significant
  kFlat,        // as described: flat, evenly spaced
  kStretched,   // the pitch along y is fitted
  kBent,        // the same, and heights over the plane: a polynomial
  kMisprinted,  // the same, and each point's place on the print
};

/// Degrees of the polynomial of a bend.
inline constexpr int kSmallestBend = 2;
inline constexpr int kLargestBend = 4;

[[nodiscard]] std::string_view chart_shape_name(ChartShape shape);
[[nodiscard]] std::optional<ChartShape> chart_shape_from_name(std::string_view name);

/// Whether a chart position means the same point of the print in every view. What the views share
/// can only be learned of a chart whose points are known again.
enum class ChartIdentity {
  kUnknown,   // judged by the views: kUpToTurn where all show the same extent, else kPerView
  kCommon,    // the same point everywhere
  kUpToTurn,  // the same, but a view may have read the print upside down
  kPerView,   // columns and rows count from whatever was in sight
};

/// A number with its standard deviation.
struct Measured {
  double value = 0.0;
  double sigma = 0.0;
};

/// A comparison of two descriptions of the chart, the second with more parameters.
struct ChartTest {
  std::string term;          // "pitch ratio", "bend of degree 2", "print errors"
  double p_value = 1.0;      // of the F-test: the chance of such a gain from noise alone
  double gain_px = 0.0;      // root of the mean square that the term explains, per corner
  double held_out_gain = 0;  // gain over frames left out, in standard errors; 0 when not judged
  bool kept = false;
};

/// One point of the print.
struct ChartPoint {
  Eigen::Vector3d described_mm = {0.0, 0.0, 0.0};
  Eigen::Vector3d offset_mm = {0.0, 0.0, 0.0};  // where it was found, less where it is described
};

/// What the views say about the print itself. Its overall size, place and turn are not in here: the
/// poses have them.
struct ChartFit {
  std::string reason;  // why nothing was tested; empty when it was
  std::vector<ChartTest> tests;
  /// Pitch along y over pitch along x, relative to the description.
  std::optional<Measured> pitch_ratio;
  int bend_degree = 0;  // 0: flat
  /// Largest distance of a point of the chart from its best plane, in mm.
  std::optional<Measured> bend_mm;
  /// Root mean square over the points of how far each is from its place in the description, after
  /// the best similarity, in mm; the noise's share is taken out. sigma is that of one point's
  /// distance.
  std::optional<Measured> print_error_mm;
  int num_turned = 0;              // views that had read the print upside down
  std::vector<ChartPoint> points;  // empty where the chart is as described

  [[nodiscard]] bool as_described() const {
    return !pitch_ratio && bend_degree == 0 && !print_error_mm;
  }
};

/// What was fitted of the print, as a wish.
[[nodiscard]] ChartShape shape_found(const ChartFit& chart);

}  // namespace trueplate::fit

#pragma once

#include <Eigen/Core>
#include <map>
#include <optional>
#include <utility>
#include <vector>

#include "calib/target/coded_layout.h"

namespace trueplate::target::detail {

/// What is sampled of a light square: the means over its marker's modules, row by row.
inline constexpr int kNumMarkerSamples = kCodedMarkerModules * kCodedMarkerModules;
using MarkerSamples = Eigen::Matrix<float, kNumMarkerSamples, 1>;
/// A module's mean is taken over these places along each side, in modules from its middle.
inline constexpr double kSampleSpread = 0.3;

/// A marker as the samples show it best.
struct MarkerMatch {
  int id = 0;
  /// Quarter turns that lead from the sampled square to the chart, each (u, v) -> (v, -u).
  int turns = 0;
  double misfit = 0.0;         // 1 - correlation
  double second_misfit = 0.0;  // of the next best marker or turn
  double norm = 0.0;  // of the expected samples, their mean taken off, where light is 1, dark -1
};

/// Every marker in every turn as it looks through a blur. Markers are told apart by correlation
/// with what the blur leaves of them, not bit by bit: a single light module among dark ones never
/// gets light under a blur of its own size, yet the whole marker remains unlike all others.
/// Correlation also makes the result independent of level, contrast and slope of the tone curve.
class MarkerBank {
 public:
  MarkerBank();

  /// The best match of samples taken with a Gaussian blur of the given standard deviations along u
  /// and v, in modules; nullopt beyond kMaxMarkerBlur or where the samples are all alike. Blurs are
  /// rounded to kBlurStep, and what is expected for each is kept.
  std::optional<MarkerMatch> match(const MarkerSamples& samples, double blur_u, double blur_v);

 private:
  // One row a marker and turn (4 id + turns), of length 1 and mean 0.
  struct Expected {
    Eigen::MatrixXf unit;
    Eigen::VectorXf norm;
  };
  const Expected& expected(double blur_u, double blur_v);

  std::vector<Eigen::Matrix<float, kCodedMarkerModules, kCodedMarkerModules>> turned_;
  std::map<std::pair<int, int>, Expected> by_blur_;
};

inline constexpr double kMaxMarkerBlur = 1.5;
inline constexpr double kBlurStep = 1.19;  // ratio of one blur to the next

}  // namespace trueplate::target::detail

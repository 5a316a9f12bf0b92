#include "calib/target/detail/marker_bank.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "calib/target/coded_markers.h"

namespace trueplate::target::detail {
namespace {

constexpr int kModules = kCodedMarkerModules;
constexpr double kMargin = 0.5 * (kCodedModulesPerSquare - kCodedMarkerModules);
constexpr double kLeastBlur = 0.1;
constexpr double kLeastNorm = 1e-6;
using Modules = Eigen::Matrix<float, kModules, kModules>;
using Profile = Eigen::Matrix<float, kModules, 1>;

double normal_distribution(double x) { return 0.5 * std::erfc(-x / std::numbers::sqrt2); }

// Share of a blurred slab from `begin` to `end` at x.
double slab(double begin, double end, double x, double blur) {
  return normal_distribution((x - begin) / blur) - normal_distribution((x - end) / blur);
}

// Mean of a slab over the places of the sample on module i, in modules from the marker's border.
float sampled_slab(double begin, double end, int i, double blur) {
  double sum = 0.0;
  for (const double t : {-kSampleSpread, 0.0, kSampleSpread})
    sum += slab(begin, end, i + 0.5 + t, blur);
  return static_cast<float>(sum / 3.0);
}

// What sample i (row) gets of module j (column).
Modules spread(double blur) {
  Modules kernel;
  for (int i = 0; i < kModules; ++i)
    for (int j = 0; j < kModules; ++j) kernel(i, j) = sampled_slab(j, j + 1.0, i, blur);
  return kernel;
}

// Along one side: 1 on the square, -1 on its neighbours, blurred. The product of two sides is the
// checkerboard.
Profile square_profile(double blur) {
  Profile profile;
  for (int i = 0; i < kModules; ++i)
    profile(i) = 2.0F * sampled_slab(-kMargin, kModules + kMargin, i, blur) - 1.0F;
  return profile;
}

int blur_index(double blur) {
  return static_cast<int>(std::lround(std::log(std::max(kLeastBlur, blur)) / std::log(kBlurStep)));
}

double blur_of(int index) { return std::pow(kBlurStep, index); }

}  // namespace

MarkerBank::MarkerBank() {
  turned_.reserve(4 * kCodedNumIds);
  for (const MarkerModules& marker : coded_markers(kCodedNumIds)) {
    Modules dark;
    for (int y = 0; y < kModules; ++y)
      for (int x = 0; x < kModules; ++x)
        dark(y, x) = marker[static_cast<std::size_t>(y)][static_cast<std::size_t>(x)] ? 1.0F : 0.0F;
    for (int turns = 0; turns < 4; ++turns) {
      turned_.push_back(dark);
      // The sampled (u, v) shows the chart's (v, -u).
      Modules next;
      for (int v = 0; v < kModules; ++v)
        for (int u = 0; u < kModules; ++u) next(v, u) = dark(kModules - 1 - u, v);
      dark = next;
    }
  }
}

const MarkerBank::Expected& MarkerBank::expected(double blur_u, double blur_v) {
  const std::pair key(blur_index(blur_u), blur_index(blur_v));
  const auto known = by_blur_.find(key);
  if (known != by_blur_.end()) return known->second;
  const Modules spread_u = spread(blur_of(key.first));
  const Modules spread_v = spread(blur_of(key.second));
  const Modules square =
      square_profile(blur_of(key.second)) * square_profile(blur_of(key.first)).transpose();
  Expected expected;
  const auto count = static_cast<Eigen::Index>(turned_.size());
  expected.unit.resize(count, kNumMarkerSamples);
  expected.norm.resize(count);
  for (Eigen::Index i = 0; i < count; ++i) {
    const Modules& dark = turned_[static_cast<std::size_t>(i)];
    Eigen::Matrix<float, kModules, kModules, Eigen::RowMajor> look =
        square - 2.0F * spread_v * dark * spread_u.transpose();
    look.array() -= look.mean();
    expected.norm(i) = look.norm();
    expected.unit.row(i) =
        Eigen::Map<const MarkerSamples>(look.data()).transpose() / expected.norm(i);
  }
  return by_blur_.emplace(key, std::move(expected)).first->second;
}

std::optional<MarkerMatch> MarkerBank::match(const MarkerSamples& samples,
                                             double blur_u,
                                             double blur_v) {
  if (!(blur_u <= kMaxMarkerBlur) || !(blur_v <= kMaxMarkerBlur)) return std::nullopt;
  MarkerSamples unit = samples.array() - samples.mean();
  const float norm = unit.norm();
  if (!(norm > kLeastNorm) || !std::isfinite(norm)) return std::nullopt;
  unit /= norm;
  const Expected& markers = expected(blur_u, blur_v);
  Eigen::VectorXf correlation = markers.unit * unit;
  Eigen::Index best = 0;
  const float highest = correlation.maxCoeff(&best);
  correlation(best) = -1.0F;
  return MarkerMatch{.id = static_cast<int>(best / 4),
                     .turns = static_cast<int>(best % 4),
                     .misfit = 1.0 - highest,
                     .second_misfit = 1.0 - correlation.maxCoeff(),
                     .norm = markers.norm(best)};
}

}  // namespace trueplate::target::detail

#include "calib/fit/detail/trial_starts.h"

#include <algorithm>
#include <cmath>

#include "calib/base/interrupt.h"
#include "calib/fit/detail/frames.h"

namespace trueplate::fit::detail {
namespace {

// Focal lengths over the plate's longer side. An equidistant lens that images 180 degrees across
// it has 1 / pi = 0.32, one of 60 degrees 0.95; steps of a fifth lie within reach of the fit.
constexpr double kShortest = 0.15;
constexpr double kLongest = 2.0;
constexpr double kStep = 1.2;
constexpr std::size_t kKept = 3;
// Scale of the robust loss while poses are sought, over the plate's longer side (10 px on 2K): a
// good start misses by a few pixels.
constexpr double kCauchyShare = 0.005;

struct Rated {
  StartPinhole start;
  double residual_px;
};

}  // namespace

std::vector<StartPinhole> trial_starts(const ModelKernel& kernel,
                                       const Screened& screened,
                                       const StartOptions& options) {
  const ImageSize plate = options.plate_size;
  const double longer = std::max(plate.width, plate.height);
  const Point2d centre(0.5 * plate.width, 0.5 * plate.height);
  std::vector<Rated> rated;
  const auto rate = [&](const Point2d& focal_px, StartMethod method) {
    if (is_interrupted(kernel.interrupt)) return;
    const Pinhole pinhole{focal_px, centre};
    Eigen::VectorXd intrinsics = Eigen::VectorXd::Zero(kernel.num_intrinsics());
    intrinsics.head<4>() << focal_px, centre;
    Frames frames(kernel, screened, pinhole);
    frames.update(intrinsics);
    frames.retry_poses(Frames::Retry::kAll, intrinsics, kCauchyShare * longer);
    const double residual_px = frames.typical_residual_px(Rejection::kRobust);
    if (std::isfinite(residual_px)) rated.push_back({{pinhole, method}, residual_px});
  };
  if (options.focal_px) rate(*options.focal_px, StartMethod::kGiven);
  const int last = static_cast<int>(std::log(kLongest / kShortest) / std::log(kStep));
  for (int i = 0; i <= last; ++i) {
    const double focal_px = kShortest * std::pow(kStep, i) * longer;
    rate({focal_px * options.focal_ratio, focal_px}, StartMethod::kGuess);
  }
  std::stable_sort(rated.begin(), rated.end(), [](const Rated& a, const Rated& b) {
    return a.residual_px < b.residual_px;
  });
  std::vector<StartPinhole> result;
  for (std::size_t i = 0; i < std::min(kKept, rated.size()); ++i) result.push_back(rated[i].start);
  return result;
}

}  // namespace trueplate::fit::detail

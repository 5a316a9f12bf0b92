#include "calib/fit/detail/stiffness_choice.h"

#include <array>
#include <cassert>
#include <limits>
#include <string>

#include "calib/fit/detail/used_corners.h"

namespace trueplate::fit::detail {
namespace {

// Decades of the energy's weight, which is the square.
constexpr std::array kStiffnessPx{10.0, 3.0, 1.0, 0.3, 0.1, 0.03, 0.01};
constexpr std::size_t kMiddle = 3;
constexpr int kFolds = 5;

class Ladder {
 public:
  Ladder(const FitWithKernel& fit, const ModelKernel& kernel, const lens::Lens& simpler)
      : fit_(fit), kernel_(kernel), simpler_(simpler) {}

  [[nodiscard]] Result<LensFit> fit(std::size_t rung,
                                    const std::vector<target::View>& views,
                                    const FitOptions& options) const {
    return with_kernel(rung,
                       [&](const ModelKernel& kernel) { return fit_(kernel, views, options); });
  }

  /// The rung's fit kept from folding, or that of the next stiffer one which can be.
  [[nodiscard]] Result<LensFit> fit_without_fold(std::size_t rung,
                                                 const std::vector<target::View>& views,
                                                 const FitOptions& options) const {
    for (;; --rung) {
      Result<LensFit> fitted = with_kernel(rung, [&](const ModelKernel& kernel) {
        return detail::fit_without_fold(fit_, kernel, views, options);
      });
      if (fitted || rung == 0) return fitted;
    }
  }

  /// Infinity when the fit fails, no frame can be held out, or the lens has no inverse somewhere
  /// along the plate's border.
  [[nodiscard]] double held_out_px(std::size_t rung,
                                   const std::vector<target::View>& views,
                                   const FitOptions& options) const {
    const Result<LensFit> fitted = fit(rung, views, options);
    const bool usable =
        fitted && fitted->held_out_rms_px && invertible_share_of_frame(fitted->lens) == 1.0;
    return usable ? *fitted->held_out_rms_px : std::numeric_limits<double>::infinity();
  }

 private:
  template <class Fit>
  [[nodiscard]] Result<LensFit> with_kernel(std::size_t rung, const Fit& fit) const {
    const CoefficientPrior prior = kernel_.make_prior(simpler_, kStiffnessPx[rung]);
    ModelKernel kernel = kernel_;
    kernel.prior = &prior;
    Result<LensFit> fitted = fit(kernel);
    if (fitted) fitted->stiffness_px = kStiffnessPx[rung];
    return fitted;
  }

  const FitWithKernel& fit_;
  const ModelKernel& kernel_;
  const lens::Lens& simpler_;
};

std::size_t best_rung(const Ladder& ladder,
                      const std::vector<target::View>& views,
                      const FitOptions& options) {
  std::size_t best = kMiddle;
  double least_px = ladder.held_out_px(best, views, options);
  if (!(least_px < std::numeric_limits<double>::infinity())) return 0;
  for (const int direction : {-1, +1}) {
    const std::size_t begin = best;
    for (std::size_t next = best;;) {
      if (direction < 0 ? next == 0 : next + 1 == kStiffnessPx.size()) break;
      next = direction < 0 ? next - 1 : next + 1;
      const double px = ladder.held_out_px(next, views, options);
      if (!(px < least_px)) break;
      best = next;
      least_px = px;
    }
    if (best != begin) break;
  }
  return best;
}

}  // namespace

Result<LensFit> fit_with_chosen_stiffness(const FitWithKernel& fit,
                                          const ModelKernel& kernel,
                                          const std::vector<target::View>& views,
                                          const FitOptions& options) {
  const ModelKernel* simpler_kernel = find_kernel(kernel.grows_from);
  assert(simpler_kernel != nullptr);
  FitOptions quick = options;
  quick.held_out_folds = 0;
  const Result<LensFit> simpler = fit_without_fold(fit, *simpler_kernel, views, quick);
  if (!simpler) return fail(simpler.error());
  const Ladder ladder(fit, kernel, simpler->lens);
  const Result<LensFit> first = ladder.fit(kMiddle, views, quick);
  if (!first) return fail(first.error());

  FitOptions judged = options;
  judged.rejection = Rejection::kOff;
  judged.held_out_folds = kFolds;
  const std::size_t rung = best_rung(ladder, used_corners(views, *first), judged);
  return ladder.fit_without_fold(rung, views, options);
}

}  // namespace trueplate::fit::detail

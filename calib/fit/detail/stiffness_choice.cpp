#include "calib/fit/detail/stiffness_choice.h"

#include <fmt/format.h>

#include <array>
#include <cassert>
#include <limits>
#include <utility>

#include "calib/fit/detail/used_corners.h"

namespace trueplate::fit::detail {
namespace {

// The cost is the square.
constexpr std::array kRoundPx{1.0, 0.1, 0.01, 1e-3};
constexpr std::array kFieldPx{10.0, 3.0, 1.0, 0.3, 0.1, 0.03, 0.01};
// Soft enough to tell wrong corners from a lens that is not like the simpler one.
constexpr std::size_t kFirstRound = 3;
constexpr std::size_t kFirstField = 3;
constexpr int kFolds = 5;
// Frames held out have to be met better by this share before a softer lens is taken: less is
// rounding and chance.
constexpr double kLeastGain = 1e-3;
// Frames left out of the fit are off by more than so many times what the others are: what is stated
// of the field means nothing.
constexpr double kNoHold = 10.0;

/// A rung of each ladder; the stiffest are the first.
struct Rungs {
  std::size_t round;
  std::size_t field;
};

class Ladders {
 public:
  Ladders(const FitWithKernel& fit,
          const ModelKernel& kernel,
          const lens::Lens& simpler,
          std::vector<Point2d> seen_px)
      : fit_(fit), kernel_(kernel), simpler_(simpler), seen_px_(std::move(seen_px)) {}

  [[nodiscard]] Result<LensFit> fit(Rungs rungs,
                                    const std::vector<target::View>& views,
                                    const FitOptions& options) const {
    return with_kernel(rungs,
                       [&](const ModelKernel& kernel) { return fit_(kernel, views, options); });
  }

  /// The rungs' fit kept from folding, or that of the next stiffer field which can be fitted.
  [[nodiscard]] Result<LensFit> fit_without_fold(Rungs rungs,
                                                 const std::vector<target::View>& views,
                                                 const FitOptions& options) const {
    for (;; --rungs.field) {
      Result<LensFit> fitted = with_kernel(rungs, [&](const ModelKernel& kernel) {
        return detail::fit_without_fold(fit_, kernel, views, options);
      });
      if (fitted || rungs.field == 0) return fitted;
    }
  }

  /// Infinity when the fit fails or no frame can be held out.
  [[nodiscard]] double held_out_px(Rungs rungs,
                                   const std::vector<target::View>& views,
                                   const FitOptions& options) const {
    const Result<LensFit> fitted = fit(rungs, views, options);
    const auto none = std::numeric_limits<double>::infinity();
    return fitted ? fitted->held_out_rms_px.value_or(none) : none;
  }

 private:
  template <class Fit>
  [[nodiscard]] Result<LensFit> with_kernel(Rungs rungs, const Fit& fit) const {
    const Stiffness stiffness{.round_px = kRoundPx[rungs.round], .field_px = kFieldPx[rungs.field]};
    const CoefficientPrior prior = kernel_.make_prior(simpler_, stiffness, seen_px_);
    ModelKernel kernel = kernel_;
    kernel.prior = &prior;
    Result<LensFit> fitted = fit(kernel);
    if (fitted) fitted->stiffness_px = stiffness.field_px;
    return fitted;
  }

  const FitWithKernel& fit_;
  const ModelKernel& kernel_;
  const lens::Lens& simpler_;
  std::vector<Point2d> seen_px_;
};

/// The rung, of the first `count`, that meets frames held out best; of those that do about as well
/// the stiffest. Nobody looks beyond two rungs in a row that are no better. The first where none
/// can be judged.
template <class HeldOutPx>
std::size_t best_rung(std::size_t count, const HeldOutPx& held_out_px) {
  constexpr std::size_t kPatience = 2;
  std::size_t best = 0;
  double least_px = held_out_px(0);
  for (std::size_t i = 1; i < count && i <= best + kPatience; ++i) {
    const double px = held_out_px(i);
    if (!(px * (1.0 + kLeastGain) < least_px)) continue;
    best = i;
    least_px = px;
  }
  return best;
}

std::vector<Point2d> places_of(const std::vector<target::View>& views) {
  std::vector<Point2d> result;
  for (const target::View& view : views) {
    for (const target::Corner& corner : view.corners) {
      if (corner.p_plate_px.allFinite()) result.push_back(corner.p_plate_px);
    }
  }
  return result;
}

}  // namespace

Result<LensFit> fit_with_chosen_stiffness(const FitWithKernel& fit,
                                          const ModelKernel& kernel,
                                          const std::vector<target::View>& views,
                                          const FitOptions& options) {
  const std::optional<ModelKernel> simpler_model = simpler_kernel(kernel);
  assert(simpler_model);
  FitOptions quick = options;
  quick.held_out_folds = 0;
  const Result<LensFit> simpler = fit_without_fold(fit, *simpler_model, views, quick);
  if (!simpler) return fail(simpler.error());
  const Ladders ladders(fit, kernel, simpler->lens, places_of(views));
  const Result<LensFit> first = ladders.fit({kFirstRound, kFirstField}, views, quick);
  if (!first) return fail(first.error());
  if (options.held_out_folds == 0) {
    return ladders.fit_without_fold({kFirstRound, kFirstField}, views, options);
  }

  FitOptions judged = options;
  judged.rejection = Rejection::kOff;
  judged.left_out.clear();  // they are not among the used ones
  // Whether the print has faults is not asked again on every rung.
  if (judged.chart_shape == ChartShape::kAuto) take_shape(first->chart, judged);
  judged.held_out_folds = kFolds;
  const std::vector<target::View> used = used_corners(views, *first);
  Rungs rungs{.round = 0, .field = 0};
  rungs.round = best_rung(kRoundPx.size(), [&](std::size_t rung) {
    return ladders.held_out_px({rung, 0}, used, judged);
  });
  rungs.field = best_rung(kFieldPx.size(), [&](std::size_t rung) {
    return ladders.held_out_px({rungs.round, rung}, used, judged);
  });
  Result<LensFit> chosen = ladders.fit_without_fold(rungs, views, options);
  if (chosen && chosen->held_out_rms_px > kNoHold * chosen->rms_px) {
    return fail(ErrorCode::kNotConverged,
                fmt::format("the field has no hold: it leaves {:.3f} px in the frames it was "
                            "fitted to, and {:.3f} px in frames left out; take a model with "
                            "fewer coefficients, for a wide lens equidistant or division-2",
                            chosen->rms_px,
                            *chosen->held_out_rms_px));
  }
  return chosen;
}

}  // namespace trueplate::fit::detail

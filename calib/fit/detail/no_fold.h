#pragma once

#include <functional>
#include <vector>

#include "calib/base/result.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/fit.h"
#include "calib/lens/lens.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// How far beyond the plate, in shares of its sides, a fitted lens has to have an inverse: for the
/// filters and roundings of pictures with overscan.
inline constexpr double kFrameMargin = 0.01;

/// The share of places in the plate and its margin where the lens has an inverse, 0..1: of those on
/// the border or of those inside, whichever is less; a ray where the model has such, so beyond 90
/// degrees off the axis, too. What lies outside the picture of all rays, as the corners of a
/// fisheye's frame do, is not missing.
[[nodiscard]] double invertible_share_of_frame(const lens::Lens& lens);

/// What a lens is held by: the growth of its picture with the angle alone touches least; that it
/// also reaches the border holds more lenses, and throws some models elsewhere.
enum class Held { kGrowth, kGrowthAndReach };

/// What keeps a lens from folding inside the frame: along directions from the axis the picture must
/// grow with the angle (and reach the border). As rows it is linear in the coefficients about one
/// lens, so a lens that folds is fitted again under the rows made from it until it does not.
class GrowthHold {
 public:
  explicit GrowthHold(const ModelKernel& kernel, Held what = Held::kGrowth)
      : kernel_(kernel), what_(what) {}

  /// New rows from a lens that folds, which demand more each time; more heavily where the last
  /// ones brought the fit on its way, less where they threw it elsewhere. False when there is
  /// nothing left to demand: its domain ends for another reason, or the demands had no effect.
  bool tighten(const lens::Lens& folding, bool on_its_way = true);

  [[nodiscard]] Held what() const { return what_; }
  [[nodiscard]] const LeastValues& rows() const { return rows_; }

 private:
  const ModelKernel& kernel_;
  Held what_;
  LeastValues rows_;
  int rounds_ = 0;
  double weight_px_ = 0.1;  // of a shortfall of 1, in pixels of residual
};

using FitWithKernel = std::function<Result<LensFit>(
    const ModelKernel&, const std::vector<target::View>&, const FitOptions&)>;

/// `fit`, and where its lens folds inside the frame the nearest fit found that does not:
/// LensFit::fold and a warning then say so. Where none is found the lens is that of `fit`, and the
/// warning says that. The covariance stays that of the corners alone, for what the constraint says
/// of places without corners is no measurement.
///
/// Errors: those of `fit`.
[[nodiscard]] Result<LensFit> fit_without_fold(const FitWithKernel& fit,
                                               const ModelKernel& kernel,
                                               const std::vector<target::View>& views,
                                               const FitOptions& options);

}  // namespace trueplate::fit::detail

#include "warp/io/detail/picture_lenses.h"

#include <utility>

namespace trueplate::warp::detail {

std::vector<lens::Lens> PictureLenses::all() const {
  if (!per_colour()) return {main};
  return {main, *red, *blue};
}

std::optional<StraightPinhole> PictureLenses::shared_pinhole() const {
  if (!per_colour()) return std::nullopt;
  return StraightPinhole{main.focal_px, main.principal_point_px};
}

Result<PictureLenses> lenses_for(const PictureLenses& calibrated, ImageSize size) {
  Result<lens::Lens> main = lens::for_picture_of(calibrated.main, size);
  if (!main) return fail(main.error());
  PictureLenses lenses{.main = *std::move(main)};
  if (!calibrated.per_colour()) return lenses;
  Result<lens::Lens> red = lens::for_picture_of(*calibrated.red, size);
  if (!red) return fail(red.error());
  Result<lens::Lens> blue = lens::for_picture_of(*calibrated.blue, size);
  if (!blue) return fail(blue.error());
  lenses.red = *std::move(red);
  lenses.blue = *std::move(blue);
  return lenses;
}

Result<Overscan> straight_overscan(const PictureLenses& lenses,
                                   const OverscanRequest& request,
                                   int round_to,
                                   Filter filter) {
  return common_overscan(lenses.all(),
                         request,
                         {.round_to = round_to,
                          .margin_px = kernel_width(filter) / 2,
                          .straight = lenses.shared_pinhole()});
}

}  // namespace trueplate::warp::detail

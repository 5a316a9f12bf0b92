// Whether the stated uncertainty is the true one (tests/calib/fit/campaign.h) through lenses that
// are no ordinary ones: anamorphic with its axis turned, and a fisheye.

#include <doctest/doctest.h>

#include "tests/calib/fit/campaign.h"
#include "tests/support/known_lens.h"

using namespace trueplate;
using tests::report_and_check;
using tests::run_campaign;

namespace {

lens::Lens known_lens(std::string_view name) {
  for (const tests::KnownLens& known : tests::known_lenses(1920)) {
    if (known.name == name) return *as_lens(known);
  }
  FAIL("no lens of that name");
  return {};
}

}  // namespace

TEST_CASE("an anamorphic lens: the 95 % intervals hold the truth, the map's error is as forecast") {
  report_and_check(
      "anamorphic 2x, 12 views",
      run_campaign(
          known_lens("anamorphic 2x"),
          {.num_views = 12, .columns = 8, .rows = 5, .fill = 0.6},
          {.model = "cylindrical-2", .focal_ratio = 0.5, .held_out_folds = 0, .threads = 1}));
}

TEST_CASE("a fisheye: the 95 % intervals hold the truth, the map's error is as forecast") {
  // 127 degrees across: the measure turns every ray of the plate a little, and those of the
  // corners must stay in front of the camera.
  lens::Lens fisheye = known_lens("fisheye");
  fisheye.focal_px *= 0.45 / 0.38;
  report_and_check("fisheye, 10 views",
                   run_campaign(fisheye,
                                {.num_views = 10, .fill = 0.6},
                                {.model = "equidistant", .held_out_folds = 0, .threads = 1}));
}

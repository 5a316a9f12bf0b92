// The choice of the lens model: synthetic shoots through lenses of known families.

#include "calib/fit/model_choice.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <string>
#include <vector>

#include "calib/lens/model.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;
using fit::ModelChoice;
using fit::ModelTrial;

namespace {

lens::Lens lens_of(std::string_view model,
                   const std::vector<double>& coefficients,
                   double focal_share) {
  lens::Lens lens = tests::synthetic_lens();
  lens.focal_px = Point2d(focal_share, focal_share) * lens.plate_size.width;
  const Result<lens::Model> made = lens::make_model(model, coefficients);
  REQUIRE(made);
  lens.model = *made;
  return lens;
}

ModelChoice choose(const std::vector<target::View>& views) {
  const auto choice = fit::fit_best_model(views, {});
  REQUIRE_MESSAGE(choice.has_value(), choice.error().message);
  for (const ModelTrial& trial : choice->trials) {
    MESSAGE(fmt::format("{}: rms {:.4f} px, held out {:.4f} px, BIC over {:.0f}, {}",
                        trial.model,
                        trial.rms_px.value_or(-1.0),
                        trial.held_out_rms_px.value_or(-1.0),
                        trial.bic_excess.value_or(-1.0),
                        trial.chosen ? "chosen" : trial.reason));
  }
  // One entry a model, one of them chosen, and each other one says why not.
  CHECK(choice->trials.size() == lens::model_table().size());
  CHECK(std::count_if(choice->trials.begin(), choice->trials.end(), [](const ModelTrial& trial) {
          return trial.chosen;
        }) == 1);
  for (const ModelTrial& trial : choice->trials) CHECK(trial.chosen == trial.reason.empty());
  CHECK(choice->fit.held_out_rms_px.has_value());
  return *choice;
}

std::string model_of(const ModelChoice& choice) {
  return std::string(lens::model_name(choice.fit.lens.model));
}

}  // namespace

TEST_CASE("an ordinary lens gets the ordinary model, whatever others could do") {
  int ordinary = 0;
  constexpr unsigned kShoots = 6;
  for (unsigned seed = 1; seed <= kShoots; ++seed) {
    const auto views = tests::synthetic_views(tests::synthetic_lens(), {.seed = seed}).views;
    if (model_of(choose(views)) == "radial-tangential") ++ordinary;
  }
  CHECK(ordinary == kShoots);
}

TEST_CASE("a lens that the ordinary model does not meet gets one that does") {
  // 150 degrees across; and a wide lens whose rational terms matter.
  const lens::Lens fisheye = lens_of("equidistant", {0.03, -0.012, 0.004, -0.0008}, 0.38);
  const auto wide_views = tests::synthetic_views(fisheye, {.num_views = 30, .fill = 0.7}).views;
  CHECK(model_of(choose(wide_views)) == "equidistant");
}

TEST_CASE("wrong corners do not decide") {
  auto views = tests::synthetic_views(tests::synthetic_lens(), {}).views;
  for (std::size_t i = 0; i < views.size(); ++i) {
    views[i].corners[3 + i].p_plate_px += Point2d(9.0, -14.0);
  }
  const ModelChoice choice = choose(views);
  CHECK(model_of(choice) == "radial-tangential");
  CHECK(choice.fit.rms_px < 0.2);
}

TEST_CASE("few frames, and none") {
  const auto views = tests::synthetic_views(tests::synthetic_lens(), {.num_views = 3}).views;
  const auto few = fit::fit_best_model(views, {});
  REQUIRE_MESSAGE(few.has_value(), few.error().message);
  CHECK(model_of(*few) == "radial-tangential");

  const auto none = fit::fit_best_model({}, {});
  REQUIRE_FALSE(none.has_value());
  CHECK(none.error().code == ErrorCode::kInvalidInput);
}

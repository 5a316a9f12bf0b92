// What must not change a fit, or change it in a known way.

#include "calib/fit/fit.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <vector>

#include "tests/calib/fit/synthetic.h"

using namespace trueplate;
using fit::FitOptions;
using fit::Rejection;

namespace {

/// A set with nothing to complain about.
tests::Synthetic good_set(const lens::Lens& lens, unsigned seed, double noise_px = 0.1) {
  return tests::synthetic_views(lens, {.num_views = 16, .noise_px = noise_px, .seed = seed});
}

}  // namespace

TEST_CASE("the order of the views changes nothing") {
  auto data = good_set(tests::synthetic_lens(), 15);
  data.views[3].corners[7].p_plate_px.x() += 9.0;
  const FitOptions options{.threads = 1};
  const auto before = fit::fit_lens(data.views, options);
  REQUIRE(before);
  std::vector<target::View> views = data.views;
  std::reverse(views.begin(), views.end());
  std::swap(views[1], views[6]);
  const auto after = fit::fit_lens(views, options);
  REQUIRE(after);
  CHECK((before->parameters - after->parameters).isZero(0.0));
  CHECK((before->covariance - after->covariance).isZero(0.0));
  CHECK(before->held_out_rms_px == after->held_out_rms_px);
  for (std::size_t i = 0; i < views.size(); ++i) {
    CHECK(after->frames[i].frame == views[i].frame);
    const auto same = std::find_if(before->frames.begin(),
                                   before->frames.end(),
                                   [&](const auto& f) { return f.frame == views[i].frame; });
    REQUIRE(same != before->frames.end());
    CHECK(same->rms_px == after->frames[i].rms_px);
    CHECK(same->num_used == after->frames[i].num_used);
  }
}

TEST_CASE("any number of threads gives the same bits") {
  const auto data = tests::synthetic_views(tests::synthetic_lens(), {.num_views = 60, .seed = 16});
  const auto one = fit::fit_lens(data.views, {.threads = 1});
  REQUIRE(one);
  for (int threads : {0, 2, 7}) {
    const auto several = fit::fit_lens(data.views, {.threads = threads});
    REQUIRE(several);
    CHECK((one->parameters - several->parameters).isZero(0.0));
    CHECK((one->covariance - several->covariance).isZero(0.0));
    CHECK(one->rms_px == several->rms_px);
    CHECK(one->held_out_rms_px == several->held_out_rms_px);
  }
}

TEST_CASE("twice the resolution doubles the focal length") {
  const auto data = good_set(tests::synthetic_lens(), 17);
  std::vector<target::View> twice = data.views;
  for (target::View& view : twice) {
    view.plate_size = {2 * view.plate_size.width, 2 * view.plate_size.height};
    for (target::Corner& corner : view.corners) corner.p_plate_px *= 2.0;
  }
  const auto a = fit::fit_lens(data.views, {.rejection = Rejection::kOff});
  const auto b = fit::fit_lens(twice, {.rejection = Rejection::kOff});
  REQUIRE(a);
  REQUIRE(b);
  CHECK((b->lens.focal_px - 2.0 * a->lens.focal_px).norm() < 1e-5);
  CHECK((b->lens.principal_point_px - 2.0 * a->lens.principal_point_px).norm() < 1e-5);
  CHECK((b->parameters.tail<5>() - a->parameters.tail<5>()).norm() < 1e-7);
  CHECK(b->rms_px == doctest::Approx(2.0 * a->rms_px).epsilon(1e-8));
}

TEST_CASE("a mirrored plate mirrors the principal point") {
  const auto data = good_set(tests::synthetic_lens(), 18);
  std::vector<target::View> mirrored = data.views;
  for (target::View& view : mirrored) {
    for (target::Corner& corner : view.corners) {
      corner.p_plate_px.x() = view.plate_size.width - corner.p_plate_px.x();
    }
  }
  const auto a = fit::fit_lens(data.views, {.rejection = Rejection::kOff});
  const auto b = fit::fit_lens(mirrored, {.rejection = Rejection::kOff});
  REQUIRE(a);
  REQUIRE(b);
  CHECK((b->lens.focal_px - a->lens.focal_px).norm() < 1e-5);
  CHECK(b->lens.principal_point_px.x() ==
        doctest::Approx(1920.0 - a->lens.principal_point_px.x()).epsilon(1e-8));
  CHECK(b->lens.principal_point_px.y() ==
        doctest::Approx(a->lens.principal_point_px.y()).epsilon(1e-8));
}

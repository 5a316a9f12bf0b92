// Whether the stated uncertainty is the true one: tests/calib/fit/campaign.h, through the ordinary
// lens.

#include <doctest/doctest.h>

#include <cmath>
#include <random>

#include "tests/calib/fit/campaign.h"

using namespace trueplate;
using tests::report_and_check;
using tests::run_campaign;

TEST_CASE("the 95 % intervals hold the truth, and the map's error is as forecast") {
  const lens::Lens truth = tests::synthetic_lens();
  report_and_check("10 views, as the program runs",
                   run_campaign(truth, {.num_views = 10}, {.held_out_folds = 0, .threads = 1}));
  report_and_check(
      "8 views, small chart, believed flat",
      run_campaign(truth,
                   {.num_views = 8, .columns = 8, .rows = 6, .fill = 0.4},
                   {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0, .threads = 1}));
  report_and_check("10 views, focal length given",
                   run_campaign(truth,
                                {.num_views = 10, .max_tilt_deg = 10.0},
                                {.focal_mode = fit::FocalMode::kFixed,
                                 .focal_px = truth.focal_px,
                                 .held_out_folds = 0,
                                 .threads = 1}));
}

TEST_CASE("the same with a bent and misprinted chart that is fitted along") {
  const lens::Lens truth = tests::synthetic_lens();
  const auto print = [](const Eigen::Vector3d& p) {
    const double u = (p.x() - 100.0) / 100.0;
    std::mt19937 random(static_cast<unsigned>(std::lround(p.x() + 1000.0 * p.y())));
    std::normal_distribution<double> error(0.0, 0.1);
    const double x = error(random);
    return Eigen::Vector3d(p + Eigen::Vector3d(x, error(random), 1.5 * u * u));
  };
  report_and_check(
      "12 views, bent by 1.5 mm, points 0.1 mm off",
      run_campaign(truth, {.num_views = 12, .print = print}, {.held_out_folds = 0, .threads = 1}));
}

#include "calib/fit/detail/kernel.h"

#include <doctest/doctest.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <random>
#include <vector>

#include "calib/lens/model.h"

using namespace trueplate;
using fit::detail::find_kernel;
using fit::detail::kernel_table;
using fit::detail::ModelKernel;

namespace {

fit::detail::ViewPoints small_chart() {
  fit::detail::ViewPoints view;
  for (int j = 0; j < 4; ++j) {
    for (int i = 0; i < 5; ++i) {
      for (double v : {30.0 * i - 60.0, 30.0 * j - 45.0, 0.5 * i * j}) view.chart_mm.push_back(v);
      for (double v : {300.0 + 77.0 * i, 210.0 + 81.0 * j}) view.plate_px.push_back(v);
      view.root_weight.push_back(1.0 + 0.1 * i);
    }
  }
  return view;
}

}  // namespace

TEST_CASE("every lens model has a kernel, in the table's order") {
  REQUIRE(kernel_table().size() == lens::model_table().size());
  for (std::size_t i = 0; i < kernel_table().size(); ++i) {
    CHECK(kernel_table()[i].model == lens::model_table()[i].name);
    CHECK(std::ranges::equal(kernel_table()[i].parameter_names,
                             lens::model_table()[i].parameter_names));
    CHECK(find_kernel(lens::model_table()[i].name) == &kernel_table()[i]);
  }
  CHECK(find_kernel("no such model") == nullptr);
}

TEST_CASE("derivatives agree with central differences, least squares and softened") {
  constexpr unsigned kSeed = 20260510;
  MESSAGE("seed " << kSeed);
  std::mt19937 random(kSeed);
  std::uniform_real_distribution<double> unit(-1.0, 1.0);
  const fit::detail::ViewPoints view = small_chart();
  for (const ModelKernel& kernel : kernel_table()) {
    CAPTURE(kernel.model);
    const int n = kernel.num_intrinsics();
    for (double cauchy_scale : {0.0, 0.5, 20.0, 1e6}) {
      CAPTURE(cauchy_scale);
      std::vector<double> intrinsics{600.0, 610.0, 470.0, 330.0};
      for (const std::string_view name : kernel.parameter_names) {
        intrinsics.push_back(name.starts_with("half_") ? 0.5 : 0.02 * unit(random));
      }
      fit::Pose base;
      base.rotation =
          Eigen::AngleAxisd(0.4, Eigen::Vector3d(0.6, -0.7, 0.2).normalized()).toRotationMatrix();
      std::array<double, 6> step{0.3 * unit(random), 0.2, -0.1, 5.0, -9.0, 250.0};
      const std::size_t rows = 2 * view.size();
      std::vector<double> r(rows), plus(rows), minus(rows);
      std::vector<double> by_intrinsics(rows * static_cast<std::size_t>(n)), by_pose(rows * 6);
      REQUIRE(kernel.evaluate(view,
                              intrinsics.data(),
                              base,
                              step.data(),
                              cauchy_scale,
                              r.data(),
                              by_intrinsics.data(),
                              by_pose.data()));
      // The residuals alone come from another branch.
      REQUIRE(kernel.evaluate(
          view, intrinsics.data(), base, step.data(), cauchy_scale, plus.data(), nullptr, nullptr));
      for (std::size_t i = 0; i < rows; ++i) CHECK(std::abs(r[i] - plus[i]) < 1e-10);

      for (int p = 0; p < n + 6; ++p) {
        CAPTURE(p);
        double& value =
            p < n ? intrinsics[static_cast<std::size_t>(p)] : step[static_cast<std::size_t>(p - n)];
        const double kept = value;
        const double h = 1e-5 * std::max(0.1, std::abs(kept));
        value = kept + h;
        REQUIRE(kernel.evaluate(view,
                                intrinsics.data(),
                                base,
                                step.data(),
                                cauchy_scale,
                                plus.data(),
                                nullptr,
                                nullptr));
        value = kept - h;
        REQUIRE(kernel.evaluate(view,
                                intrinsics.data(),
                                base,
                                step.data(),
                                cauchy_scale,
                                minus.data(),
                                nullptr,
                                nullptr));
        value = kept;
        double largest = 0.0;
        double worst = 0.0;
        for (std::size_t i = 0; i < rows; ++i) {
          const double analytic =
              p < n ? by_intrinsics[i * static_cast<std::size_t>(n) + static_cast<std::size_t>(p)]
                    : by_pose[i * 6 + static_cast<std::size_t>(p - n)];
          worst = std::max(worst, std::abs(analytic - (plus[i] - minus[i]) / (2.0 * h)));
          largest = std::max(largest, std::abs(analytic));
        }
        // The second term is the rounding of the differences, of residuals below 1000 px.
        CHECK(worst < 1e-6 * std::max(largest, 1e-3) + 1e-13 / h);
      }
    }
  }
}

TEST_CASE("softened residuals have Cauchy's loss as their square") {
  const fit::detail::ViewPoints view = small_chart();
  const ModelKernel& kernel = kernel_table().front();
  std::vector<double> intrinsics(static_cast<std::size_t>(kernel.num_intrinsics()), 0.0);
  intrinsics[0] = intrinsics[1] = 600.0;
  const fit::Pose base;
  const std::array<double, 6> step{0.0, 0.0, 0.0, 0.0, 0.0, 200.0};
  std::vector<double> plain(2 * view.size()), soft(2 * view.size());
  for (double c : {1.0, 300.0, 1e5}) {
    REQUIRE(kernel.evaluate(
        view, intrinsics.data(), base, step.data(), 0.0, plain.data(), nullptr, nullptr));
    REQUIRE(kernel.evaluate(
        view, intrinsics.data(), base, step.data(), c, soft.data(), nullptr, nullptr));
    for (std::size_t i = 0; i < view.size(); ++i) {
      const double s = plain[2 * i] * plain[2 * i] + plain[2 * i + 1] * plain[2 * i + 1];
      const double soft_s = soft[2 * i] * soft[2 * i] + soft[2 * i + 1] * soft[2 * i + 1];
      CHECK(soft_s == doctest::Approx(c * c * std::log1p(s / (c * c))).epsilon(1e-12));
    }
  }
}

TEST_CASE("corners behind the camera and turned focal lengths are infeasible") {
  const fit::detail::ViewPoints view = small_chart();
  const ModelKernel& kernel = kernel_table().front();
  std::vector<double> intrinsics(static_cast<std::size_t>(kernel.num_intrinsics()), 0.0);
  intrinsics[0] = intrinsics[1] = 600.0;
  std::vector<double> r(2 * view.size());
  const auto feasible = [&](double z) {
    const std::array<double, 6> step{0.0, 0.0, 0.0, 0.0, 0.0, z};
    return kernel.evaluate(
        view, intrinsics.data(), {}, step.data(), 0.0, r.data(), nullptr, nullptr);
  };
  CHECK(feasible(100.0));
  CHECK_FALSE(feasible(-100.0));
  CHECK_FALSE(feasible(0.0));
  CHECK_FALSE(feasible(std::nan("")));
  intrinsics[0] = -600.0;
  CHECK_FALSE(feasible(100.0));
}

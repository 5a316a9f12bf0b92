#pragma once

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <optional>
#include <vector>

#include "calib/fit/fit.h"
#include "calib/target/detect.h"
#include "calib/target/measure_again.h"

namespace trueplate::tests {

/// What the program makes of pictures of a chart: find it, fit, measure the points again, fit.
struct PictureFit {
  fit::LensFit first;
  fit::LensFit last;
};

inline target::ImageFromChart predicted(const lens::Lens& lens, const fit::Pose& pose) {
  return [&lens, &pose](const Point2d& p_mm) -> std::optional<Point2d> {
    const Eigen::Vector3d p =
        pose.rotation * Eigen::Vector3d(p_mm.x(), p_mm.y(), 0.0) + pose.translation_mm;
    return lens::distort_px(lens, lens::px_from_ideal(lens, p.head<2>() / p.z()));
  };
}

inline PictureFit fit_pictures(const std::vector<Image<float>>& pictures,
                               const target::Chart& chart,
                               const fit::FitOptions& options) {
  std::vector<target::View> views;
  for (std::size_t i = 0; i < pictures.size(); ++i) {
    CAPTURE(i);
    const auto detection = target::detect_chart(pictures[i].view(), chart);
    REQUIRE_MESSAGE(detection.has_value(), detection.error().message);
    views.push_back(
        {fmt::format("{:02}", i), {pictures[i].width(), pictures[i].height()}, detection->corners});
  }
  const auto fitted = [&] {
    const auto fit = fit::fit_lens(views, options);
    REQUIRE_MESSAGE(fit.has_value(), fit.error().message);
    return *fit;
  };
  PictureFit result{.first = fitted(), .last = {}};
  for (std::size_t i = 0; i < views.size(); ++i) {
    if (!result.first.frames[i].has_pose) continue;
    const auto again = target::measure_again(
        pictures[i].view(),
        chart,
        views[i].corners,
        predicted(result.first.lens, result.first.frames[i].camera_from_chart));
    REQUIRE(again.has_value());
    for (std::size_t k = 0; k < again->size(); ++k) {
      if ((*again)[k]) views[i].corners[k] = *(*again)[k];
    }
  }
  result.last = fitted();
  return result;
}

}  // namespace trueplate::tests

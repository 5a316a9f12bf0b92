#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "calib/fit/closed_form.h"
#include "calib/fit/detail/view_points.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// One view after a look at its numbers alone: which corners can be used at all, and a homography.
struct ScreenedView {
  std::size_t index = 0;               // place in the caller's list
  std::vector<std::string> reasons;    // one per corner of the view; empty = usable
  std::vector<std::size_t> corner_of;  // of each usable corner, its place in the view
  ViewPoints points;                   // the usable corners
  std::string reason;                  // why the whole view is of no use; empty = usable
  Eigen::Matrix3d plate_from_plane = Eigen::Matrix3d::Identity();
  Pose plane_from_chart;  // moves the corners' best plane to z = 0; the identity for a flat chart

  [[nodiscard]] bool usable() const { return reason.empty(); }
  [[nodiscard]] Pose pose(const Pinhole& pinhole) const;
};

/// Screens all views. Views of another plate size than most usable ones have (on a tie, the larger
/// plate) are set aside, and so are those of FitOptions::left_out.
struct Screened {
  std::vector<ScreenedView> views;  // in canonical order: by name, then by content
  ImageSize plate_size;             // of the usable views
  int num_other_size = 0;
};
[[nodiscard]] Screened screen(const std::vector<target::View>& views, const FitOptions& options);

/// Whether corners determine a homography (at least four, not on a line).
[[nodiscard]] bool determines_homography(const ViewPoints& points, const Pose& plane_from_chart);

/// The pose of a view for a known lens: homography of the straightened corners. nullopt when they
/// cannot be straightened or do not determine one.
[[nodiscard]] std::optional<Pose> pose_through_lens(const ViewPoints& points,
                                                    const Pose& plane_from_chart,
                                                    const lens::Lens& lens);

}  // namespace trueplate::fit::detail

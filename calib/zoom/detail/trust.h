#pragma once

#include <array>
#include <optional>
#include <vector>

#include "calib/zoom/detail/plate_field.h"
#include "calib/zoom/detail/station_grid.h"

namespace trueplate::zoom::detail {

/// How far what comes out between the others is from what a station itself has. nullopt where the
/// others do not surround it.
struct LeftOut {
  std::optional<FieldDifference> station;       // without the station
  std::optional<FieldDifference> focal_length;  // without any of its focal length
};

/// How far interpolation may be off, learnt from leaving out stations that are there.
///
/// The error between two stations a step h apart, at a share t of the step, is taken to grow with
/// |t (1 - t)| h^2, as that of a straight line does: for smooth curves, whose error shrinks faster,
/// this is on the safe side. The factor is that of the nearest focal length, or focus distance,
/// that could be left out and asked for: there the step is the sum of two. Beyond the outermost
/// stations the same law goes on, with the factor that telling the outermost ones from the others
/// shows, and so grows with the square of the distance. Where nothing can be
/// left out (two focal lengths, two focus distances), the factor is that of a curve that bends as
/// much as it changes over the step; with one focus distance it is the thin lens's own change with
/// focus, which is then left out altogether (Brown 1971: K1 grows with the square of
/// 1 + nearness).
class Trust {
 public:
  Trust(const PlateField& field, const std::vector<StationPlace>& places, const StationGrid& grid);

  [[nodiscard]] const std::vector<LeftOut>& left_out() const { return left_out_; }

  /// Of interpolating, without what noise did to the stations; one standard deviation.
  [[nodiscard]] FieldDifference of(const Blend& blend) const;

 private:
  void leave_out(const PlateField& field, const std::vector<StationPlace>& places);
  void judge_focal(const PlateField& field);
  void judge_focus(const PlateField& field);
  void judge_beyond(const PlateField& field, const std::vector<StationPlace>& places);
  [[nodiscard]] FieldDifference of_focus(std::size_t column, const Blend::Focus& focus) const;
  [[nodiscard]] FieldDifference per_lent(std::size_t column, bool nearer) const;

  const StationGrid* grid_;
  std::vector<LeftOut> left_out_;
  std::vector<FieldDifference> per_focal_bow_;  // an interval each
  /// Of each focal length its farthest and its nearest station, told by the others: over nearness.
  std::vector<std::array<std::optional<FieldDifference>, 2>> per_lent_;
  std::vector<FieldDifference> per_focus_bow_;  // a focal length each
  /// The same beyond: of short and long focal lengths, of far and near focus.
  std::array<FieldDifference, 2> per_focal_bow_beyond_;
  std::array<FieldDifference, 2> per_focus_bow_beyond_;
  FieldDifference per_beyond_;  // nearness, of a focal length with a single focus distance
};

}  // namespace trueplate::zoom::detail

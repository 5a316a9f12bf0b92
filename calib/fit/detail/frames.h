#pragma once

#include <Eigen/Core>
#include <optional>
#include <string>
#include <vector>

#include "calib/fit/detail/half_turns.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/screen.h"
#include "calib/fit/detail/view_points.h"
#include "calib/fit/fit.h"
#include "calib/target/view.h"

namespace trueplate::fit::detail {

/// One usable view during the fit.
struct Frame {
  const ScreenedView* screened = nullptr;
  Pose pose;
  bool active = true;      // takes part in the next adjustment
  std::string reason;      // why not
  ViewPoints points;       // the usable corners, where the chart is believed to have them
  bool turned = false;     // the points are numbered as if the chart had been read upside down
  std::vector<char> used;  // per usable corner
  ViewPoints fitted;       // the used corners
  std::vector<double>
      residuals;  // 2 per usable corner, weighted; empty when there is no prediction
  std::vector<std::string> reasons;  // per usable corner
  double sigma_px = 0.0;             // robust, per coordinate, over the usable corners
};

/// The usable views of a fit, in canonical order, and the decisions about them.
class Frames {
 public:
  Frames() = default;
  Frames(const ModelKernel& kernel, const Screened& screened, const Pinhole& pinhole);

  std::vector<Frame> all;

  [[nodiscard]] int num_active() const;
  [[nodiscard]] std::string first_reason() const;

  /// The corners that the next adjustment uses, of the active frames in order, and their poses.
  [[nodiscard]] std::vector<const ViewPoints*> fitted_views() const;
  [[nodiscard]] std::vector<Pose> active_poses() const;
  void set_active_poses(const std::vector<Pose>& poses);

  /// Moves every corner to where the chart's points are. The corners must be numbered.
  void set_chart(const std::vector<Eigen::Vector3d>& positions);

  /// Reads the chart of some active frames (one entry for each) the other way round.
  void turn(const std::vector<char>& turned, const HalfTurn& half_turn);

  /// Predicts every usable corner anew. A frame with corners behind the camera becomes inactive.
  void update(const Eigen::VectorXd& intrinsics);

  /// Standard deviation per coordinate over the usable corners of all frames, from the median
  /// length of the residuals: half of the corners may be wrong.
  [[nodiscard]] double robust_sigma_px() const;

  /// How far off a typical used corner is: the root mean square for plain least squares, else the
  /// robust standard deviation. For comparing fits from different starts.
  [[nodiscard]] double typical_residual_px(Rejection rejection) const;

  /// Goes on with another model, from the poses there are: every usable corner takes part again,
  /// for what did not fit the one model may fit the other. Predictions are made by update().
  void continue_with(const ModelKernel& kernel);

  /// Which frames get a second chance at a pose.
  enum class Retry {
    kAll,       // however good they are
    kBad,       // all that fit badly or not at all
    kInactive,  // only those that do not take part: the poses of the others are the last fit's
  };
  /// Gives such frames a pose made anew through the current lens, and keeps it where it is better.
  void retry_poses(Retry which, const Eigen::VectorXd& intrinsics, double cauchy_scale);

  /// Chooses the corners and frames of the next fit from the residuals of all usable ones. Returns
  /// whether anything differs from before.
  bool decide(double limit_sigma, double frame_limit_factor);

  /// What the caller gets to see, one entry per view in the caller's order.
  /// Poses are those of the chart as the view has it.
  [[nodiscard]] std::vector<FrameFit> report(const std::vector<target::View>& views,
                                             const HalfTurn& half_turn) const;

 private:
  void predict(Frame& frame, const Eigen::VectorXd& intrinsics) const;
  [[nodiscard]] double median_frame_sigma_px() const;
  void leave_out_misfits();

  const ModelKernel* kernel_ = nullptr;
  const Screened* screened_ = nullptr;
  bool lost_frames_ = false;  // since the last decision; see update()
};

}  // namespace trueplate::fit::detail

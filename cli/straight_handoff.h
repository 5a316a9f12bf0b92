#pragma once

#include <functional>
#include <memory>
#include <span>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "calib/profile/profile.h"
#include "cli/handoff_report.h"
#include "cli/shot_handoff.h"
#include "warp/io/lens_warp.h"
#include "warp/io/sequence.h"

namespace trueplate::cli {

/// The hand-off of straightened frames. It belongs to the first frame that can be read: with a
/// sequence, whose frames have one size, any job writes the same.
class StraightHandoff {
 public:
  /// Of the first frame: its display window, and by how much the straight picture is larger.
  struct Plate {
    Window display;
    warp::EdgePixels overscan_px;
  };
  /// The hand-off of a shot with a lens for every frame.
  using OfShot = std::function<Result<ShotHandoff>(const Plate&)>;

  /// Reads the header of that frame. Without one, or where it does not fit the lens, the files get
  /// no content, since there is no picture they would be about.
  /// of_shot  null: one lens for all frames
  static Result<StraightHandoff> create(std::span<const warp::SequenceJob> jobs,
                                        const warp::LensWarp& lens_warp,
                                        const profile::Profile& profile,
                                        warp::Filter filter,
                                        HandoffFiles files,
                                        const OfShot& of_shot);
  StraightHandoff(StraightHandoff&&) noexcept;
  ~StraightHandoff();

  [[nodiscard]] const HandoffFiles& files() const { return files_; }

  /// Notes whether a straightened frame is what the hand-off is about, and gives formats that have
  /// no windows the whole of it as display window: they would cut the overscan off. Safe from any
  /// thread.
  void finish(const warp::SequenceJob& job, footage::Frame& straight) const;

  /// After the last frame: doubt when frames had other windows than the first. `windows-differ`;
  /// value: how many.
  [[nodiscard]] std::vector<Warning> warnings() const;

 private:
  struct State;
  StraightHandoff(HandoffFiles files, std::unique_ptr<State> state);

  HandoffFiles files_;
  std::unique_ptr<State> state_;
};

}  // namespace trueplate::cli

#pragma once

#include <span>

#include "calib/plate/detail/bundle.h"
#include "calib/plate/detail/shot.h"

namespace trueplate::plate::detail {

/// One least-squares solve of the chain of frames.
struct ChainFit {
  Scene scene;
  double sum_of_squares = 0.0;
  int num_observations = 0;
  double freedom = 0.0;  // equations more than unknowns

  [[nodiscard]] double rms_px() const;
};

/// Does freeing something explain more than noise would?
struct Improvement {
  double share_px = 0.0;  // by which the average error falls, in quadrature
  double p_value = 1.0;   // F test
  [[nodiscard]] bool matters(double scale) const;
};

/// The chain with this and that free, one nested in the other.
struct LensTrials {
  ChainFit as_given;    // focal length as known, or free when it is not
  ChainFit focal_free;  // equal to as_given when the focal length is not known
  ChainFit lens_free;   // focal length as in as_given, radial terms free
  ChainFit all_free;
  int num_radial = 2;  // terms that lens_free and all_free call for
  int num_tried = 0;   // frames of the chain
  int num_frames = 0;  // of the shot

  Improvement by_focal;
  Improvement by_lens;
  Improvement by_lens_after_focal;
  Improvement by_focal_after_lens;
  Improvement by_both;

  /// Relative standard deviation of the focal length that the tracks themselves fit, where one is
  /// given; infinite where they do not determine it.
  double focal_sigma = 0.0;
};

/// What is held: how little else may be told beside it.
struct LensKnowledge {
  bool focal = false;
  bool distortion = false;  // the shot is straightened by a profile
};

[[nodiscard]] LensTrials try_lenses(const Shot& shot,
                                    std::span<const char> chain,
                                    const Scene& start,
                                    const LensKnowledge& known);

[[nodiscard]] Improvement improvement(const ChainFit& simple, const ChainFit& rich, int num_extra);

/// Chance above which an improvement is put down to noise, and the least that it has to take off
/// the average error (for a plate 2048 px wide).
inline constexpr double kSignificant = 1e-6;
inline constexpr double kMattersPx = 0.1;

}  // namespace trueplate::plate::detail

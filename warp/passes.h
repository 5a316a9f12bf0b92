#pragma once

#include <functional>
#include <optional>
#include <span>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "warp/resample.h"
#include "warp/st_map.h"

// Looking up what is no colour: numbers of objects, depth, normals, positions, motion vectors; and
// what filters with negative lobes need beside alpha and highlights. All functions change only the
// channels they are given of `output`, which has the size of map.output.data (or is a strip of it,
// see ResampleOptions::first_row) and the channels of `source`, and no memory in common with it.
// Positions, windows, edges, NaN and errors are as for resample(); a channel number that does not
// exist is the caller's bug. Any number of threads gives the same bits.
namespace trueplate::warp {

/// The other way through a map's lens: where in the output a position of the source is, both in
/// pixels from the top-left corner of the display window; nullopt where the lens has no answer.
using OutputPlace = std::function<std::optional<Point2d>(const Point2d& p_source_px)>;

struct PassOptions {
  Edge edge = Edge::kBlack;
  std::optional<int> first_row = {};  // see ResampleOptions
  int threads = 0;                    // 0 = all cores
  /// Of motion vectors that end beyond the map. Safe from any thread; empty: there is none.
  OutputPlace output_place = {};
};

/// Copies the pixel that the position lies in, bit for bit: nothing is computed, so samples that
/// are no floats at all pass too. 0 (all bits) where there is no pixel.
Result<void> look_up_nearest(const SourcePicture& source,
                             const StMap& map,
                             std::span<const int> channels,
                             const PassOptions& options,
                             ImageView<float> output);

/// How much the steps between three samples in a row may differ, as a share of the larger, for the
/// three to count as one surface: in a row that begins at the nearest sample, and in one that has
/// it in the middle, where a surface one pixel wide between two others is to be told from a slope.
inline constexpr double kSurfaceBend = 0.25;
inline constexpr double kSurfaceBendAround = 0.125;

/// The surface that the nearest pixel shows, at the position: along x and along y the nearest
/// sample goes on by the step to a neighbour if a third sample in a row confirms that the three lie
/// on one surface; else it stays as it is. `channels` are those of one thing (the three numbers of
/// a normal): their steps are compared as vectors. On a plane that is linear interpolation; across
/// a silhouette nothing is mixed, each side goes on as it is. Choosing a stencil by the smoother
/// side is the idea of essentially non-oscillatory schemes (A. Harten et al., J. Comput. Phys. 71,
/// 1987). Of a surface too narrow for three samples the nearest is taken as it is. Where a
/// jump is within a third of the surface's own step the two cannot be told apart; the error is then
/// below a sixth of that step. 0 where there is no pixel.
Result<void> look_up_surface(const SourcePicture& source,
                             const StMap& map,
                             std::span<const int> channels,
                             const PassOptions& options,
                             ImageView<float> output);

/// Which way the second number of a motion vector counts.
enum class MotionY { kUp, kDown };
/// "up", "down".
[[nodiscard]] std::string_view to_text(MotionY direction);
Result<MotionY> parse_motion_y(std::string_view text);

/// The channels of one motion vector: pixels to the right, and pixels up or down, from a pixel of
/// this frame to where it shows the same thing in another frame.
struct MotionChannels {
  int x = 0;
  int y = 0;
};

/// Largest error of a vector's end that is left, in output pixels, where the end lies on the map.
inline constexpr double kMotionTolerance_px = 1e-3;

/// look_up_surface() of motion vectors, and then both ends through the map: the vector v found at
/// the source position p = M(q) of output pixel q becomes q' - q with M(q') = p + v. To first order
/// that is the inverse of the map's Jacobian times v, which turns and scales it; the curvature of
/// the map under long vectors is followed by Newton's method on the map, which goes on by its
/// slopes beyond its edge. Both frames are taken to have the same lens. A vector of zeros stays
/// one; NaN and infinity stay too.
Result<void> look_up_motion(const SourcePicture& source,
                            const StMap& map,
                            std::span<const MotionChannels> vectors,
                            MotionY direction,
                            const PassOptions& options,
                            ImageView<float> output);

/// Takes overshoot back that a filter with negative lobes left beside highlights: where a sample
/// under the kernel is above 1, the value is held between the least and the largest sample under
/// the positive part of the kernel (the four around the position). `output` is what resample() made
/// with the same options. Other pixels keep their bits.
Result<void> limit_highlights(const SourcePicture& source,
                              const StMap& map,
                              std::span<const int> channels,
                              const ResampleOptions& options,
                              ImageView<float> output);

/// Takes overshoot of alpha back: where the filter left alpha below 0 or above 1, alpha and the
/// colours multiplied by it are held between the least and the largest sample under the positive
/// part of the kernel, each channel for itself, and alpha within 0..1. The colours go with alpha,
/// so there is no fringe: of one colour under all of the kernel they stay that colour times alpha.
/// `colour_map` is the map of `colours`: another than alpha's where each colour has its own lens.
/// Alpha may be among `colours`; of several maps call it for alpha's own last, since the filter's
/// own alpha in `output` says where to hold.
Result<void> limit_with_alpha(const SourcePicture& source,
                              const StMap& colour_map,
                              int alpha,
                              std::span<const int> colours,
                              const ResampleOptions& options,
                              ImageView<float> output);

}  // namespace trueplate::warp

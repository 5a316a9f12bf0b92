#pragma once

#include <functional>
#include <optional>
#include <string_view>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/lens/lens.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// Interpolating filters. Positions are used exactly, not snapped to a table of sub-pixel steps.
enum class Filter {
  kBilinear,  // 2 x 2 pixels
  kCubic,     // 4 x 4, Keys 1981 with a = -1/2 (Catmull-Rom): reproduces quadratics
  kLanczos,   // 6 x 6, sinc(x) sinc(x / 3), weights divided by their sum: reproduces constants
  kArea,      // kCubic, widened along x and y to what an output pixel covers where the map shrinks
};
/// "bilinear", "cubic", "lanczos", "area".
[[nodiscard]] std::string_view to_text(Filter filter);
Result<Filter> parse_filter(std::string_view text);

/// Pixels per side of the filter's square: 2, 4 or 6; of kArea where the map does not shrink.
[[nodiscard]] int kernel_width(Filter filter);

/// What lies outside the data window of a picture.
enum class Edge {
  kBlack,   // 0 in every channel, blended at the edge as if black pixels lay there
  kHold,    // the pixel at the edge, on and on
  kMirror,  // the picture turned over at its edge: ... 2 1 0 | 0 1 2 ...
};
/// "black", "hold", "mirror".
[[nodiscard]] std::string_view to_text(Edge edge);
Result<Edge> parse_edge(std::string_view text);

/// A picture to look up. `pixels` covers windows.data; positions count from the top-left corner of
/// windows.display. Interleaved float, any number of channels.
struct SourcePicture {
  ImageView<const float> pixels;
  FrameWindows windows;
};

/// Largest error of a filter weight, against the formula evaluated in double. A sum of products
/// adds its own rounding, see kResampleTolerance.
inline constexpr double kWeightTolerance = 2e-7;

/// Largest difference of an output value from the formula evaluated in double at the same
/// position, as a share of the largest absolute source value under the kernel.
inline constexpr double kResampleTolerance = 1e-6;

struct ResampleOptions {
  Filter filter = Filter::kCubic;
  Edge edge = Edge::kBlack;
  /// Of a picture made strip by strip: `output` is the rows of the map's output from this one on,
  /// as many as it has. Unset: all of it. Strips together have the bits of the whole.
  std::optional<int> first_row = {};
  int threads = 0;  // 0 = all cores; any number gives the same bits
};

/// Looks up `source` at every position of `map`. `output` has the size of map.output.data and the
/// channels of `source`, and no memory in common with it. 0..1 of the map spans the display window
/// of `source`, whatever its size, so one map serves a reduced copy of the picture too. NaN in the
/// map gives 0 in all channels. NaN and infinity in the source spread no further than the kernel
/// reaches. All filters but kArea are of one size: right where the map keeps the scale within about
/// a factor of two, as a lens does. kArea has, at each pixel, the width max(1, |dx/dp|) along x and
/// max(1, |dy/dp|) along y times that of kCubic (a shrink below 0.1 % does not count), dx/dp and
/// dy/dp being the gradients of the position from the neighbouring map values, at most kMaxShrink.
/// `row_done`, if any, is called with each row of `output` by the thread that made it, while the
/// row is in the processor's cache. Errors: sizes or channels that do not match; an invalid map.
Result<void> resample(const SourcePicture& source,
                      const StMap& map,
                      const ResampleOptions& options,
                      ImageView<float> output,
                      const std::function<void(int row)>& row_done = {});
inline constexpr double kMaxShrink = 32.0;
/// The same into a new image.
Result<Image<float>> resample(const SourcePicture& source,
                              const StMap& map,
                              const ResampleOptions& options = {});

/// Straightens or bends one picture without a map in memory: positions come from the lens row by
/// row, in double. To straighten it is as fast as resample() with a map that exists already. To
/// bend a sequence with one lens a map made once is faster by the inversion, about 13 ms of
/// processor time at 4096x2160 (an eighth to a third of a frame), for 71 MB of memory;
/// tests/bench/bench_warp.cpp. Agrees with resample() on the map of the same options up to the
/// float rounding of the map. `output` has the size of output_windows(lens, map_options)->data.
/// t_origin and threads of `map_options` do not matter. Errors: those of output_windows(),
/// lens::validate() and resample(). kArea needs neighbours, so a map is made for it.
Result<void> warp_frame(const SourcePicture& source,
                        const lens::Lens& lens,
                        MapDirection direction,
                        const MapOptions& map_options,
                        const ResampleOptions& options,
                        ImageView<float> output);
/// The same into a new image.
Result<Image<float>> warp_frame(const SourcePicture& source,
                                const lens::Lens& lens,
                                MapDirection direction,
                                const MapOptions& map_options = {},
                                const ResampleOptions& options = {});

}  // namespace trueplate::warp

#pragma once

#include <memory>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/footage/frame.h"
#include "warp/io/channel_notes.h"
#include "warp/io/channel_rules.h"
#include "warp/io/frame_in_rows.h"
#include "warp/passes.h"
#include "warp/resample.h"
#include "warp/st_map.h"

namespace trueplate::warp {

/// Whether overshoot beside highlights stays.
enum class Ringing { kAllow, kLimit };
/// "allow", "limit": see limit_highlights().
[[nodiscard]] std::string_view to_text(Ringing ringing);
Result<Ringing> parse_ringing(std::string_view text);

/// How the colours of a file relate to its alpha.
enum class Premultiplied {
  kAsFormat,  // EXR, TIFF and DPX as the header says, else multiplied; PNG not
  kNot,       // not multiplied, whatever the file says
};

struct PassSettings {
  Filter filter = Filter::kCubic;
  Edge edge = Edge::kBlack;
  Ringing ringing = Ringing::kAllow;
  MotionY motion_y = MotionY::kUp;
  Premultiplied premultiplied = Premultiplied::kAsFormat;
  std::vector<RuleRequest> requests = {};
};

/// The maps of one picture: one for all channels, or further ones for what is red and blue among
/// the filtered channels (R, B and those of layers whose names end in .R and .B). All have one
/// output window.
struct PictureMaps {
  std::shared_ptr<const StMap> main;
  std::shared_ptr<const StMap> red = nullptr;  // null: the main one
  std::shared_ptr<const StMap> blue = nullptr;
  OutputPlace output_place = {};  // the other way through the main one; empty: not known
};

/// Moves the parts of a frame through the maps, each channel by its rule. Of the filtered channels,
/// colour goes with the alpha of its layer: where the filter takes alpha out of 0..1 both are held
/// (limit_with_alpha()), and colour that has not been multiplied by alpha is multiplied before
/// filtering and divided after it; where no alpha is left it is 0. Parts without an alpha go with
/// that of another (warp/io/detail/lent_alpha.h). The frame that comes out holds
/// the pixels of `frame`, and its filtered channels once more where they are not all there are.
/// The treatments are added to `notes`; a part that lies wholly off its display window is warned of
/// (`off-display`; value: pixels), and 32-bit float channels that are filtered and named like IDs
/// (`may-be-ids`; value: how many). Errors: those of channel_rules().
Result<FrameInRows> warp_parts(footage::Frame frame,
                               const PictureMaps& maps,
                               const PassSettings& settings,
                               ChannelNotes& notes,
                               int threads);

}  // namespace trueplate::warp

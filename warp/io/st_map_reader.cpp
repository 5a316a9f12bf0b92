#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <optional>
#include <string_view>
#include <utility>

#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/map_channels.h"
#include "warp/io/detail/map_header.h"
#include "warp/io/st_map_file.h"
#include "warp/map_doubt.h"
#include "warp/map_origin.h"

namespace trueplate::warp {
namespace {

/// What taking the values of a map showed.
struct Taken {
  double near = 1.0;        // share of the positions that lies in -1..2
  std::size_t num_far = 0;  // values beyond kFarthestValue
};

/// Copies two channels, NaN for no source.
Taken take_values(const footage::Part& part,
                  const detail::MapChannels& from_channels,
                  float no_source,
                  Image<float>& st) {
  constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();
  Taken taken;
  std::size_t num_near = 0;
  std::size_t num_values = 0;
  const std::ptrdiff_t stride = part.pixels.channels();
  for (int y = 0; y < st.height(); ++y) {
    const float* from = part.pixels.row(y);
    float* to = st.row(y);
    for (int x = 0; x < st.width(); ++x, from += stride, to += 2) {
      const float s = from[from_channels.s];
      const float t = from[from_channels.t];
      const bool marked =
          !std::isfinite(s) || !std::isfinite(t) || (s == no_source && t == no_source);
      const bool far = std::max(std::abs(s), std::abs(t)) > kFarthestValue;
      const bool none = marked || far;
      to[0] = none ? kNaN : s;
      to[1] = none ? kNaN : t;
      taken.num_far += far && !marked ? 1 : 0;
      num_values += none ? 0 : 1;
      num_near += s >= -1.0F && s <= 2.0F && t >= -1.0F && t <= 2.0F ? 1 : 0;
    }
  }
  if (num_values > 0) taken.near = static_cast<double>(num_near) / static_cast<double>(num_values);
  return taken;
}

/// What is doubtful about the values.
void doubt_values(const Taken& taken, StMapFile& file) {
  if (taken.near < 0.5) {
    file.warnings.push_back(
        {"not-normalised",
         fmt::format("{:.0f} % of the values lie outside -1..2; a map that counts pixels is not an "
                     "ST-map",
                     100.0 * (1.0 - taken.near)),
         1.0 - taken.near});
  }
  if (taken.num_far > 0) {
    file.warnings.push_back(
        {"far-values",
         fmt::format("{} pixels hold values beyond {:.0f}, which are no place in a picture: taken "
                     "as no source",
                     taken.num_far,
                     kFarthestValue),
         static_cast<double>(taken.num_far)});
  }
}

std::string_view way_of(TOrigin origin) {
  return origin == TOrigin::kTopLeft ? "downwards" : "upwards";
}

/// Puts what the caller says in place of what the header states, and says so.
void overrule_header(const StMapAssumptions& assumptions, StMapFile& file) {
  const auto warn = [&](const std::string& stated,
                        std::string_view option,
                        const std::string& given) {
    file.warnings.push_back(
        {"header-overruled",
         fmt::format(
             "the map's header says {}, {} says {}: taken was {}", stated, option, given, given),
         1.0});
  };
  StMap& map = file.map;
  if (assumptions.t_origin && *assumptions.t_origin != map.t_origin) {
    const auto words = [](TOrigin origin) {
      return fmt::format("t = 0 at the {}", to_text(origin));
    };
    warn(words(map.t_origin), "--origin", words(*assumptions.t_origin));
    map.t_origin = *assumptions.t_origin;
  }
  if (assumptions.direction && *assumptions.direction != map.direction) {
    warn(std::string(to_text(map.direction)),
         "--direction",
         std::string(to_text(*assumptions.direction)));
    map.direction = *assumptions.direction;
  }
  if (assumptions.source_display &&
      assumptions.source_display->size() != map.source_display.size()) {
    const auto words = [](ImageSize size) {
      return fmt::format("a source of {}x{} pixels", size.width, size.height);
    };
    warn(words(map.source_display.size()), "--source", words(assumptions.source_display->size()));
    map.source_display = *assumptions.source_display;
  }
}

float no_source_of(const std::optional<detail::MapConventions>& stated) {
  return stated ? stated->no_source.value_or(kNoSource) : kNoSource;
}

/// The conventions that the header states, else those the caller assumes; see MapHeader.
void take_conventions(const std::optional<detail::MapConventions>& stated,
                      const StMapAssumptions& assumptions,
                      StMapFile& file) {
  StMap& map = file.map;
  file.states_conventions = stated.has_value();
  if (!stated) {
    const Window& display = map.output.display;
    map.t_origin = assumptions.t_origin.value_or(TOrigin::kBottomLeft);
    map.direction = assumptions.direction.value_or(MapDirection::kUndistort);
    map.source_display =
        assumptions.source_display.value_or(Window{0, 0, display.width, display.height});
    return;
  }
  map.t_origin = stated->t_origin;
  map.direction = stated->direction;
  map.source_display = stated->source_display;
  file.lens_text = stated->lens_text;
  if (assumptions.header == MapHeader::kYields) overrule_header(assumptions, file);
}

/// Doubt about a source of the shape of the map but of another size: that of the plate given for a
/// coarser map of it, whose pixels then count for those of a straight picture so small.
std::optional<Warning> coarse_doubt(const StMap& map, const StMapAssumptions& assumptions) {
  const bool is_told =
      assumptions.source_display && assumptions.source_display->size() == map.source_display.size();
  if (!is_told) return std::nullopt;
  const ImageSize source = assumptions.source_display->size();
  const ImageSize output = map.output.display.size();
  const double scale = static_cast<double>(source.width) / output.width;
  // But for the rounding of both to whole pixels.
  const bool is_same_shape = std::abs(scale * output.height - source.height) < 0.5 + 0.5 * scale;
  if (!is_same_shape || std::abs(scale - 1.0) < 0.02) return std::nullopt;
  return Warning{
      "map-size-differs",
      fmt::format("the map is {}x{} and looks into a source of {}x{}, of the same shape: "
                  "right where it also scales the picture by {:.3g}; a coarser map of "
                  "that plate is read without --source and made larger by reformat",
                  output.width,
                  output.height,
                  source.width,
                  source.height,
                  1.0 / scale),
      scale};
}

/// What was taken of a map that states nothing.
Warning assumed(const StMap& map, const std::string& why_origin) {
  return {"assumed-conventions",
          fmt::format(
              "the map does not state its conventions; taken: {}, t = 0 at the {}{}, a source of "
              "{}x{} pixels",
              map.direction == MapDirection::kUndistort ? "it straightens plates"
                                                        : "it bends straight pictures",
              to_text(map.t_origin),
              why_origin,
              map.source_display.width,
              map.source_display.height),
          1.0};
}

/// Settles where t counts from: as stated, else as the map tells, else as is usual. Returns words
/// on the choice.
std::string settle_origin(const StMapAssumptions& assumptions, StMapFile& file) {
  const std::optional<ToldOrigin> told = told_origin(file.map.st);
  const bool is_free = !file.states_conventions && !assumptions.t_origin;
  if (is_free) {
    file.map.t_origin = told ? told->origin : TOrigin::kBottomLeft;
    return told ? fmt::format(", as it grows {} in {:.4g} % of the map",
                              way_of(told->origin),
                              100.0 * told->share)
                : std::string(", which the map does not tell");
  }
  if (!told || told->origin == file.map.t_origin) return {};
  const bool by_header = file.states_conventions &&
                         (!assumptions.t_origin || assumptions.header == MapHeader::kStands);
  file.warnings.push_back(
      {"origin-doubt",
       fmt::format("t grows {} in {:.4g} % of the map, so it seems to count from the {}; taken was "
                   "{}, as {}: what comes out is upside down unless the map means to turn it over",
                   way_of(told->origin),
                   100.0 * told->share,
                   to_text(told->origin),
                   to_text(file.map.t_origin),
                   by_header ? "its header says" : "--origin says"),
       told->share});
  return {};
}

}  // namespace

bool says_it_is_map(const footage::Frame& frame) {
  const auto says = [](const footage::Part& part) {
    const Imf::Header* header =
        part.metadata == nullptr ? nullptr : std::get_if<Imf::Header>(&part.metadata->header);
    return header != nullptr && detail::is_map_header(*header);
  };
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    if (says(frame.part(i))) return true;
  }
  return false;
}

Result<StMapFile> read_st_map(const std::filesystem::path& path,
                              const StMapAssumptions& assumptions,
                              int threads) {
  const bool by_name = !assumptions.channels.empty();
  Result<footage::Frame> frame = footage::read_frame(
      path, {.threads = threads, .parts = by_name ? footage::Parts::kAll : footage::Parts::kFirst});
  if (!frame) return fail(frame.error());
  if (frame->metadata->kind != detail::FileKind::kExr) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: a {} picture; ST-maps are read from EXR files of 32-bit float",
                            path.string(),
                            footage::detail::kind_name(frame->metadata->kind)));
  }
  const Result<detail::MapChannels> channels =
      detail::find_map_channels(*frame, assumptions.channels);
  if (!channels) {
    return fail(channels.error().code,
                fmt::format("{}: {}", path.string(), channels.error().message));
  }
  const footage::Part& part = frame->part(channels->part);
  StMapFile file;
  file.map.output = part.windows;
  file.pixel_aspect = part.pixel_aspect;
  file.warnings = std::move(frame->warnings);
  const Result<std::optional<detail::MapConventions>> stated =
      detail::read_map_header(path, std::get<Imf::Header>(part.metadata->header));
  if (!stated) return fail(stated.error());
  take_conventions(*stated, assumptions, file);
  file.map.st = Image<float>(part.pixels.width(), part.pixels.height(), 2);
  const Taken taken = take_values(part, *channels, no_source_of(*stated), file.map.st);
  const std::string why_origin = settle_origin(assumptions, file);
  if (!*stated) file.warnings.push_back(assumed(file.map, why_origin));
  if (auto doubt = coarse_doubt(file.map, assumptions)) file.warnings.push_back(*std::move(doubt));
  doubt_values(taken, file);
  if (auto doubt = position_doubt(file.map)) file.warnings.push_back(*std::move(doubt));
  const bool is_half = part.channels[channels->s].format == footage::SampleFormat::kHalf ||
                       part.channels[channels->t].format == footage::SampleFormat::kHalf;
  if (is_half) file.warnings.push_back(half_doubt(file.map));
  if (Result<void> valid = validate(file.map); !valid) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: {}", path.string(), valid.error().message));
  }
  return file;
}

}  // namespace trueplate::warp

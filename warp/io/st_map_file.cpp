#include "warp/io/st_map_file.h"

#include <OpenEXR/ImfBoxAttribute.h>
#include <OpenEXR/ImfFloatAttribute.h>
#include <OpenEXR/ImfIntAttribute.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <limits>
#include <span>
#include <utility>

#include "calib/base/parallel.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/exr_writer.h"
#include "warp/io/detail/lens_header.h"
#include "warp/io/detail/map_channels.h"
#include "warp/map_doubt.h"
#include "warp/map_origin.h"

namespace trueplate::warp {
namespace {

constexpr int kMapVersion = 1;
constexpr const char* kVersionName = "trueplateMapVersion";
constexpr const char* kDirectionName = "trueplateMapDirection";
constexpr const char* kOriginName = "trueplateTOrigin";
constexpr const char* kSourceName = "trueplateSourceDisplay";
constexpr const char* kCenterName = "trueplatePixelCenter";
constexpr const char* kNoSourceName = "trueplateNoSource";
constexpr const char* kLensName = "trueplateLens";

Imf::Header header_of(const StMap& map, const StMapWriteOptions& options) {
  Imf::Header header;
  const Window& source = map.source_display;
  header.insert(kVersionName, Imf::IntAttribute(kMapVersion));
  header.insert(kDirectionName, Imf::StringAttribute(std::string(to_text(map.direction))));
  header.insert(kOriginName, Imf::StringAttribute(std::string(to_text(map.t_origin))));
  header.insert(kSourceName,
                Imf::Box2iAttribute({{source.x, source.y},
                                     {source.x + source.width - 1, source.y + source.height - 1}}));
  header.insert(kCenterName, Imf::FloatAttribute(0.5F));
  header.insert(kNoSourceName, Imf::FloatAttribute(kNoSource));
  if (!options.lens_text.empty()) {
    header.insert(kLensName, Imf::StringAttribute(options.lens_text));
  }
  Imf::addComments(
      header,
      fmt::format(
          "ST-map ({}): R = s and G = t say where in the source picture to look; 0..1 spans "
          "its display window of {}x{} pixels, t = 0 lies at the {}, pixel i of n has its "
          "centre at (i + 0.5) / n, and {} in both channels means no source.",
          to_text(map.direction),
          source.width,
          source.height,
          map.t_origin == TOrigin::kBottomLeft ? "bottom" : "top",
          kNoSource));
  return header;
}

bool is_no_source(float s, float t) { return !std::isfinite(s) || !std::isfinite(t); }

/// The map with kNoSource in place of NaN.
Image<float> for_disk(const Image<float>& st, int threads) {
  Image<float> copy(st.width(), st.height(), 2);
  parallel_rows(st.height(), threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      const float* from = st.row(y);
      float* to = copy.row(y);
      for (std::ptrdiff_t i = 0; i < std::ptrdiff_t{2} * st.width(); i += 2) {
        const bool none = is_no_source(from[i], from[i + 1]);
        to[i] = none ? kNoSource : from[i];
        to[i + 1] = none ? kNoSource : from[i + 1];
      }
    }
  });
  return copy;
}

/// A typed attribute; null when it is absent. A present one of another type is damage.
template <class Attribute>
Result<const Attribute*> find(const std::filesystem::path& path,
                              const Imf::Header& header,
                              const char* name) {
  if (header.find(name) == header.end()) return static_cast<const Attribute*>(nullptr);
  const auto* attribute = header.findTypedAttribute<Attribute>(name);
  if (attribute == nullptr) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: header attribute {} has the wrong type", path.string(), name));
  }
  return attribute;
}

Error makes_no_sense(const std::filesystem::path& path, const char* name, std::string_view found) {
  return {ErrorCode::kUnreadable,
          fmt::format("{}: header attribute {} is '{}', which makes no sense",
                      path.string(),
                      name,
                      found.substr(0, 80))};
}

/// Reads one word of two into an enumerator.
template <class Enum>
Result<void> read_word(const std::filesystem::path& path,
                       const Imf::Header& header,
                       const char* name,
                       std::array<Enum, 2> choices,
                       Enum& to) {
  const auto attribute = find<Imf::StringAttribute>(path, header, name);
  if (!attribute) return fail(attribute.error());
  if (*attribute == nullptr) return fail(makes_no_sense(path, name, "missing"));
  for (const Enum choice : choices) {
    if ((*attribute)->value() == to_text(choice)) {
      to = choice;
      return {};
    }
  }
  return fail(makes_no_sense(path, name, (*attribute)->value()));
}

/// Takes the conventions from the header. False when it states none.
Result<bool> read_conventions(const std::filesystem::path& path,
                              const Imf::Header& header,
                              StMapFile& file,
                              float& no_source) {
  const auto version = find<Imf::IntAttribute>(path, header, kVersionName);
  if (!version) return fail(version.error());
  if (*version == nullptr) return false;
  if ((*version)->value() > kMapVersion) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: an ST-map of version {}, this program reads up to {}",
                            path.string(),
                            (*version)->value(),
                            kMapVersion));
  }
  if ((*version)->value() < 1) {
    return fail(makes_no_sense(path, kVersionName, fmt::format("{}", (*version)->value())));
  }
  Result<void> word = read_word<TOrigin>(
      path, header, kOriginName, {TOrigin::kBottomLeft, TOrigin::kTopLeft}, file.map.t_origin);
  if (!word) return fail(word.error());
  word = read_word<MapDirection>(path,
                                 header,
                                 kDirectionName,
                                 {MapDirection::kUndistort, MapDirection::kRedistort},
                                 file.map.direction);
  if (!word) return fail(word.error());
  const auto source = find<Imf::Box2iAttribute>(path, header, kSourceName);
  if (!source) return fail(source.error());
  if (*source == nullptr) return fail(makes_no_sense(path, kSourceName, "missing"));
  const Imath::Box2i box = (*source)->value();
  const auto width = static_cast<long long>(box.max.x) - box.min.x + 1;
  const auto height = static_cast<long long>(box.max.y) - box.min.y + 1;
  constexpr int kFarthest = 1 << 30;  // OpenEXR's own limit for window corners
  const bool is_far =
      std::min(box.min.x, box.min.y) <= -kFarthest || std::max(box.min.x, box.min.y) >= kFarthest;
  if (is_far || width < 1 || height < 1 || width > kMaxImageSide || height > kMaxImageSide) {
    return fail(makes_no_sense(
        path, kSourceName, fmt::format("{}x{} at {}, {}", width, height, box.min.x, box.min.y)));
  }
  file.map.source_display = {
      box.min.x, box.min.y, static_cast<int>(width), static_cast<int>(height)};
  const auto center = find<Imf::FloatAttribute>(path, header, kCenterName);
  if (!center) return fail(center.error());
  if (*center != nullptr && (*center)->value() != 0.5F) {
    return fail(makes_no_sense(path, kCenterName, fmt::format("{}", (*center)->value())));
  }
  const auto none = find<Imf::FloatAttribute>(path, header, kNoSourceName);
  if (!none) return fail(none.error());
  if (*none != nullptr) no_source = (*none)->value();
  const auto lens = find<Imf::StringAttribute>(path, header, kLensName);
  if (!lens) return fail(lens.error());
  if (*lens != nullptr) file.lens_text = (*lens)->value();
  return true;
}

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
      const bool marked = is_no_source(s, t) || (s == no_source && t == no_source);
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

/// The compression of a map at `path`.
Result<Imf::Compression> method_of(const std::filesystem::path& path,
                                   const std::string& compression) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  if (!kind || *kind != detail::FileKind::kExr) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: ST-maps are written as EXR only; end the name in .exr", path.string()));
  }
  const auto parsed = detail::parse_compression(path, *kind, compression);
  if (!parsed) return fail(parsed.error());
  const Imf::Compression method = *parsed ? (*parsed)->exr : Imf::ZIP_COMPRESSION;
  if (detail::is_lossless(method)) return method;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: compression '{}' loses digits that an ST-map needs; choose one of "
                          "none, rle, zips, zip, piz",
                          path.string(),
                          compression));
}

}  // namespace

Result<void> check_writable_st_map(const std::filesystem::path& path,
                                   const std::string& compression) {
  const Result<Imf::Compression> method = method_of(path, compression);
  if (!method) return fail(method.error());
  return {};
}

Result<void> write_st_map(const std::filesystem::path& path,
                          const StMap& map,
                          const StMapWriteOptions& options) {
  const auto refuse = [&](ErrorCode code, std::string_view why) {
    return fail(code, fmt::format("{}: {}", path.string(), why));
  };
  const Result<Imf::Compression> method = method_of(path, options.compression);
  if (!method) return fail(method.error());
  if (Result<void> valid = validate(map); !valid) {
    return refuse(ErrorCode::kInvalidInput, valid.error().message);
  }
  if (!(options.pixel_aspect >= 1e-3 && options.pixel_aspect <= 1e3)) {
    return refuse(ErrorCode::kInvalidInput, fmt::format("pixel aspect {}", options.pixel_aspect));
  }
  const std::string& lens = options.lens_text;
  if (lens.find('\0') != std::string::npos || lens.size() > 10000) {
    return refuse(ErrorCode::kInvalidInput, "the text about the lens is no line of text");
  }
  Result<AtomicFile> file = AtomicFile::create(path, options.overwrite);
  if (!file) return fail(file.error());
  Imf::Header header = header_of(map, options);
  header.compression() = *method;
  detail::add_lens_attributes(header, options.lens);  // a fresh header, nothing to differ from
  const std::array<footage::Channel, 2> channels = {
      {{"R", footage::SampleFormat::kFloat}, {"G", footage::SampleFormat::kFloat}}};
  const Image<float> pixels = for_disk(map.st, options.threads);
  const detail::ExrPicture picture{.header = std::move(header),
                                   .rows = detail::rows_of(pixels.view()),
                                   .windows = map.output,
                                   .pixel_aspect = options.pixel_aspect,
                                   .channels = channels};
  const Result<std::int64_t> written =
      detail::write_exr(file->temporary_path(), path, std::span(&picture, 1), options.threads);
  if (!written) return fail(written.error());
  return file->commit(options.flush);
}

bool says_it_is_map(const footage::Frame& frame) {
  const auto says = [](const footage::Part& part) {
    const Imf::Header* header =
        part.metadata == nullptr ? nullptr : std::get_if<Imf::Header>(&part.metadata->header);
    return header != nullptr && header->find(kVersionName) != header->end();
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
  file.map.t_origin = assumptions.t_origin.value_or(TOrigin::kBottomLeft);
  file.map.direction = assumptions.direction.value_or(MapDirection::kUndistort);
  const Window& display = part.windows.display;
  file.map.source_display =
      assumptions.source_display.value_or(Window{0, 0, display.width, display.height});
  file.warnings = std::move(frame->warnings);
  float no_source = kNoSource;
  const Result<bool> stated =
      read_conventions(path, std::get<Imf::Header>(part.metadata->header), file, no_source);
  if (!stated) return fail(stated.error());
  file.states_conventions = *stated;
  if (*stated && assumptions.header == MapHeader::kYields) overrule_header(assumptions, file);
  file.map.st = Image<float>(part.pixels.width(), part.pixels.height(), 2);
  const Taken taken = take_values(part, *channels, no_source, file.map.st);
  const std::string why_origin = settle_origin(assumptions, file);
  if (!*stated) {
    file.warnings.push_back(
        {"assumed-conventions",
         fmt::format(
             "the map does not state its conventions; taken: {}, t = 0 at the {}{}, a source of "
             "{}x{} pixels",
             file.map.direction == MapDirection::kUndistort ? "it straightens plates"
                                                            : "it bends straight pictures",
             to_text(file.map.t_origin),
             why_origin,
             file.map.source_display.width,
             file.map.source_display.height),
         1.0});
  }
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

#include "warp/io/detail/map_header.h"

#include <OpenEXR/ImfBoxAttribute.h>
#include <OpenEXR/ImfFloatAttribute.h>
#include <OpenEXR/ImfIntAttribute.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <string_view>
#include <utility>

#include "warp/io/st_map_file.h"

namespace trueplate::warp::detail {
namespace {

constexpr int kMapVersion = 1;
constexpr const char* kVersionName = "trueplateMapVersion";
constexpr const char* kDirectionName = "trueplateMapDirection";
constexpr const char* kOriginName = "trueplateTOrigin";
constexpr const char* kSourceName = "trueplateSourceDisplay";
constexpr const char* kCenterName = "trueplatePixelCenter";
constexpr const char* kNoSourceName = "trueplateNoSource";
constexpr const char* kLensName = "trueplateLens";

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

Result<void> read_words(const std::filesystem::path& path,
                        const Imf::Header& header,
                        MapConventions& to) {
  Result<void> read = read_word<TOrigin>(
      path, header, kOriginName, {TOrigin::kBottomLeft, TOrigin::kTopLeft}, to.t_origin);
  if (!read) return read;
  return read_word<MapDirection>(path,
                                 header,
                                 kDirectionName,
                                 {MapDirection::kUndistort, MapDirection::kRedistort},
                                 to.direction);
}

Result<Window> read_source(const std::filesystem::path& path, const Imf::Header& header) {
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
  return Window{box.min.x, box.min.y, static_cast<int>(width), static_cast<int>(height)};
}

}  // namespace

Imf::Header map_header(const StMap& map, const std::string& lens_text) {
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
  if (!lens_text.empty()) header.insert(kLensName, Imf::StringAttribute(lens_text));
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

bool is_map_header(const Imf::Header& header) { return header.find(kVersionName) != header.end(); }

Result<std::optional<MapConventions>> read_map_header(const std::filesystem::path& path,
                                                      const Imf::Header& header) {
  const auto version = find<Imf::IntAttribute>(path, header, kVersionName);
  if (!version) return fail(version.error());
  if (*version == nullptr) return std::optional<MapConventions>();
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
  MapConventions found;
  if (Result<void> read = read_words(path, header, found); !read) return fail(read.error());
  const Result<Window> source = read_source(path, header);
  if (!source) return fail(source.error());
  found.source_display = *source;
  const auto center = find<Imf::FloatAttribute>(path, header, kCenterName);
  if (!center) return fail(center.error());
  if (*center != nullptr && (*center)->value() != 0.5F) {
    return fail(makes_no_sense(path, kCenterName, fmt::format("{}", (*center)->value())));
  }
  const auto none = find<Imf::FloatAttribute>(path, header, kNoSourceName);
  if (!none) return fail(none.error());
  if (*none != nullptr) found.no_source = (*none)->value();
  const auto lens = find<Imf::StringAttribute>(path, header, kLensName);
  if (!lens) return fail(lens.error());
  if (*lens != nullptr) found.lens_text = (*lens)->value();
  return std::optional<MapConventions>(std::move(found));
}

}  // namespace trueplate::warp::detail

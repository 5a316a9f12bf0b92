#include "cli/clip_option.h"

#include <fmt/format.h>

#include <array>
#include <utility>

#include "calib/base/text.h"

namespace trueplate::cli {
namespace {

constexpr std::array<std::string_view, 4> kKeys{"focal", "focus", "t-stop", "entrance-pupil"};

bool is_key(std::string_view word) {
  for (const std::string_view key : kKeys) {
    if (word == key) return true;
  }
  return false;
}

Error wrong(std::string_view text, const std::string& complaint) {
  return {ErrorCode::kInvalidInput,
          fmt::format("--clip {}: {}, wanted FRAMES,focal=35mm,focus=2m and, where known, t-stop=4 "
                      "and entrance-pupil=110mm",
                      text,
                      complaint)};
}

}  // namespace

Result<Clip> parse_clip(std::string_view text) {
  Clip clip;
  std::string t_stop;
  std::string_view rest = text;
  for (std::size_t comma = rest.rfind(','); comma != std::string_view::npos;
       comma = rest.rfind(',')) {
    const std::string_view word = rest.substr(comma + 1);
    const std::size_t equals = word.find('=');
    if (equals == std::string_view::npos) break;
    const std::string_view key = word.substr(0, equals);
    if (!is_key(key)) return fail(wrong(text, fmt::format("'{}' is no setting", key)));
    std::string& value = key == "focal"    ? clip.focal
                         : key == "focus"  ? clip.focus
                         : key == "t-stop" ? t_stop
                                           : clip.entrance_pupil;
    if (!value.empty()) return fail(wrong(text, fmt::format("{} stands twice", key)));
    value = std::string(word.substr(equals + 1));
    if (value.empty()) return fail(wrong(text, fmt::format("{} has no value", key)));
    rest = rest.substr(0, comma);
  }
  if (rest.empty()) return fail(wrong(text, "there are no frames"));
  clip.frames = std::string(rest);
  if (t_stop.empty()) return clip;
  const std::optional<double> stop = parse_number(t_stop);
  if (!stop || !(*stop >= 0.1 && *stop <= 1000.0)) {
    return fail(wrong(text, fmt::format("t-stop is '{}'", t_stop)));
  }
  clip.t_stop = *stop;
  return clip;
}

}  // namespace trueplate::cli

#include "cli/frame_settings.h"

#include <fmt/format.h>

#include <array>
#include <filesystem>
#include <string_view>
#include <system_error>
#include <vector>

#include "calib/footage/content_digest.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

/// The profile counts by its content, the frames by theirs.
constexpr std::array<std::string_view, 12> kWithoutEffect = {"PROFILE",
                                                             "FRAMES",
                                                             "--frames",
                                                             "--output",
                                                             "--handoff",
                                                             "--in-flight",
                                                             "--help",
                                                             "--json",
                                                             "--quiet",
                                                             "--progress",
                                                             "--overwrite",
                                                             "--threads"};

bool has_effect(const std::string& name) {
  for (const std::string_view other : kWithoutEffect) {
    if (name == other) return false;
  }
  return true;
}

std::vector<std::string> values_of(const CLI::Option& option) {
  if (!option.results().empty()) return option.results();
  return {option.get_default_str()};
}

/// The digest for a lens, or whatever else `lens` stands for.
Result<std::string> settings_of(const CLI::App& app, const std::string& lens) {
  // Lengths in front, so that no two lists of values give one text.
  std::string text = fmt::format("{} {} {}", kVersion, app.get_name(), lens);
  for (const CLI::Option* option : app.get_options()) {
    const std::string name = option->get_name();
    if (!has_effect(name)) continue;
    text += fmt::format("\n{}", name);
    for (std::string value : values_of(*option)) {
      std::error_code code;
      if (std::filesystem::is_regular_file(value, code)) {
        Result<std::string> content = footage::digest_of_file(value);
        if (!content) return fail(content.error());
        value = *std::move(content);
      }
      text += fmt::format(" {}:{}", value.size(), value);
    }
  }
  return footage::digest_of_text(text);
}

}  // namespace

Result<std::string> frame_settings(const CLI::App& app, const profile::Profile& profile) {
  const Result<std::string> lens = profile::profile_text(profile);
  if (!lens) return fail(lens.error());
  return settings_of(app, *lens);
}

Result<std::string> frame_settings(const CLI::App& app) { return settings_of(app, {}); }

}  // namespace trueplate::cli

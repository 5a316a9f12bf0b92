#pragma once

#include <doctest/doctest.h>

#include <string>
#include <utility>

#include "calib/profile/profile.h"
#include "tests/calib/profile/example_profile.h"

// Profiles to and from text, in tests.
namespace trueplate::tests {

inline std::string text_of(const profile::Profile& profile) {
  const Result<std::string> text = profile::profile_text(profile);
  REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
  return *text;
}

/// Why a text is no profile; "no error" when it is one.
inline std::string error_of(const std::string& text) {
  const Result<profile::Profile> profile = profile::parse_profile(text, "lens.json");
  return profile ? "no error" : profile.error().message;
}

/// The text of the example with the first `from` replaced, which must be there.
inline std::string example_with(const std::string& from, const std::string& to) {
  std::string text = text_of(example_profile());
  const std::size_t at = text.find(from);
  REQUIRE_MESSAGE(at != std::string::npos, from);
  return text.replace(at, from.size(), to);
}

}  // namespace trueplate::tests

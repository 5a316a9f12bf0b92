#pragma once

#include <doctest/doctest.h>

#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>

#include "tests/cli/lens_files.h"

// What a report page holds, from the block of JSON in it.

namespace trueplate::tests {

/// The JSON that a page carries.
inline nlohmann::json data_of(const std::filesystem::path& page) {
  const std::string text = read_text(page);
  const std::string begin = R"(<script type="application/json" id="data">)";
  const std::size_t at = text.find(begin);
  REQUIRE(at != std::string::npos);
  const std::size_t from = at + begin.size();
  return nlohmann::json::parse(text.substr(from, text.find("</script>", from) - from));
}

inline nlohmann::json section_of(const nlohmann::json& page, const std::string& title) {
  for (const nlohmann::json& section : page["sections"]) {
    if (section["title"] == title) return section;
  }
  return {};
}

inline nlohmann::json figure_of(const nlohmann::json& page, const std::string& label) {
  for (const nlohmann::json& figure : page["figures"]) {
    if (figure["label"] == label) return figure;
  }
  return {};
}

/// Whether a text of it has these words.
inline bool holds(const nlohmann::json& text, const std::string& words) {
  return text.get<std::string>().find(words) != std::string::npos;
}

}  // namespace trueplate::tests

#include "calib/archive/query.h"

#include <fmt/format.h>

#include <algorithm>
#include <string_view>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::archive {
namespace {

bool is_filler(std::string_view word) { return word == "near" || word == "at" || word == "@"; }

bool is_unit(std::string_view word) {
  return word == "mm" || word == "cm" || word == "m" || word == "in" || word == "ft";
}

/// The words as typed, a number joined to the unit after it, a leading @ dropped from a length.
std::vector<std::string> pieces(std::span<const std::string> arguments) {
  std::vector<std::string> result;
  for (const std::string& argument : arguments) {
    for (std::string_view word : split(argument, ' ')) {
      word = trim(word);
      if (word.empty()) continue;
      if (is_unit(word) && !result.empty() && parse_number(result.back())) {
        result.back() += word;
      } else {
        result.emplace_back(word);
      }
    }
  }
  return result;
}

Result<void> take(std::optional<double>& place, double value, std::string_view what) {
  if (place) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{} are asked for; name one", what));
  }
  place = value;
  return {};
}

/// Whether any of these holds a letter or digit, or what is not ASCII.
bool hold_letters(std::span<const std::string> words) {
  return std::any_of(words.begin(), words.end(), [](const std::string& word) {
    return std::any_of(word.begin(), word.end(), [](char c) {
      return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
             static_cast<unsigned char>(c) >= 0x80U;
    });
  });
}

bool ends_in_mm(std::string_view word) { return word.ends_with("mm"); }

}  // namespace

Result<void> add_words(std::span<const std::string> arguments, Query& query) {
  const std::vector<std::string> words = pieces(arguments);
  if (!words.empty() && !hold_letters(words)) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("'{}' holds no letter or digit to look for; without words `archive "
                            "find` lists everything",
                            printable(words.front())));
  }
  for (std::size_t i = 0; i < words.size(); ++i) {
    const auto length_in = [](std::string_view word) {
      if (word.starts_with('@')) word.remove_prefix(1);
      return parse_length_mm(word, InfinityPolicy::kAllow);
    };
    const Result<double> length_mm = length_in(words[i]);
    if (!length_mm) {
      const bool before_length = i + 1 < words.size() && length_in(words[i + 1]).has_value();
      if (!(is_filler(words[i]) && before_length)) query.words.push_back(words[i]);
      continue;
    }
    Result<void> taken = ends_in_mm(words[i])
                             ? take(query.focal_mm, *length_mm, "two focal lengths")
                             : take(query.focus_m, *length_mm / 1000.0, "two focus distances");
    if (!taken) return taken;
  }
  return {};
}

}  // namespace trueplate::archive

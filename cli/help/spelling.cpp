#include "cli/help/spelling.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>

#include "calib/base/utf8.h"

namespace trueplate::cli {
namespace {

/// Longer ones are no slips of the finger, and would take time.
constexpr std::size_t kLongestWord = 64;

std::size_t distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> before_last(b.size() + 1);
  std::vector<std::size_t> last(b.size() + 1);
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    before_last.swap(last);
    last.swap(row);
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      row[j] =
          std::min({last[j] + 1, row[j - 1] + 1, last[j - 1] + (a[i - 1] == b[j - 1] ? 0 : 1)});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
        row[j] = std::min(row[j], before_last[j - 2] + 1);
      }
    }
  }
  return row[b.size()];
}

std::string lower(std::string_view text) {
  std::string result(text);
  std::transform(result.begin(), result.end(), result.begin(), [](unsigned char c) {
    return static_cast<char>(std::tolower(c));
  });
  return result;
}

}  // namespace

std::optional<std::string> near_word(std::string_view word, const std::vector<std::string>& known) {
  if (word.empty() || word.size() > kLongestWord) return std::nullopt;
  const std::string sought = lower(word);
  std::optional<std::string> nearest;
  std::size_t least = kLongestWord;
  std::vector<std::string> longer;
  for (const std::string& candidate : known) {
    const std::size_t changes = distance(sought, lower(candidate));
    const std::size_t most =
        std::max(std::max(sought.size(), candidate.size()) / 3, std::size_t{1});
    if (changes <= most && changes < least) {
      least = changes;
      nearest = candidate;
    }
    if (sought.size() >= 2 && lower(candidate).starts_with(sought)) longer.push_back(candidate);
  }
  if (!nearest && longer.size() == 1) return longer.front();
  return nearest;
}

std::string meant(std::string_view word, const std::vector<std::string>& known) {
  const std::optional<std::string> near = near_word(word, known);
  return near ? fmt::format("; did you mean '{}'?", *near) : std::string();
}

CLI::Option* one_of(CLI::Option* option, const std::vector<std::string>& words) {
  const auto check = [words](std::string& word) {
    if (std::find(words.begin(), words.end(), word) != words.end()) return std::string();
    const std::string near = meant(word, words);
    return fmt::format("unknown word '{}'{}",
                       printable(word),
                       near.empty() ? fmt::format("; known: {}", fmt::join(words, ", ")) : near);
  };
  return option->type_name(fmt::format("{}", fmt::join(words, "|")))
      ->check(CLI::Validator(check, ""));
}

}  // namespace trueplate::cli

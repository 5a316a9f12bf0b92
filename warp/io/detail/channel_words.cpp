#include "warp/io/detail/channel_words.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <numeric>

namespace trueplate::warp::detail {
namespace {

// Common practice, no source, but for Z and ZBack, which OpenEXR's technical introduction reserves
// (from memory). docs/passes.md lists the same words.
constexpr std::array kIdWords = {"id",
                                 "ids",
                                 "objectid",
                                 "objid",
                                 "materialid",
                                 "matid",
                                 "assetid",
                                 "instanceid",
                                 "primid",
                                 "meshid",
                                 "idmatte",
                                 "matteid",
                                 "idmask",
                                 "particleid"};
constexpr std::array kMotionWords = {"motion",
                                     "motionvector",
                                     "motionvectors",
                                     "mv",
                                     "mvec",
                                     "motvec",
                                     "flow",
                                     "opticalflow",
                                     "forward",
                                     "backward",
                                     "vector",
                                     "vectors"};
constexpr std::array kDataWords = {
    "z",       "depth",    "zdepth",        "zback",       "distance",
    "normal",  "normals",  "nrm",           "position",    "positions",
    "pos",     "pworld",   "worldposition", "worldnormal", "pref",
    "tangent", "tangents", "bitangent",     "velocity",    "uv",
    "uvs",     "st",       "texcoord",      "texcoords"};
constexpr std::array kCoverageWords = {"coverage"};

bool is_letter(char c) { return std::isalpha(static_cast<unsigned char>(c)) != 0; }
bool is_capital(char c) { return std::isupper(static_cast<unsigned char>(c)) != 0; }
char small(char c) { return static_cast<char>(std::tolower(static_cast<unsigned char>(c))); }

template <std::size_t kSize>
bool has_one_of(const std::vector<std::string>& words,
                const std::array<const char*, kSize>& known) {
  return std::any_of(words.begin(), words.end(), [&](const std::string& word) {
    return std::find(known.begin(), known.end(), word) != known.end();
  });
}

}  // namespace

std::vector<std::string> words_of(std::string_view name) {
  std::vector<std::string> words;
  std::string word;
  const auto finish = [&] {
    if (!word.empty()) words.push_back(std::move(word));
    word.clear();
  };
  for (std::size_t i = 0; i < name.size(); ++i) {
    if (!is_letter(name[i])) {
      finish();
      continue;
    }
    const bool after_small = i > 0 && is_letter(name[i - 1]) && !is_capital(name[i - 1]);
    const bool before_small =
        i + 1 < name.size() && is_letter(name[i + 1]) && !is_capital(name[i + 1]);
    // A plural s after capitals (IDs) begins no word.
    const bool plural =
        before_small && name[i + 1] == 's' && (i + 2 == name.size() || !is_letter(name[i + 2]));
    if (is_capital(name[i]) && (after_small || (before_small && !plural))) finish();
    word += small(name[i]);
  }
  finish();
  return words;
}

Meaning meaning_of_words(std::string_view name) {
  const std::vector<std::string> words = words_of(name);
  if (has_one_of(words, kIdWords)) return Meaning::kIds;
  if (has_one_of(words, kMotionWords)) return Meaning::kMotion;
  // Single letters mean something only alone and in capitals: N and P, not pass_n.
  if (has_one_of(words, kDataWords) || name == "N" || name == "P") return Meaning::kData;
  if (has_one_of(words, kCoverageWords)) return Meaning::kCoverage;
  return Meaning::kColour;
}

LayerAndLeaf layer_and_leaf(std::string_view channel) {
  const std::size_t dot = channel.rfind('.');
  if (dot == std::string_view::npos) return {{}, channel};
  return {channel.substr(0, dot), channel.substr(dot + 1)};
}

std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 0; i < a.size(); ++i) {
    std::size_t diagonal = row[0]++;
    for (std::size_t j = 0; j < b.size(); ++j) {
      const std::size_t replaced = diagonal + (small(a[i]) == small(b[j]) ? 0U : 1U);
      diagonal = row[j + 1];
      row[j + 1] = std::min({replaced, row[j] + 1, row[j + 1] + 1});
    }
  }
  return row.back();
}

}  // namespace trueplate::warp::detail

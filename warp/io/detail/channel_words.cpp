#include "warp/io/detail/channel_words.h"

#include <algorithm>
#include <cctype>
#include <numeric>
#include <span>

namespace trueplate::warp::detail {
namespace {

using Words = std::span<const std::string_view>;

// Common practice, no source, but for Z and ZBack, which OpenEXR's technical introduction reserves
// (from memory). docs/passes.md lists the same words.
constexpr std::string_view kIdWords[] = {
    "id",      "ids",        "objectid", "objid",       "materialid",   "matid",
    "assetid", "instanceid", "primid",   "meshid",      "idmatte",      "matteid",
    "idmask",  "particleid", "uid",      "uuid",        "guid",         "shaderid",
    "groupid", "nodeid",     "faceid",   "objectindex", "materialindex"};
// Words that end like one and are none.
constexpr std::string_view kNoIdWords[] = {
    "acid",    "aid",   "asteroid", "avoid",   "bid",   "braid", "cuboid", "ellipsoid", "fluid",
    "grid",    "humid", "hybrid",   "invalid", "kid",   "lid",   "liquid", "mid",       "overlaid",
    "pyramid", "rapid", "rigid",    "skid",    "solid", "valid", "vivid",  "void"};
constexpr std::string_view kMotionWords[] = {
    "motion", "motionvector", "motionvectors", "mv", "mvec", "motvec", "opticalflow"};
constexpr std::string_view kDataWords[] = {"depth",
                                           "zdepth",
                                           "zback",
                                           "normal",
                                           "normals",
                                           "nrm",
                                           "position",
                                           "positions",
                                           "pworld",
                                           "worldposition",
                                           "worldnormal",
                                           "pref",
                                           "tangent",
                                           "tangents",
                                           "bitangent",
                                           "velocity",
                                           "texcoord",
                                           "texcoords"};
constexpr std::string_view kCoverageWords[] = {"coverage"};

// Words that count only where a name says nothing else: a river has a flow, too.
constexpr std::string_view kLoneIdWords[] = {"index", "indices"};
constexpr std::string_view kLoneMotionWords[] = {
    "flow", "forward", "backward", "vector", "vectors"};
// Words that count as the last one of a name: hero_uv are coordinates, uv_lamp is a lamp.
constexpr std::string_view kLastDataWords[] = {"z", "pos", "distance", "uv", "uvs", "st"};

// What makes a name that of something to look at, whatever else it says.
constexpr std::string_view kColourWords[] = {"light",
                                             "lights",
                                             "lighting",
                                             "lamp",
                                             "lamps",
                                             "lgt",
                                             "blur",
                                             "blurred",
                                             "glow",
                                             "bloom",
                                             "beauty",
                                             "colour",
                                             "color"};

// What may stand beside any of the words above without naming another thing.
constexpr std::string_view kQualifiers[] = {
    "world",    "object",     "obj",        "ob",         "material", "mat",      "ma",
    "asset",    "instance",   "mesh",       "prim",       "camera",   "cam",      "screen",
    "view",     "eye",        "ndc",        "space",      "local",    "geometry", "geometric",
    "geo",      "shading",    "smooth",     "raw",        "pass",     "aov",      "layer",
    "map",      "data",       "px",         "pixel",      "pixels",   "main",     "left",
    "right",    "aa",         "not",        "unfiltered", "filtered", "render",   "first",
    "last",     "front",      "back",       "near",       "far",      "next",     "prev",
    "previous", "fwd",        "bwd",        "in",         "out",      "to",       "linear",
    "norm",     "normalized", "normalised", "min",        "max",      "optical",  "motion"};

bool is_letter(char c) { return std::isalpha(static_cast<unsigned char>(c)) != 0; }
bool is_capital(char c) { return std::isupper(static_cast<unsigned char>(c)) != 0; }
char small(char c) { return static_cast<char>(std::tolower(static_cast<unsigned char>(c))); }

bool contains(Words known, std::string_view word) {
  return std::find(known.begin(), known.end(), word) != known.end();
}

/// The first word of a name that is one of those known; empty where none is.
std::string first_of(const std::vector<std::string>& words, Words known) {
  const auto found = std::find_if(
      words.begin(), words.end(), [&](const std::string& word) { return contains(known, word); });
  return found == words.end() ? std::string() : *found;
}

bool is_qualifier(std::string_view word) { return word.size() == 1 || contains(kQualifiers, word); }

/// The same for words that count only where all others are qualifiers, or of the same kind.
std::string lone_of(const std::vector<std::string>& words, Words known) {
  const bool nothing_else = std::all_of(words.begin(), words.end(), [&](const std::string& word) {
    return is_qualifier(word) || contains(known, word);
  });
  return nothing_else ? first_of(words, known) : std::string();
}

/// The same for words that count only as the last one before qualifiers.
std::string last_of(const std::vector<std::string>& words, Words known) {
  for (std::size_t i = words.size(); i > 0; --i) {
    if (contains(known, words[i - 1])) return words[i - 1];
    if (!is_qualifier(words[i - 1])) break;
  }
  return {};
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

SaidByName said_by_name(std::string_view name) {
  const std::vector<std::string> words = words_of(name);
  std::string word = first_of(words, kIdWords);
  if (word.empty()) word = lone_of(words, kLoneIdWords);
  if (!word.empty()) return {Meaning::kIds, word};
  if (!first_of(words, kColourWords).empty()) return {};
  word = first_of(words, kMotionWords);
  if (word.empty()) word = lone_of(words, kLoneMotionWords);
  if (!word.empty()) return {Meaning::kMotion, word};
  word = first_of(words, kDataWords);
  if (word.empty()) word = last_of(words, kLastDataWords);
  // Single letters mean something only alone and in capitals: N and P, not pass_n.
  if (word.empty() && (name == "N" || name == "P")) word = std::string(name);
  if (!word.empty()) return {Meaning::kData, word};
  word = first_of(words, kCoverageWords);
  if (!word.empty()) return {Meaning::kCoverage, word};
  return {};
}

bool ends_like_id(std::string_view name) {
  const std::vector<std::string> words = words_of(name);
  return std::any_of(words.begin(), words.end(), [](std::string_view word) {
    if (word.ends_with('s')) word.remove_suffix(1);
    return word.ends_with("id") && !contains(kNoIdWords, word);
  });
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

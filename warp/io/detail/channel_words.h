#pragma once

#include <string>
#include <string_view>
#include <vector>

namespace trueplate::warp::detail {

/// What a name says a channel holds; of several names the later one here counts.
enum class Meaning { kColour, kCoverage, kData, kMotion, kIds };

/// The words of a name in small letters: cut at everything that is no letter, and where a capital
/// begins a word (objectID, IDMatte, worldPosition).
[[nodiscard]] std::vector<std::string> words_of(std::string_view name);

/// What the words of a name say, and the one that says it.
struct SaidByName {
  Meaning meaning = Meaning::kColour;
  std::string word = {};  // empty: none is known
};
/// Of `name`, a layer, channel or part. A word counts as a whole; one that may as well name
/// something to look at (flow, vector, uv) only beside words that go with it, and none in the name
/// of a light: docs/passes.md.
[[nodiscard]] SaidByName said_by_name(std::string_view name);

/// Whether a word of a name that says nothing above ends like that of an ID (hairid, but not grid).
[[nodiscard]] bool ends_like_id(std::string_view name);

/// `layer.R` has the layer `layer` and the leaf `R`; `R` has no layer.
struct LayerAndLeaf {
  std::string_view layer;
  std::string_view leaf;
};
[[nodiscard]] LayerAndLeaf layer_and_leaf(std::string_view channel);

/// How many letters have to change to make one of the other; capitals do not count.
[[nodiscard]] std::size_t edit_distance(std::string_view a, std::string_view b);

}  // namespace trueplate::warp::detail

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

/// By the words of `name`, a layer, channel or part; kColour when none is known.
[[nodiscard]] Meaning meaning_of_words(std::string_view name);

/// `layer.R` has the layer `layer` and the leaf `R`; `R` has no layer.
struct LayerAndLeaf {
  std::string_view layer;
  std::string_view leaf;
};
[[nodiscard]] LayerAndLeaf layer_and_leaf(std::string_view channel);

/// How many letters have to change to make one of the other; capitals do not count.
[[nodiscard]] std::size_t edit_distance(std::string_view a, std::string_view b);

}  // namespace trueplate::warp::detail

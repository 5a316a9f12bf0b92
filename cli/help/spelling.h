#pragma once

#include <CLI/CLI.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace trueplate::cli {

/// The known word that was probably meant: the fewest letters put in, left out, changed or swapped
/// with their neighbour (Damerau 1964; the optimal string alignment distance), not more than a
/// third of the longer word's. A word that begins a single known one counts as meant, too.
std::optional<std::string> near_word(std::string_view word, const std::vector<std::string>& known);

/// `; did you mean 'cubic'?`, or nothing where no known word is near.
std::string meant(std::string_view word, const std::vector<std::string>& known);

/// Lets the option take one of these words alone, and names them in help, manual and completion.
/// Any other is refused with the one that was probably meant.
CLI::Option* one_of(CLI::Option* option, const std::vector<std::string>& words);

}  // namespace trueplate::cli

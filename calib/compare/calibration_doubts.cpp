#include "calib/compare/calibration_doubts.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <string>
#include <string_view>
#include <vector>

namespace trueplate::compare {
namespace {

/// Warnings of the fit (docs/troubleshooting.md) after which its covariance is not all.
constexpr std::array<std::string_view, 25> kDoubtful{
    "few-frames",           "few-tilts",         "poor-coverage",
    "short-reach",          "uncertain-map",     "chart-bent",
    "chart-misprinted",     "chart-stretched",   "chart-not-fitted",
    "misread-frames",       "high-rms",          "very-high-rms",
    "held-out-worse",       "many-rejected",     "mixed-focal",
    "model-misfit",         "interlaced-frames", "focal-label-far",
    "systematic-residuals", "several-sequences", "extrapolated",
    "left-out-far",         "few-lines",         "lines-do-not-reach",
    "lens-from-tracks"};

/// The doubtful ones among the stations' codes, each once.
std::vector<std::string> codes_of(std::span<const profile::Station> stations) {
  std::vector<std::string> codes;
  for (const profile::Station& station : stations) {
    for (const Warning& warning : station.warnings) {
      const bool matters =
          std::find(kDoubtful.begin(), kDoubtful.end(), warning.code) != kDoubtful.end();
      const bool known = std::find(codes.begin(), codes.end(), warning.code) != codes.end();
      if (matters && !known) codes.push_back(warning.code);
    }
  }
  return codes;
}

std::string words_of(std::string_view name, const std::vector<std::string>& codes) {
  return codes.empty() ? std::string() : fmt::format("{} of {}", name, fmt::join(codes, ", "));
}

}  // namespace

std::optional<Warning> calibration_doubts(std::span<const profile::Station> first,
                                          std::span<const profile::Station> second) {
  const std::vector<std::string> of_first = codes_of(first);
  const std::vector<std::string> of_second = codes_of(second);
  if (of_first.empty() && of_second.empty()) return std::nullopt;
  const std::string_view between = of_first.empty() || of_second.empty() ? "" : "; ";
  return Warning{
      "doubtful-calibration",
      fmt::format("the calibrations warn, {}{}{}: not all of this is in the stated uncertainties, "
                  "so a lens may come out as changed that did not; better footage tells",
                  words_of("A", of_first),
                  between,
                  words_of("B", of_second)),
      static_cast<double>(of_first.size() + of_second.size())};
}

}  // namespace trueplate::compare

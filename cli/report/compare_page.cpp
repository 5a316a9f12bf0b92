#include "cli/report/compare_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>
#include <optional>
#include <string_view>
#include <utility>

#include "calib/lens/model.h"
#include "cli/change_report.h"
#include "cli/report/distortion_sections.h"
#include "cli/report/lens_sections.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

std::string as_sentence(std::string words) {
  words.front() = static_cast<char>(std::toupper(static_cast<unsigned char>(words.front())));
  return words + ".";
}

json verdict_of(const compare::LensChange& change, const compare::ChangeOptions& options) {
  std::string_view level = "open";
  std::string_view headline = "Too uncertain to say";
  if (change.has_uncertainty && change.verdict == compare::ChangeVerdict::kChanged) {
    level = "doubt";
    headline = "The lens changed";
  }
  if (change.has_uncertainty && change.verdict == compare::ChangeVerdict::kNotDistinguishable) {
    level = "good";
    headline = "No change that would matter";
  }
  json lines = json::array();
  const bool same = change.after.max_px < compare::kSameMapPx;
  if (same) {
    level = "good";
    headline = "The same lens map: use either";
  }
  lines.push_back(as_sentence(compare::advice_text(change, options)));
  const std::string verdict = compare::verdict_text(change, options);
  // The maps are one question, the glass that they were measured from another.
  std::string words = as_sentence(same ? "whether the lens itself changed: " + verdict : verdict);
  const std::string_view why = compare::chance_and_size_text(change);
  if (!why.empty()) words += fmt::format(" Note that {}.", why);
  lines.push_back(words);
  constexpr double kFinestPercent = 0.0001;
  const double focal_percent = 100.0 * (1.0 / change.focal_ratio - 1.0);
  lines.push_back(fmt::format(
      "Left out of this is what a camera solve takes up: a turn of {:.4f} degrees and "
      "a focal length that differs by {}.",
      change.turn_deg,
      std::abs(focal_percent) < kFinestPercent ? fmt::format("less than {} %", kFinestPercent)
                                               : fmt::format("{:+.4f} %", focal_percent)));
  return {{"level", level}, {"headline", headline}, {"lines", lines}};
}

json figures_of(const compare::LensChange& change, const compare::ChangeOptions& options) {
  Figures figures;
  figures.add("apart", px_text(change.after.rms_px), "rms after turn and focal length");
  figures.add(
      "largest",
      px_text(change.after.max_px),
      fmt::format("at {:.0f}, {:.0f}", change.after.max_at_px.x(), change.after.max_at_px.y()));
  if (change.has_uncertainty) {
    figures.add("explained", px_text(change.explained_rms_px), "rms, by both uncertainties");
    figures.add("by chance", fmt::format("{:.2g}", change.p_value), "p, if nothing changed");
    figures.add("would be found",
                px_text(change.detectable_rms_px),
                fmt::format("{:g} px matters", options.matters_px));
  }
  figures.add("as they stand", px_text(change.before.rms_px), "rms, nothing taken out");
  return figures.json();
}

json places_section(const lens::Lens& lens, const compare::LensChange& change) {
  json means = json::array();
  for (const compare::PlaceDifference& place : change.places) {
    means.push_back({{"x", rounded(place.p_plate_px.x(), 0.01)},
                     {"y", rounded(place.p_plate_px.y(), 0.01)},
                     {"dx", rounded(place.difference_px.x(), 1e-5)},
                     {"dy", rounded(place.difference_px.y(), 1e-5)}});
  }
  // What does not matter shall not look as if it did.
  constexpr double kMostOfNothing = 1000.0;
  double exaggeration =
      round_factor(lens.plate_size.width / 30.0 / std::max(2.0 * change.after.rms_px, 1e-6));
  if (change.after.max_px < compare::kSameMapPx)
    exaggeration = std::min(exaggeration, kMostOfNothing);
  return {
      {"kind", "vectors"},
      {"title", "What differs, over the frame"},
      {"words",
       {"From where the first calibration images a ray to where the second does, after the turn "
        "and the change of focal length that a camera solve would find. In or out all around: "
        "more or less distortion. One way on one side and another on the other: decentred."}},
      {"caption", fmt::format("{} places.", change.places.size())},
      {"alone", "A to B"},
      {"exaggeration", exaggeration},
      {"means", means}};
}

json curves_section(const profile::Station& first, const profile::Station& second) {
  const Reach reach = reach_of(first, {}, nullptr);
  const Reach other_reach = reach_of(second, {}, nullptr);
  json section = curve_section(first.lens, reach);
  json other = curve_section(second.lens, other_reach);
  json series = json::array();
  for (const auto& [name, curves] : {std::pair("A", &section), std::pair("B", &other)}) {
    for (json& curve : (*curves)["series"]) {
      if (curve["name"] != "to the corner" && curve["name"] != "to the side") continue;
      curve["name"] = fmt::format("{} {}", name, curve["name"].get<std::string>());
      series.push_back(curve);
    }
  }
  section["series"] = std::move(series);
  if (reach.known == Reach::Known::kNot && other_reach.known != Reach::Known::kNot) {
    section["caption"] = other["caption"];
  }
  return section;
}

std::string with_sigma(const profile::Station& station, std::string_view name, double value) {
  const auto sigma =
      station.uncertainty ? profile::sigma(*station.uncertainty, name) : std::nullopt;
  const std::string text = value_text(value, sigma);
  return sigma ? fmt::format("{} (sigma {:.2g})", text, *sigma) : text;
}

/// What a parameter is, with its symbol.
std::string plain_name(std::string_view name) {
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 4> kPinhole{
      {{"focal_x_px", "focal length x, px"},
       {"focal_y_px", "focal length y, px"},
       {"principal_x_px", "principal point x, px"},
       {"principal_y_px", "principal point y, px"}}};
  for (const auto& [key, words] : kPinhole) {
    if (name == key) return std::string(words);
  }
  // By how the symbol begins; what follows is a number or an axis.
  static constexpr std::array<std::pair<std::string_view, std::string_view>, 9> kTerms{
      {{"lambda", "radial"},
       {"tau_", "tilt"},
       {"c_", "centre"},
       {"phi", "turn"},
       {"k", "radial"},
       {"p", "decentring"},
       {"s", "thin prism"},
       {"a", "in x"},
       {"b", "in y"}}};
  for (const auto& [begin, words] : kTerms) {
    const bool is_numbered = begin.size() > 1 || (name.size() > 1 && std::isdigit(name[1]) != 0);
    if (name.starts_with(begin) && is_numbered) return fmt::format("{} {}", words, name);
  }
  return std::string(name);
}

std::vector<double> values_of(const lens::Lens& lens) {
  std::vector<double> values{lens.focal_px.x(),
                             lens.focal_px.y(),
                             lens.principal_point_px.x(),
                             lens.principal_point_px.y()};
  const auto coefficients = lens::parameters(lens.model);
  values.insert(values.end(), coefficients.begin(), coefficients.end());
  return values;
}

json parameters_table(const profile::Station& first, const profile::Station& second) {
  constexpr std::size_t kMostShown = 40;  // a field has hundreds, which tell nobody anything
  const std::vector<std::string> names = profile::station_parameter_names(first.lens);
  const bool same_model = names == profile::station_parameter_names(second.lens);
  const std::vector<double> a = values_of(first.lens);
  const std::vector<double> b = values_of(second.lens);
  json rows = json::array();
  rows.push_back(table_row({"model",
                            lens::model_name(first.lens.model),
                            lens::model_name(second.lens.model),
                            same_model ? json("same") : json("other")}));
  const std::size_t shown = same_model ? std::min(names.size(), kMostShown) : 4;
  for (std::size_t i = 0; i < shown; ++i) {
    rows.push_back(table_row({plain_name(names[i]),
                              with_sigma(first, names[i], a[i]),
                              with_sigma(second, names[i], b[i]),
                              fmt::format("{:+.2g}", b[i] - a[i])}));
  }
  json words = {
      "Parameters go together: one may differ by many sigmas while the picture is the same. "
      "What counts is the difference over the frame."};
  if (!same_model) {
    words.push_back(
        "The models are not made of the same terms, so theirs are not set side by "
        "side: compare the picture, not the numbers.");
  }
  return {
      {"kind", "table"},
      {"title", "Both in numbers"},
      {"words", std::move(words)},
      {"columns", {text_column(""), text_column("A"), text_column("B"), number_column("B less A")}},
      {"rows", rows}};
}

json identity_section(const profile::Profile& first, const profile::Profile& second) {
  json rows = json::array();
  rows.push_back(label_row("A", identity_text(first)));
  rows.push_back(label_row("B", identity_text(second)));
  json group = {{"heading", ""}, {"rows", std::move(rows)}};
  return {{"kind", "numbers"},
          {"title", "What was compared"},
          {"words", json::array()},
          {"groups", json::array({std::move(group)})}};
}

}  // namespace

json compare_page(const profile::Profile& first,
                  const profile::Profile& second,
                  const compare::LensChange& change,
                  const compare::ChangeOptions& options,
                  const std::vector<Warning>& warnings,
                  const std::string& date) {
  const profile::Station& a = first.stations.front();
  const profile::Station& b = second.stations.front();
  return page_json({.page = "compare",
                    .title = title_of(first),
                    .eyebrow = "Two calibrations of a lens",
                    .date = date,
                    .plate = plate_json(a.lens),
                    .verdict = verdict_of(change, options),
                    .figures = figures_of(change, options),
                    .warnings = warnings_part(warnings),
                    .sections = {places_section(a.lens, change),
                                 curves_section(a, b),
                                 parameters_table(a, b),
                                 identity_section(first, second)}});
}

}  // namespace trueplate::cli

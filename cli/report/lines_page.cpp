#include "cli/report/lines_page.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "cli/report/calibration_page.h"
#include "cli/report/fit_sections.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr std::size_t kMostLines = 300;
/// The rest of the list opens when asked for, and is not printed.
constexpr std::size_t kUnfolded = 20;

/// The lines that were used, as what was seen in each frame: a line is a row of a chart whose
/// columns have one point each.
std::vector<target::View> views_of(const plate::LineSet& lines, const plate::LineFit& fit) {
  std::map<std::pair<std::string, std::string>, bool> used;
  for (const plate::LineResult& line : fit.lines) used[{line.frame, line.name}] = line.used;
  std::map<std::string, target::View> views;
  double column = 0.0;
  double row = 0.0;
  for (const plate::LineChain& chain : lines.chains) {
    if (!used[{chain.frame, chain.name}]) continue;
    target::View& view = views[chain.frame];
    view.frame = chain.frame;
    view.plate_size = lines.plate_size;
    for (const Point2d& p : chain.points_px) {
      target::Corner corner;
      corner.p_chart_mm = {column++, row, 0.0};
      corner.p_plate_px = p;
      view.corners.push_back(corner);
    }
    ++row;
  }
  std::vector<target::View> list;
  for (auto& [name, view] : views) list.push_back(std::move(view));
  return list;
}

/// Every line, the most bent first.
json lines_section(const plate::LineFit& fit) {
  std::vector<const plate::LineResult*> order;
  for (const plate::LineResult& line : fit.lines) order.push_back(&line);
  std::stable_sort(order.begin(), order.end(), [](const auto* a, const auto* b) {
    return std::pair(a->used, a->before.max_px) > std::pair(b->used, b->before.max_px);
  });
  json rows = json::array();
  for (const plate::LineResult* line : order) {
    if (rows.size() == kMostLines) break;
    rows.push_back(
        table_row({printable(line->name, kLongestName),
                   printable(line->frame, kLongestName),
                   fmt::format("{:.0f}", line->length_px),
                   fmt::format("{:.2f}", line->before.max_px),
                   line->after ? json(fmt::format("{:.2f}", line->after->max_px)) : json(),
                   line->used ? std::string("\xE2\x97\x8F used")
                              : "\xE2\x9C\x95 " + printable(line->reason, kLongestName)}));
  }
  json words =
      json::array({"How far the point of each line that is farthest from its straight line lies "
                   "from it: bent, on the plate; straightened, with this lens. Those used first, "
                   "the most bent first."});
  if (order.size() > kMostLines) {
    words.push_back(fmt::format("The first {} of {}.", kMostLines, order.size()));
  }
  return {{"kind", "table"},
          {"title", "Every line"},
          {"fold", kUnfolded},
          {"words", words},
          {"columns",
           {text_column("line"),
            text_column("frame"),
            number_column("length px"),
            number_column("bent by px"),
            number_column("straightened to px"),
            text_column("")}},
          {"rows", rows}};
}

/// The error map's, which no observations of a chart can make whole.
std::string map_caption(std::string caption, const plate::LineFit& fit) {
  const std::size_t at = caption.find(kFromNoiseAlone);
  if (at == std::string::npos) return caption;
  const std::string words =
      fit.model_doubt ? fmt::format(
                            "From the lines' noise alone: what other models that meet them as well "
                            "differ by, {} rms and {} at the worst place, comes on top, as in the "
                            "figures above.",
                            px_text(fit.model_doubt->rms_px),
                            px_text(fit.model_doubt->max_px))
                      : std::string("From the lines' noise.");
  return caption.replace(at, kFromNoiseAlone.size(), words);
}

bool is_strong(const LensFromLines& result) {
  const std::vector<Warning>& warnings = result.profile.stations.front().warnings;
  return std::any_of(warnings.begin(), warnings.end(), [](const Warning& warning) {
    return warning.code == "strong-lens";
  });
}

/// What the lens is worth, in the words of lines: about which points the station cannot say.
json verdict_lines(const LensFromLines& result) {
  const plate::LineFit& fit = result.fit;
  json lines = json::array();
  lines.push_back(
      fmt::format("{} of {} lines were used; their points lie within {} rms of straight.",
                  fit.num_lines,
                  fit.lines.size(),
                  px_text(fit.rms_px)));
  if (fit.held_out_rms_px) {
    lines.push_back(
        fmt::format("Lines that were held out lie within {}.", px_text(*fit.held_out_rms_px)));
  }
  lines.push_back(fmt::format(
      "The predicted error of a straightened or bent pixel is {} rms over the frame, and {} at the "
      "worst place{}.",
      px_text(fit.map_sigma_rms_px),
      px_text(fit.map_sigma_max_px),
      fit.model_doubt ? fmt::format("; {} rms is what other models that meet the lines as "
                                    "well differ by",
                                    px_text(fit.model_doubt->rms_px))
                      : std::string(", if the model holds beyond the lines")));
  if (is_strong(result)) {
    lines.push_back(fmt::format(
        "Of lenses as strong as this one the true error was {:g} times the predicted one: count on "
        "{} at the worst place.",
        plate::kStrongLensExcess,
        px_text(plate::kStrongLensExcess * fit.map_sigma_max_px)));
  }
  lines.push_back("Lines tell neither the focal length nor the scale: leave both to the solve.");
  return lines;
}

json models_section(const std::vector<plate::LineTrial>& trials) {
  if (trials.empty()) return {};
  json rows = json::array();
  for (const plate::LineTrial& trial : trials) {
    json cells = {trial.model,
                  fmt::format("{}", trial.num_coefficients),
                  number_cell(trial.rms_px),
                  number_cell(trial.held_out_rms_px),
                  number_cell(trial.apart ? std::optional(trial.apart->rms_px) : std::nullopt),
                  number_cell(trial.apart ? std::optional(trial.apart->max_px) : std::nullopt),
                  trial.chosen ? "\xE2\x97\x8F chosen" : printable(trial.reason, kLongestName)};
    rows.push_back(trial.chosen ? chosen_row(std::move(cells)) : table_row(std::move(cells)));
  }
  return {{"kind", "table"},
          {"title", "Models tried"},
          {"words",
           {"All were fitted to the same lines; held out: lines that were not fitted to. Apart: "
            "how far "
            "a model's map is from the chosen one's, over the plate and at the worst place."}},
          {"columns",
           {text_column("model"),
            number_column("terms"),
            number_column("rms px"),
            number_column("held out px"),
            number_column("apart px"),
            number_column("at worst px"),
            text_column("")}},
          {"rows", rows}};
}

}  // namespace

Result<json> lines_page(const LensFromLines& result,
                        const plate::LineSet& lines,
                        const footage::FrameSet* frames,
                        const std::string& date,
                        int threads) {
  const std::vector<target::View> views = views_of(lines, result.fit);
  Result<json> page = calibration_page({.profile = &result.profile,
                                        .views = views,
                                        .frames = frames,
                                        .date = date,
                                        .threads = threads});
  if (!page) return page;
  (*page)["page"] = "lines";
  (*page)["eyebrow"] = "Lens from straight edges";
  (*page)["verdict"]["lines"] = verdict_lines(result);
  for (json& figure : (*page)["figures"]) {
    if (figure["label"] == "held out") figure["note"] = "rms of lines that were not fitted";
    if (figure["label"] == "predicted error" && is_strong(result)) {
      figure["note"] = fmt::format("{}; of lenses this strong the true error was {:g} times that",
                                   figure["note"].get<std::string>(),
                                   plate::kStrongLensExcess);
    }
    if (figure["label"] == "frames") {
      figure["note"] = fmt::format("used, with {} lines", result.fit.num_lines);
    }
  }
  json sections = json::array();
  for (json& section : (*page)["sections"]) {
    const std::string kind = section["kind"];
    if (kind == "pictures") section["rows_label"] = "lines that were used";
    if (kind == "field") section["caption"] = map_caption(section["caption"], result.fit);
    if (kind == "coverage") {
      section["words"] = {
          "Where lines that were used lie. In hatched cells there is none: there the "
          "lens is what its model says it is."};
    }
    // Before the numbers.
    if (kind == "numbers" && section["title"] == "The lens in numbers") {
      sections.push_back(lines_section(result.fit));
      if (json models = models_section(result.fit.trials); !models.is_null()) {
        sections.push_back(std::move(models));
      }
    }
    sections.push_back(std::move(section));
  }
  (*page)["sections"] = std::move(sections);
  return page;
}

}  // namespace trueplate::cli

#include "cli/report/fit_sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <string>

#include "calib/base/parallel.h"
#include "calib/base/utf8.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

// Enough to see everything, and a page of a few MB at most.
constexpr std::size_t kMostPoints = 40'000;

json frame_json(const profile::FootageItem& item) {
  return {{"name", printable(item.name, kLongestName)},
          {"points", item.points},
          {"used", item.used},
          {"reason", printable(item.reason, kLongestName)},
          {"rms_px", item.rms_px ? rounded_or_null(*item.rms_px, 1e-6) : json()},
          {"max_px", nullptr},
          {"tilt_deg", nullptr},
          {"left_out", 0}};
}

/// The points of a frame, every `stride`-th, with what the fit says of them.
void add_points(json& frame,
                const target::View& view,
                const fit::FrameFit* fit,
                std::size_t stride) {
  for (const char* key : {"x", "y", "dx", "dy", "kept"}) frame[key] = json::array();
  const bool known = fit != nullptr && fit->points.size() == view.corners.size();
  for (std::size_t i = 0; i < view.corners.size(); i += stride) {
    frame["x"].push_back(rounded(view.corners[i].p_plate_px.x(), 0.01));
    frame["y"].push_back(rounded(view.corners[i].p_plate_px.y(), 0.01));
    frame["dx"].push_back(known ? rounded_or_null(fit->points[i].residual_px.x(), 1e-4) : json());
    frame["dy"].push_back(known ? rounded_or_null(fit->points[i].residual_px.y(), 1e-4) : json());
    frame["kept"].push_back(known ? (fit->points[i].used ? 1 : 0)
                                  : (frame["used"] == true ? 1 : 0));
  }
  if (!known) return;
  double most = 0.0;
  int left_out = 0;
  for (const fit::PointFit& point : fit->points) {
    if (!point.used) ++left_out;
    if (point.used && point.residual_px.allFinite())
      most = std::max(most, point.residual_px.norm());
  }
  frame["left_out"] = left_out;
  if (fit->used) frame["max_px"] = rounded_or_null(most, 1e-6);
  if (fit->has_pose) frame["tilt_deg"] = rounded_or_null(fit->tilt_deg, 0.01);
}

/// The cells of the frame that counts and means are made for.
struct Cells {
  int columns;
  int rows;
  double width_px;
  double height_px;

  Cells(int across, const lens::Lens& lens)
      : columns(across),
        rows(std::max(1,
                      static_cast<int>(std::lround(across * lens.plate_size.height /
                                                   (lens.plate_size.width * lens.pixel_aspect))))),
        width_px(static_cast<double>(lens.plate_size.width) / columns),
        height_px(static_cast<double>(lens.plate_size.height) / rows) {}

  [[nodiscard]] std::size_t count() const {
    return static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows);
  }
  [[nodiscard]] std::size_t index(double x, double y) const {
    const int column = std::clamp(static_cast<int>(x / width_px), 0, columns - 1);
    const int line = std::clamp(static_cast<int>(y / height_px), 0, rows - 1);
    return static_cast<std::size_t>(line) * static_cast<std::size_t>(columns) +
           static_cast<std::size_t>(column);
  }
};

/// Calls visit(frame index, x, y, dx, dy) for each point that took part in the fit; dx and dy may
/// be null.
template <class Visit>
void for_each_used(const json& frames, const Visit& visit) {
  for (std::size_t f = 0; f < frames.size(); ++f) {
    const json& frame = frames[f];
    if (!frame.contains("x") || frame["used"] != true) continue;
    for (std::size_t i = 0; i < frame["x"].size(); ++i) {
      if (frame["kept"][i] != 1) continue;
      visit(f,
            frame["x"][i].get<double>(),
            frame["y"][i].get<double>(),
            frame["dx"][i],
            frame["dy"][i]);
    }
  }
}

json mean_cells(const lens::Lens& lens, const json& frames) {
  const Cells cells(16, lens);
  struct Sum {
    int points = 0;
    Point2d residual_px{0.0, 0.0};
  };
  std::vector<Sum> sums(cells.count());
  for_each_used(frames, [&](std::size_t, double x, double y, const json& dx, const json& dy) {
    if (dx.is_null() || dy.is_null()) return;
    Sum& sum = sums[cells.index(x, y)];
    ++sum.points;
    sum.residual_px += Point2d(dx.get<double>(), dy.get<double>());
  });
  json means = json::array();
  for (std::size_t i = 0; i < sums.size(); ++i) {
    if (sums[i].points == 0) continue;
    const int column = static_cast<int>(i) % cells.columns;
    const int line = static_cast<int>(i) / cells.columns;
    const Point2d mean = sums[i].residual_px / sums[i].points;
    means.push_back({{"x", (column + 0.5) * cells.width_px},
                     {"y", (line + 0.5) * cells.height_px},
                     {"dx", rounded(mean.x(), 1e-4)},
                     {"dy", rounded(mean.y(), 1e-4)},
                     {"points", sums[i].points}});
  }
  return means;
}

/// How much longer residuals are drawn: the one that 95 of 100 stay below becomes a thirtieth of
/// the frame's width.
double exaggeration_of(const lens::Lens& lens, const json& frames) {
  std::vector<double> lengths;
  for_each_used(frames, [&](std::size_t, double, double, const json& dx, const json& dy) {
    if (!dx.is_null() && !dy.is_null())
      lengths.push_back(std::hypot(dx.get<double>(), dy.get<double>()));
  });
  if (lengths.empty()) return 1.0;
  const auto at =
      lengths.begin() + static_cast<std::ptrdiff_t>(0.95 * static_cast<double>(lengths.size() - 1));
  std::nth_element(lengths.begin(), at, lengths.end());
  return round_factor(lens.plate_size.width / 30.0 / std::max(*at, 1e-6));
}

}  // namespace

json frames_json(const profile::Profile& profile,
                 std::span<const target::View> views,
                 const fit::LensFit* fit) {
  std::map<std::string, const target::View*> views_of;
  std::size_t total = 0;
  for (const target::View& view : views) {
    views_of[view.frame] = &view;
    total += view.corners.size();
  }
  const std::size_t stride = total / kMostPoints + 1;
  std::map<std::string, const fit::FrameFit*> fits_of;
  if (fit != nullptr) {
    for (const fit::FrameFit& frame : fit->frames) fits_of[frame.frame] = &frame;
  }
  json frames = json::array();
  const auto add = [&](const profile::FootageItem& item) {
    json frame = frame_json(item);
    const auto view = views_of.find(item.name);
    const auto found = fits_of.find(item.name);
    if (view != views_of.end()) {
      add_points(frame, *view->second, found == fits_of.end() ? nullptr : found->second, stride);
      views_of.erase(view);
    }
    frames.push_back(std::move(frame));
  };
  for (const profile::FootageItem& item : profile.provenance.footage) add(item);
  // Observations that the profile was not made from.
  while (!views_of.empty()) {
    const target::View& view = *views_of.begin()->second;
    const auto found = fits_of.find(view.frame);
    profile::FootageItem item;
    item.name = view.frame;
    item.points = static_cast<int>(view.corners.size());
    if (found != fits_of.end()) {
      item.used = found->second->used;
      item.reason = found->second->reason;
      item.rms_px = found->second->rms_px;
    }
    add(item);
  }
  return frames;
}

json vectors_section(const lens::Lens& lens, const json& frames) {
  bool any = false;
  std::size_t shown = 0;
  for (const json& frame : frames) {
    if (!frame.contains("dx")) continue;
    shown += frame["x"].size();
    any = any || std::any_of(frame["dx"].begin(), frame["dx"].end(), [](const json& dx) {
            return dx.is_number();
          });
  }
  if (!any) return {};
  return {{"kind", "vectors"},
          {"title", "Residuals over the frame"},
          {"words",
           {"Each stem starts at a measured point and shows its residual: the measured place less "
            "the lens's. Random directions are noise. Stems that agree with their neighbours, "
            "best seen in the mean of each cell, are something the lens or the chart does and the "
            "model does not."}},
          {"caption", fmt::format("{} points. Dot: took part in the fit. Cross: left out.", shown)},
          {"exaggeration", exaggeration_of(lens, frames)},
          {"means", mean_cells(lens, frames)}};
}

json coverage_section(const lens::Lens& lens, const json& frames) {
  const Cells cells(24, lens);
  std::vector<int> points(cells.count(), 0);
  std::vector<int> seen_in(cells.count(), 0);
  std::vector<std::size_t> last(cells.count(), frames.size());
  for_each_used(frames, [&](std::size_t f, double x, double y, const json&, const json&) {
    const std::size_t cell = cells.index(x, y);
    ++points[cell];
    if (last[cell] != f) ++seen_in[cell];
    last[cell] = f;
  });
  const auto covered = std::count_if(points.begin(), points.end(), [](int n) { return n > 0; });
  if (covered == 0) return {};
  return {
      {"kind", "coverage"},
      {"title", "Coverage"},
      {"words",
       {"Where points of the fit were. In hatched cells nothing was measured: there the lens is "
        "what its model says it is. Shoot until the corners are full."}},
      {"caption",
       fmt::format("{} of {} cells hold points. The area of a square grows with their number.",
                   covered,
                   points.size())},
      {"columns", cells.columns},
      {"rows", cells.rows},
      {"points", points},
      {"frames", seen_in}};
}

json error_section(const profile::Station& station,
                   const Reach& reach,
                   const fit::LensFit* fit,
                   int threads) {
  fit::LensFit stated;
  if (fit == nullptr) {
    if (!station.uncertainty) return {};
    stated.lens = station.lens;
    stated.covariance = station.uncertainty->covariance;
    fit = &stated;
  }
  constexpr int columns = 65;  // the page puts cubics through them
  const auto& plate = fit->lens.plate_size;
  const int rows =
      std::max(3,
               static_cast<int>(std::lround(columns * plate.height /
                                            (plate.width * station.lens.pixel_aspect))) |
                   1);
  std::vector<double> sigmas(static_cast<std::size_t>(columns) * static_cast<std::size_t>(rows),
                             std::nan(""));
  parallel_rows(rows, threads, [&](int begin, int end) {
    for (int i = begin * columns; i < end * columns; ++i) {
      const Point2d p(static_cast<double>(plate.width) * (i % columns) / (columns - 1),
                      static_cast<double>(plate.height) * (i / columns) / (rows - 1));
      if (const auto sigma = fit::map_sigma_px(*fit, p))
        sigmas[static_cast<std::size_t>(i)] = *sigma;
    }
  });
  json values = json::array();
  double least = std::numeric_limits<double>::infinity();
  double most = 0.0;
  for (const double sigma : sigmas) {
    values.push_back(std::isfinite(sigma) ? json(std::stod(fmt::format("{:.4g}", sigma))) : json());
    if (!std::isfinite(sigma)) continue;
    least = std::min(least, sigma);
    most = std::max(most, sigma);
  }
  if (most == 0.0) return {};
  const bool whole =
      std::all_of(sigmas.begin(), sigmas.end(), [](double sigma) { return std::isfinite(sigma); });
  return {
      {"kind", "field"},
      {"title", "Predicted error over the frame"},
      {"words",
       {"How far a place may be off when the plate is straightened or bent with this lens: one "
        "standard deviation, after the turn and the change of focal length that a camera solve "
        "absorbs.",
        "Both are taken out over the whole frame, so a lens that is guessed in the corners pulls "
        "the middle too, and a ring of small error, where the two cancel, is not where the lens is "
        "known best: trust it within the reach."}},
      {"caption",
       fmt::format("{} From {:.2g} to {:.2g} px. {}",
                   whole ? "Lines join places of equal error, px." : "Hatched: no ray.",
                   least,
                   most,
                   fit == &stated
                       ? kFromNoiseAlone
                       : "From the noise of the points and from what the model cannot follow.")},
      {"unit", "px"},
      {"none", "no ray"},
      {"reach", outline_json(reach, station.lens)},
      {"columns", columns},
      {"rows", rows},
      {"values", values},
      {"steps", kErrorStepsPx},
      {"levels", error_levels(least, most)}};
}

json models_section(std::span<const fit::ModelTrial> trials, const std::string& no_trials) {
  constexpr std::string_view kTitle = "Models tried";
  if (trials.empty() && no_trials.empty()) return {};
  if (trials.empty()) return {{"kind", "words"}, {"title", kTitle}, {"words", {no_trials}}};
  json rows = json::array();
  for (const fit::ModelTrial& trial : trials) {
    json cells = {trial.model,
                  fmt::format("{}", trial.num_coefficients),
                  number_cell(trial.rms_px),
                  number_cell(trial.held_out_rms_px),
                  trial.bic_excess ? json(fmt::format("{:.0f}", *trial.bic_excess)) : json(),
                  trial.chosen ? "\xE2\x97\x8F chosen" : printable(trial.reason, kLongestName)};
    rows.push_back(trial.chosen ? chosen_row(std::move(cells)) : table_row(std::move(cells)));
  }
  return {{"kind", "table"},
          {"title", kTitle},
          {"words",
           {"All were fitted to the same points. The simplest is taken that no other beats on "
            "frames held out and by the information criterion."}},
          {"columns",
           {text_column("model"),
            number_column("terms"),
            number_column("rms px"),
            number_column("held out px"),
            number_column("BIC over the best"),
            text_column("")}},
          {"rows", rows}};
}

json frames_section(const json& frames) {
  const auto used = std::count_if(
      frames.begin(), frames.end(), [](const json& frame) { return frame["used"] == true; });
  return {{"kind", "frames"},
          {"title", "Every frame"},
          {"words",
           {fmt::format("{} frames, {} of them used. A dashed box marks one that was not, with the "
                        "reason.",
                        frames.size(),
                        used)}}};
}

}  // namespace trueplate::cli

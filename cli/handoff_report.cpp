#include "cli/handoff_report.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <utility>

#include "calib/base/utf8.h"
#include "calib/lens/film_back_aspect.h"
#include "calib/lens/model.h"
#include "calib/profile/describe.h"
#include "cli/handoff_json.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

std::string size_text(ImageSize size) { return fmt::format("{} x {}", size.width, size.height); }

/// `12.3 px right and 4.5 px above`, for an offset with x right and y down.
std::string sides(const Point2d& offset, int decimals, std::string_view unit) {
  return fmt::format("{:.{}f} {} {}, {:.{}f} {} {}",
                     std::abs(offset.x()),
                     decimals,
                     unit,
                     offset.x() < 0.0 ? "left" : "right",
                     std::abs(offset.y()),
                     decimals,
                     unit,
                     offset.y() < 0.0 ? "up" : "down");
}

/// The groups as they come about.
struct Lines {
  void heading(std::string_view text) { groups.push_back({std::string(text), {}}); }
  void add(std::string_view label, std::string_view content) {
    groups.back().rows.push_back({std::string(label), std::string(content)});
  }
  std::vector<HandoffGroup> groups;
};

void add_camera(Lines& lines, const warp::Handoff& handoff, const warp::PinholeCamera& camera) {
  const auto film = handoff.film(camera);
  const Point2d focal = camera.focal_px;
  lines.add("focal length",
            film ? fmt::format("{:.6f} mm", film->focal_mm)
                 : std::string("no length in mm without a film back"));
  lines.add("", fmt::format("{:.6f} px in x, {:.6f} px in y", focal.x(), focal.y()));
  if (film) {
    lines.add(
        "film back",
        fmt::format("{:.6f} x {:.6f} mm", film->film_back.width_mm, film->film_back.height_mm));
  } else {
    lines.add(
        "film back",
        fmt::format("not stated; of any width w it is {:.9f} w high, the focal length {:.9f} w",
                    camera.size_px.height * focal.x() / (camera.size_px.width * focal.y()),
                    focal.x() / camera.size_px.width));
  }
  lines.add("pixel aspect", fmt::format("{:.9f}, of this pinhole", camera.pixel_aspect()));
  lines.add("principal point",
            fmt::format("{:.6f}, {:.6f} px from the top-left corner, y down",
                        camera.principal_point_px.x(),
                        camera.principal_point_px.y()));
  lines.add("", fmt::format("{} of the middle", sides(camera.principal_offset_px(), 6, "px")));
  if (film) {
    lines.add("", fmt::format("{} of the middle", sides(film->principal_offset_mm, 6, "mm")));
    lines.add("film back shift",
              fmt::format("{} of the axis", sides(-film->principal_offset_mm, 6, "mm")));
  }
  const warp::UnitWindow window = camera.unit_window();
  lines.add("at distance 1",
            fmt::format("left {:.9f}, right {:.9f}, bottom {:.9f}, top {:.9f}",
                        window.left,
                        window.right,
                        window.bottom,
                        window.top));
  const Point2d view = camera.field_of_view_deg();
  lines.add("field of view", fmt::format("{:.4f} x {:.4f} deg", view.x(), view.y()));
}

void add_solve(Lines& lines, const warp::Handoff& handoff) {
  const lens::Lens& lens = handoff.lens;
  lines.heading("SOLVE: the straightened plate, cut to its display window");
  std::string plate = fmt::format("{} px, pixel aspect {:.6g}, squeeze {:.6g}",
                                  size_text(handoff.straight.display.size()),
                                  lens.pixel_aspect,
                                  lens.squeeze);
  if (const auto squeeze = handoff.measured_squeeze()) {
    plate += fmt::format(" (measured {:.6f})", *squeeze);
  }
  lines.add("plate", plate);
  if (lens.film_back) {
    const Point2d focal_mm = *lens::focal_mm(lens);
    lines.add("",
              fmt::format("film back {:.6g} x {:.6g} mm: focal length {:.6f} mm in x, {:.6f} in y",
                          lens.film_back->width_mm,
                          lens.film_back->height_mm,
                          focal_mm.x(),
                          focal_mm.y()));
  }
  lines.add("as a pinhole", "with one focal length and the film back that goes with it:");
  add_camera(lines, handoff, handoff.solve());
}

/// What the frames of a shot have in common.
void add_render_size(Lines& lines, const warp::Handoff& handoff) {
  const warp::EdgePixels& edges = handoff.overscan_px;
  const Point2d factor = handoff.overscan_factor();
  lines.add("resolution",
            fmt::format("{} px, {:.6f} x {:.6f} of the plate",
                        size_text(handoff.straight.data.size()),
                        factor.x(),
                        factor.y()));
  lines.add("overscan",
            fmt::format("{}, {}, {}, {} px (left, top, right, bottom)",
                        edges.left,
                        edges.top,
                        edges.right,
                        edges.bottom));
  const Window crop = handoff.crop();
  lines.add(
      "crop back",
      fmt::format(
          "{} px at {}, {} from the top-left corner", size_text(crop.size()), crop.x, crop.y));
  const FrameWindows& windows = handoff.straight;
  lines.add("EXR windows",
            fmt::format("display {} at {}, {}; data {} at {}, {}",
                        size_text(windows.display.size()),
                        windows.display.x,
                        windows.display.y,
                        size_text(windows.data.size()),
                        windows.data.x,
                        windows.data.y));
}

void add_render(Lines& lines, const warp::Handoff& handoff) {
  lines.heading("RENDER: straight CG with overscan (and a solve on the whole straightened plate)");
  add_render_size(lines, handoff);
  add_camera(lines, handoff, handoff.render());
}

void add_comp(Lines& lines, const warp::Handoff& handoff, const HandoffNotes& notes) {
  lines.heading("COMP: ST-maps");
  const std::string plate = size_text(handoff.straight.display.size());
  const std::string straight = size_text(handoff.straight.data.size());
  const auto named = [](const std::string& file) {
    return file.empty() ? std::string() : fmt::format(", file {}", printable(file, 500));
  };
  lines.add("undistort map",
            fmt::format("plate {} -> straight {}{}", plate, straight, named(notes.undistort_map)));
  lines.add("redistort map",
            fmt::format("straight {} -> plate {}{}", straight, plate, named(notes.redistort_map)));
  lines.add("s and t",
            fmt::format("0..1 spans the display window of the source, {}, also of the straight one",
                        plate));
  const bool bottom = handoff.t_origin == warp::TOrigin::kBottomLeft;
  lines.add("origin of t", fmt::format("t = 0 at the {}", bottom ? "bottom" : "top"));
  lines.add("filter", warp::to_text(handoff.filter));
}

// ---- files ----

/// Where the first run of `#`, or `%d` or `%04d`, stands in a name: its begin and end. Another `%`
/// is a sign like any.
std::optional<std::pair<std::size_t, std::size_t>> frame_mark(std::string_view name) {
  for (std::size_t first = name.find_first_of("#%"); first != std::string_view::npos;
       first = name.find_first_of("#%", first + 1)) {
    const bool is_hash = name[first] == '#';
    const std::size_t last =
        std::min(name.find_first_not_of(is_hash ? "#" : "0123456789", first + 1), name.size());
    if (is_hash) return std::pair(first, last);
    if (last < name.size() && name[last] == 'd') return std::pair(first, last + 1);
  }
  return std::nullopt;
}

/// The name of an output without frame number and extension; empty when nothing is left.
std::string stem_of(const fs::path& output) {
  std::string stem = output.stem().string();
  if (const auto mark = frame_mark(stem)) {
    auto [first, last] = *mark;
    while (first > 0 && std::string_view("._-").find(stem[first - 1]) != std::string_view::npos) {
      --first;
    }
    stem.erase(first, last - first);
  }
  return stem;
}

fs::path beside(std::string_view output) {
  const fs::path path(output);
  std::error_code code;
  if (!path.has_filename() || fs::is_directory(path, code)) return path / "handoff.json";
  const std::string stem = stem_of(path);
  return path.parent_path() / (stem.empty() ? "handoff.json" : stem + ".handoff.json");
}

/// Whether the file holds this already.
bool holds(const fs::path& path, const std::string& content) {
  std::error_code code;
  if (!fs::exists(path, code)) return false;
  const Result<std::string> found = read_text_file(path, content.size());
  return found && *found == content;
}

}  // namespace

HandoffNotes handoff_notes(const profile::Profile& profile,
                           const lens::Lens& lens,
                           const std::vector<Warning>& of_overscan) {
  HandoffNotes notes;
  notes.warnings = of_overscan;
  if (lens.film_back) {
    auto aspect =
        lens::film_back_aspect(*lens.film_back, lens.plate_size, lens.pixel_aspect, lens.squeeze);
    if (aspect) notes.warnings.push_back(*std::move(aspect));
  }
  notes.lens = profile.labels.lens;
  notes.serial = profile.labels.serial;
  notes.calibrated = profile.provenance.created;
  notes.made_words = profile::made_words(profile);
  return notes;
}

std::vector<HandoffGroup> handoff_groups(const warp::Handoff& handoff, const HandoffNotes& notes) {
  Lines lines;
  add_solve(lines, handoff);
  add_render(lines, handoff);
  add_comp(lines, handoff, notes);
  return std::move(lines.groups);
}

std::vector<HandoffGroup> common_handoff_groups(const warp::Handoff& handoff,
                                                const HandoffNotes& notes) {
  Lines lines;
  lines.heading("RENDER: straight CG with overscan, of one size for all frames");
  add_render_size(lines, handoff);
  add_comp(lines, handoff, notes);
  return std::move(lines.groups);
}

std::string handoff_title(const warp::Handoff& handoff, const HandoffNotes& notes) {
  return fmt::format("{}{}, {}, {} {}",
                     notes.lens.empty() ? "lens not named" : printable(notes.lens),
                     notes.serial.empty() ? "" : ", serial " + printable(notes.serial),
                     lens::model_name(handoff.lens.model),
                     notes.made_words,
                     printable(notes.calibrated));
}

std::string groups_text(const std::vector<HandoffGroup>& groups) {
  std::string text;
  for (const HandoffGroup& group : groups) {
    text += fmt::format("\n{}\n", group.heading);
    for (const HandoffRow& row : group.rows) {
      text += fmt::format("  {:<17}{}\n", row.label, row.content);
    }
  }
  return text;
}

std::string doubts_text(const warp::Handoff& handoff, const HandoffNotes& notes) {
  std::string text;
  for (const Warning& warning : notes.warnings) {
    text += fmt::format("\nWARNING: {}\n", warning.message);
  }
  if (!handoff.lens.film_back) text += fmt::format("\nMISSING: {}\n", kMissingFilmBack);
  return text;
}

std::string handoff_text(const warp::Handoff& handoff, const HandoffNotes& notes) {
  return fmt::format("Hand-off: {}\n", handoff_title(handoff, notes)) +
         groups_text(handoff_groups(handoff, notes)) + doubts_text(handoff, notes);
}

Result<NotedHandoff> noted_handoff(const profile::Profile& profile, PlateRequest request) {
  const Result<warp::Overscan> overscan =
      warp::common_overscan(request.lenses, request.overscan, request.overscan_options);
  if (!overscan) return fail(overscan.error());
  request.map.overscan_px = overscan->edges;
  Result<warp::Handoff> handoff =
      warp::make_handoff(request.lenses.front(), request.map, request.filter);
  if (!handoff) return fail(handoff.error());
  return NotedHandoff{std::move(*handoff),
                      handoff_notes(profile, request.lenses.front(), overscan->warnings)};
}

void add_handoff_option(CLI::App& app, std::string& option) {
  app.add_option("--handoff",
                 option,
                 "where the numbers for solve, render and comp go (as .json, and .txt to read); "
                 "default: beside the output, NAME.handoff.json; none: nowhere")
      ->type_name("FILE|none");
}

Result<HandoffFiles> HandoffFiles::create(std::string_view option, std::string_view output) {
  HandoffFiles files;
  if (option == "none") return files;
  files.json_path_ = option.empty() ? beside(output) : fs::path(option);
  if (files.json_path_.extension() != ".json") {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("--handoff: '{}' is neither none nor the name of a .json file", option));
  }
  files.text_path_ = files.json_path_;
  files.text_path_.replace_extension(".txt");
  return files;
}

void HandoffFiles::set_content(const nlohmann::json& json, std::string text) {
  json_ = json.dump(2, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
  text_ = std::move(text);
}

void HandoffFiles::set_content(const warp::Handoff& handoff, const HandoffNotes& notes) {
  set_content(handoff_json(handoff, notes), handoff_text(handoff, notes));
}

std::vector<std::string> HandoffFiles::outstanding() const {
  std::vector<std::string> paths;
  if (!wanted() || !has_content()) return paths;
  if (!holds(json_path_, json_)) paths.push_back(json_path_.string());
  if (!holds(text_path_, text_)) paths.push_back(text_path_.string());
  return paths;
}

Result<void> HandoffFiles::write(Overwrite overwrite) const {
  if (!wanted() || !has_content()) return {};
  for (const auto& [path, content] :
       {std::pair(&json_path_, &json_), std::pair(&text_path_, &text_)}) {
    if (holds(*path, *content)) continue;
    Result<void> written = write_text_file(*path, *content, overwrite);
    // Another job of the same sequence may have been faster.
    if (!written && !holds(*path, *content)) return written;
  }
  return {};
}

void report_handoff(const HandoffFiles& files, const CommonOptions& common) {
  if (!files.wanted() || !files.has_content()) return;
  print(common,
        fmt::format("numbers for solve, render and comp -> {}\n", files.json_path().string()));
}

}  // namespace trueplate::cli

#include "cli/handoff_json.h"

#include <optional>

#include "calib/lens/model.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr int kHandoffVersion = 1;

json xy(const Point2d& p) { return {{"x", p.x()}, {"y", p.y()}}; }
json size_json(ImageSize size) { return {{"width", size.width}, {"height", size.height}}; }
json film_back_json(const lens::FilmBack& film_back) {
  return {{"width", film_back.width_mm}, {"height", film_back.height_mm}};
}
json window_json(const Window& window) {
  return {{"x", window.x}, {"y", window.y}, {"width", window.width}, {"height", window.height}};
}
json windows_json(const FrameWindows& windows) {
  return {{"display_window", window_json(windows.display)},
          {"data_window", window_json(windows.data)}};
}

json map_use_json(const warp::MapUse& use, const std::string& file) {
  return {{"file", file.empty() ? json() : json(file)},
          {"source", windows_json(use.source)},
          {"output", windows_json(use.output)}};
}

json comp_json(const warp::Handoff& handoff, const HandoffNotes& notes) {
  return {{"t_origin", warp::to_text(handoff.t_origin)},
          {"filter", warp::to_text(handoff.filter)},
          {"undistort",
           map_use_json(handoff.use_of(warp::MapDirection::kUndistort), notes.undistort_map)},
          {"redistort",
           map_use_json(handoff.use_of(warp::MapDirection::kRedistort), notes.redistort_map)}};
}

}  // namespace

json camera_json(const warp::Handoff& handoff, const warp::PinholeCamera& camera) {
  const warp::UnitWindow window = camera.unit_window();
  json result = {{"size_px", size_json(camera.size_px)},
                 {"focal_px", xy(camera.focal_px)},
                 {"principal_point_px", xy(camera.principal_point_px)},
                 {"principal_offset_px", xy(camera.principal_offset_px())},
                 {"pixel_aspect", camera.pixel_aspect()},
                 {"unit_window",
                  {{"left", window.left},
                   {"right", window.right},
                   {"bottom", window.bottom},
                   {"top", window.top}}},
                 {"field_of_view_deg", xy(camera.field_of_view_deg())},
                 {"focal_mm", nullptr},
                 {"film_back_mm", nullptr},
                 {"principal_offset_mm", nullptr},
                 {"window_shift_mm", nullptr}};
  if (const auto film = handoff.film(camera)) {
    result["focal_mm"] = film->focal_mm;
    result["film_back_mm"] = film_back_json(film->film_back);
    result["principal_offset_mm"] = xy(film->principal_offset_mm);
    result["window_shift_mm"] = xy(film->window_shift_mm);
  }
  return result;
}

json common_handoff_json(const warp::Handoff& handoff, const HandoffNotes& notes) {
  const lens::Lens& lens = handoff.lens;
  json warnings = json::array();
  for (const Warning& warning : notes.warnings) {
    warnings.push_back({{"code", warning.code}, {"message", warning.message}});
  }
  const warp::EdgePixels& edges = handoff.overscan_px;
  json render = windows_json(handoff.straight);
  render["overscan_px"] = {
      {"left", edges.left}, {"top", edges.top}, {"right", edges.right}, {"bottom", edges.bottom}};
  render["overscan_factor"] = xy(handoff.overscan_factor());
  render["crop_px"] = window_json(handoff.crop());
  return {{"format", "trueplate-handoff"},
          {"program", program_json()},
          {"format_version", kHandoffVersion},
          {"lens",
           {{"name", notes.lens},
            {"serial", notes.serial},
            {"calibrated", notes.calibrated},
            {"model", lens::model_name(lens.model)}}},
          {"solve",
           {{"plate_px", size_json(handoff.straight.display.size())},
            {"pixel_aspect", lens.pixel_aspect},
            {"squeeze", lens.squeeze},
            {"film_back_mm", lens.film_back ? film_back_json(*lens.film_back) : json()}}},
          {"render", render},
          {"comp", comp_json(handoff, notes)},
          {"missing", lens.film_back ? json::array() : json::array({"film_back_mm"})},
          {"warnings", warnings}};
}

void add_cameras_json(const warp::Handoff& handoff, json& json) {
  const auto squeeze = handoff.measured_squeeze();
  const std::optional<Point2d> focal_mm = lens::focal_mm(handoff.lens);
  auto& solve = json["solve"];
  solve["measured_squeeze"] = squeeze ? nlohmann::json(*squeeze) : nlohmann::json();
  solve["focal_mm"] = focal_mm ? xy(*focal_mm) : nlohmann::json();
  solve["camera"] = camera_json(handoff, handoff.solve());
  json["render"]["camera"] = camera_json(handoff, handoff.render());
}

json handoff_json(const warp::Handoff& handoff, const HandoffNotes& notes) {
  json result = common_handoff_json(handoff, notes);
  add_cameras_json(handoff, result);
  return result;
}

}  // namespace trueplate::cli

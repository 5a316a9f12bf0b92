#include "cli/report/distortion_sections.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/lens/distortion_measures.h"
#include "cli/report/parts.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

bool is_barrel(const lens::Lens& lens) {
  const auto corner = lens::frame_distortion(lens).corner;
  return corner && corner->percent() < 0.0;
}

json curve_towards(const lens::Lens& lens,
                   const Reach& reach,
                   std::string_view name,
                   const Point2d& end_px) {
  constexpr int kSteps = 48;
  const auto place = [&](double t) -> Point2d {
    return lens.principal_point_px + (end_px - lens.principal_point_px) * t;
  };
  json points = json::array();
  std::vector<Point2d> line;
  for (const double t :
       steps_with_changes(kSteps, [&](double at) { return reach.holds(place(at)); })) {
    if (t == 0.0) continue;
    const auto distortion = lens::point_distortion(lens, place(t));
    if (!distortion) break;
    points.push_back({rounded(distortion->actual_height_px, 0.01),
                      rounded(distortion->percent(), 1e-5),
                      rounded(distortion->shift_px(), 1e-4)});
    line.push_back(place(t));
  }
  return {{"name", name}, {"points", points}, {"beyond", beyond_json(reach, line)}};
}

/// One line of the straight grid from `from` to `to`; pieces that the lens does not image are left
/// out.
void add_line(const lens::Lens& lens,
              const Reach& reach,
              const Point2d& from,
              const Point2d& to,
              json& lines,
              double& largest) {
  constexpr int kSteps = 48;
  json straight = json::array();
  json bent = json::array();
  std::vector<Point2d> line;
  const auto finish = [&] {
    if (line.size() > 1) {
      lines.push_back(
          {{"straight", straight}, {"bent", bent}, {"beyond", beyond_json(reach, line)}});
    }
    straight = json::array();
    bent = json::array();
    line.clear();
  };
  const auto place = [&](double t) -> Point2d { return from + (to - from) * t; };
  for (const double t : steps_with_changes(kSteps, [&](double at) {
         const std::optional<Point2d> image = lens::distort_px(lens, place(at));
         return image && reach.holds(*image);
       })) {
    const Point2d p = place(t);
    const std::optional<Point2d> image = lens::distort_px(lens, p);
    if (!image) {
      finish();
      continue;
    }
    straight.push_back({rounded(p.x(), 0.01), rounded(p.y(), 0.01)});
    bent.push_back({rounded(image->x(), 0.001), rounded(image->y(), 0.001)});
    line.push_back(*image);
    largest = std::max(largest, (*image - p).norm());
  }
  finish();
}

}  // namespace

json curve_section(const lens::Lens& lens, const Reach& reach) {
  const Point2d& centre = lens.principal_point_px;
  const Point2d corner = lens::most_distorted_corner(lens);
  json series = json::array({curve_towards(lens, reach, "to the side", {corner.x(), centre.y()}),
                             curve_towards(lens, reach, "up or down", {centre.x(), corner.y()}),
                             curve_towards(lens, reach, "to the corner", corner)});
  return {{"kind", "curves"},
          {"title", "Distortion over image height"},
          {"words",
           {"How much farther from the principal point (nearer, where negative: barrel) the lens "
            "images a place than a pinhole would, in percent of the pinhole's distance (ISO 9039). "
            "Curves that part from each other are those of an anamorphic or decentred lens."}},
          {"caption",
           "From the principal point to the corner that is distorted most, and to the edges beside "
           "it. " +
               reach_words(reach, "dotted")},
          {"x_label",
           fmt::format("distance from the principal point on the plate, {}", height_unit(lens))},
          {"y_label", "distortion, %"},
          {"x_unit", "px"},
          {"x_from", 0},
          {"y_unit", "%"},
          {"series", series}};
}

json grid_section(const lens::Lens& lens, const Reach& reach) {
  constexpr int kAcross = 12;
  const auto [width, height] = lens.plate_size;
  const int down =
      std::max(2, static_cast<int>(std::lround(kAcross * height / (width * lens.pixel_aspect))));
  json lines = json::array();
  double largest = 0.0;
  for (int i = 0; i <= kAcross; ++i) {
    const double x = static_cast<double>(width) * i / kAcross;
    add_line(lens, reach, {x, 0.0}, {x, height}, lines, largest);
  }
  for (int i = 0; i <= down; ++i) {
    const double y = static_cast<double>(height) * i / down;
    add_line(lens, reach, {0.0, y}, {width, y}, lines, largest);
  }
  // Shifts of a twentieth of the frame show; larger ones are not enlarged.
  const double factor = round_factor(0.05 * height / std::max(largest, 1e-9));
  const double shown = std::min(factor, 1000.0);
  return {
      {"kind", "grid"},
      {"title", "What the lens does to a straight grid"},
      {"words", json::array()},
      {"caption",
       fmt::format("Dashed: straight lines as a pinhole would image them. Solid: as this lens "
                   "does; the largest shift of a place in the straight frame is {:.2f} px. The "
                   "distortion in the plate's corner is another figure: of what the lens images "
                   "there, which comes from {} in the straight picture. {}",
                   largest,
                   is_barrel(lens) ? "farther out" : "elsewhere",
                   reach_words(reach, "dotted"))},
      {"exaggeration", shown},
      {"most", std::max(5.0, 4.0 * shown)},
      {"largest_px", largest},
      {"reach", outline_json(reach, lens)},
      {"lines", lines}};
}

}  // namespace trueplate::cli

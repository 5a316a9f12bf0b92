#include "calib/plate/usd_text.h"

#include <fmt/format.h>

#include <iterator>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::plate {
namespace {

constexpr double kCentimetresPerMetre = 100.0;

/// Text between double quotes.
std::string quoted(const std::string& text) {
  std::string result = "\"";
  for (const char c : replace_invalid_utf8(text)) {
    if (c == '"' || c == '\\') result += '\\';
    if (c == '\n') {
      result += "\\n";
    } else if (c == '\r') {
      result += "\\r";
    } else if (c == '\t') {
      result += "\\t";
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      result += '?';
    } else {
      result += c;
    }
  }
  return result + "\"";
}

/// Rows are the camera's axes and its place, for points as row vectors.
std::string matrix_text(const PlacedPose& pose) {
  std::string text = "( ";
  for (int axis = 0; axis < 3; ++axis) {
    const Eigen::Vector3d row = pose.world_from_camera.col(axis);
    text += fmt::format("({}, {}, {}, 0), ", row.x(), row.y(), row.z());
  }
  const Eigen::Vector3d p = kCentimetresPerMetre * pose.position;
  return text + fmt::format("({}, {}, {}, 1) )", p.x(), p.y(), p.z());
}

std::string camera_text(const Tracks& tracks, const CameraSolve& solve, const PlacedScene& scene) {
  const CameraApertures apertures = apertures_of(solve.lens);
  std::string text = "    def Camera \"camera\"\n    {\n";
  const auto number = [&text](std::string_view name, double value) {
    text += fmt::format("        float {} = {}\n", name, value);
  };
  number("focalLength", apertures.focal_mm);
  number("horizontalAperture", apertures.width_mm);
  number("verticalAperture", apertures.height_mm);
  number("horizontalApertureOffset", apertures.offset_x_mm);
  number("verticalApertureOffset", apertures.offset_y_mm);
  text += "        token projection = \"perspective\"\n";
  text += "        matrix4d xformOp:transform.timeSamples = {\n";
  for (std::size_t f = 0; f < scene.poses.size(); ++f) {
    if (!scene.poses[f]) continue;
    text += fmt::format(
        "            {}: {},\n", to_lossless_text(tracks.frames[f]), matrix_text(*scene.poses[f]));
  }
  text += "        }\n";
  text += "        uniform token[] xformOpOrder = [\"xformOp:transform\"]\n    }\n";
  return text;
}

std::string points_text(const Tracks& tracks, const PlacedScene& scene) {
  std::string points;
  std::string names;
  std::string widths;
  for (std::size_t t = 0; t < scene.points.size(); ++t) {
    if (!scene.points[t]) continue;
    const Eigen::Vector3d p = kCentimetresPerMetre * *scene.points[t];
    const char* comma = points.empty() ? "" : ", ";
    points += fmt::format("{}({}, {}, {})", comma, p.x(), p.y(), p.z());
    names += comma + quoted(tracks.names[t]);
    widths += fmt::format("{}{}", comma, 1);
  }
  return fmt::format(
      "    def Points \"tracks\"\n    {{\n        point3f[] points = [{}]\n        float[] widths "
      "= "
      "[{}]\n        custom string[] trackNames = [{}]\n    }}\n",
      points,
      widths,
      names);
}

}  // namespace

CameraApertures apertures_of(const lens::Lens& lens) {
  CameraApertures apertures;
  apertures.width_mm = lens.film_back ? lens.film_back->width_mm : kAssumedWidthMm;
  apertures.focal_mm = lens.focal_px.x() * apertures.width_mm / lens.plate_size.width;
  const double mm_per_px_y = apertures.focal_mm / lens.focal_px.y();
  apertures.height_mm = lens.plate_size.height * mm_per_px_y;
  apertures.offset_x_mm = (0.5 * lens.plate_size.width - lens.principal_point_px.x()) *
                          apertures.width_mm / lens.plate_size.width;
  apertures.offset_y_mm =
      (lens.principal_point_px.y() - 0.5 * lens.plate_size.height) * mm_per_px_y;
  return apertures;
}

std::string usd_text(const Tracks& tracks, const CameraSolve& solve, const PlacedScene& scene) {
  fmt::memory_buffer text;
  fmt::format_to(
      std::back_inserter(text),
      "#usda 1.0\n(\n    defaultPrim = \"shot\"\n    doc = {}\n    endTimeCode = {}\n"
      "    metersPerUnit = 0.01\n    startTimeCode = {}\n    upAxis = \"Y\"\n)\n\n"
      "def Xform \"shot\"\n{{\n",
      quoted(scene.metres ? "Camera solve, to scale." : "Camera solve; its scale is not known."),
      to_lossless_text(tracks.frames.back()),
      to_lossless_text(tracks.frames.front()));
  return fmt::to_string(text) + camera_text(tracks, solve, scene) + "\n" +
         points_text(tracks, scene) + "}\n";
}

}  // namespace trueplate::plate

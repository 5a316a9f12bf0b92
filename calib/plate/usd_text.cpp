#include "calib/plate/usd_text.h"

#include <fmt/format.h>

#include <iterator>
#include <span>

#include "calib/base/text.h"
#include "calib/plate/usd_camera.h"

namespace trueplate::plate {
namespace {

constexpr double kCentimetresPerMetre = 100.0;

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
  std::string text = "    def Camera \"camera\"\n    {\n" + usd_pinhole_text(solve.lens);
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
    names += comma + usd_quoted(tracks.names[t]);
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

/// What the camera goes with.
std::string plate_words(const CameraSolve& solve) {
  if (solve.lens_use == LensUse::kNone) return "It goes with the plate as shot, without a lens.";
  const bool given = solve.lens_use == LensUse::kProfile;
  std::string coefficients;
  const std::span<const std::string_view> names = lens::parameter_names(solve.lens.model);
  const std::span<const double> values = lens::parameters(solve.lens.model);
  for (std::size_t i = 0; i < values.size(); ++i) {
    if (values[i] == 0.0) continue;
    coefficients +=
        fmt::format("{}{} {:.6g}", coefficients.empty() ? "" : ", ", names[i], values[i]);
  }
  return fmt::format(
      "It goes with the plate straightened by the lens {} ({}: {}); renders are bent by it.",
      given ? "of the profile given" : "solved with it",
      lens::model_name(solve.lens.model),
      coefficients.empty() ? "no distortion" : coefficients);
}

}  // namespace

std::string usd_text(const Tracks& tracks,
                     const CameraSolve& solve,
                     const PlacedScene& scene,
                     double frame_rate) {
  const std::string rate = to_lossless_text(frame_rate);
  const std::string_view scale =
      scene.metres ? "Camera solve, to scale." : "Camera solve; its scale is not known.";
  fmt::memory_buffer text;
  fmt::format_to(std::back_inserter(text),
                 "#usda 1.0\n(\n    defaultPrim = \"shot\"\n    doc = {}\n    endTimeCode = {}\n"
                 "    framesPerSecond = {}\n    metersPerUnit = 0.01\n    startTimeCode = {}\n"
                 "    timeCodesPerSecond = {}\n    upAxis = \"Y\"\n)\n\n"
                 "def Xform \"shot\"\n{{\n",
                 usd_quoted(fmt::format("{} {}", scale, plate_words(solve))),
                 to_lossless_text(tracks.frames.back()),
                 rate,
                 to_lossless_text(tracks.frames.front()),
                 rate);
  return fmt::to_string(text) + camera_text(tracks, solve, scene) + "\n" +
         points_text(tracks, scene) + "}\n";
}

}  // namespace trueplate::plate

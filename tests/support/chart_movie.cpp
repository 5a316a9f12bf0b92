#include "tests/support/chart_movie.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <utility>

#include "tests/cli/run_program.h"

namespace trueplate::tests {
namespace {

/// 16-bit grey, as the PGM format has it.
void write_pgm(const std::filesystem::path& path, const Image<float>& image) {
  std::ofstream file(path, std::ios::binary);
  file << "P5\n" << image.width() << " " << image.height() << "\n65535\n";
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      const auto code =
          static_cast<unsigned>(std::lround(std::clamp(image.at(x, y), 0.0F, 1.0F) * 65535.0F));
      file.put(static_cast<char>(code >> 8U)).put(static_cast<char>(code & 0xFFU));
    }
  }
}

ChartMovie::Shot usual_shot() {
  ChartScene scene;
  scene.width = 480;
  scene.height = 320;
  scene.columns = 9;
  scene.rows = 6;
  scene.noise = 0.004;
  scene.pose = {.focal_px = 500.0,
                .middle_px = {200.0, 150.0},
                .square_px = 32.0,
                .tilt_x_deg = 8.0,
                .tilt_y_deg = -6.0,
                .roll_deg = 3.0};
  const auto pose_at = [pose = scene.pose](int frame) {
    ChartPose moved = pose;
    moved.middle_px += frame * Point2d(3.0, 1.0);
    return moved;
  };
  return {.num_frames = 24, .scene = scene, .pose_at = pose_at};
}

}  // namespace

bool has_ffmpeg() {
  if (run_program("ffmpeg", {"-version"}).status == 0) return true;
  MESSAGE("skipped: no ffmpeg program to make movies with");
  return false;
}

ChartMovie::ChartMovie(std::filesystem::path folder)
    : ChartMovie(std::move(folder), usual_shot()) {}

ChartMovie::ChartMovie(std::filesystem::path folder, const Shot& shot)
    : folder_(std::move(folder)) {
  for (int i = 0; i < shot.num_frames; ++i) {
    ChartScene scene = shot.scene;
    scene.pose = shot.pose_at(i);
    scene.seed = static_cast<std::uint32_t>(i + 1);
    char name[32];
    std::snprintf(name, sizeof(name), "f.%03d.pgm", i);
    RenderedChart chart = render_chart(scene);
    write_pgm(folder_ / name, chart.image);
    truth_px_.push_back(std::move(chart.corners_px));
  }
}

std::string ChartMovie::encode(const std::string& name,
                               const std::vector<std::string>& arguments) const {
  std::vector<std::string> all{
      "-v", "error", "-y", "-framerate", "24", "-i", (folder_ / "f.%03d.pgm").string()};
  all.insert(all.end(), arguments.begin(), arguments.end());
  all.push_back((folder_ / name).string());
  const ProgramResult result = run_program("ffmpeg", all);
  INFO(result.errors);
  REQUIRE(result.status == 0);
  return all.back();
}

}  // namespace trueplate::tests

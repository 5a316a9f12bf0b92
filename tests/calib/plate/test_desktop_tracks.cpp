// A real hand-held shot: 26 tracks, 250 frames, from the sample data of opencv_contrib (sfm), whose
// tutorial uses a focal length of 1914 px for the 1280x720 frame and does not say where that is
// from. There is no true camera.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <chrono>
#include <cmath>
#include <fstream>
#include <sstream>
#include <string>

#include "calib/plate/trial.h"
#include "tests/support/test_data.h"

using namespace trueplate::plate;
using trueplate::Result;

namespace {

Tracks read_desktop_tracks(const std::filesystem::path& path) {
  Tracks tracks;
  tracks.plate_size = {1280, 720};
  std::ifstream file(path);
  std::vector<std::vector<TrackPoint>> frames;
  for (std::string line; std::getline(file, line);) {
    const int track = static_cast<int>(tracks.names.size());
    std::istringstream numbers(line);
    std::size_t frame = 0;
    for (double x = 0.0, y = 0.0; numbers >> x >> y; ++frame) {
      if (frame == frames.size()) frames.emplace_back();
      if (x >= 0.0 && y >= 0.0) frames[frame].push_back({static_cast<int>(frame), track, {x, y}});
    }
    if (frame > 0) tracks.names.push_back(fmt::format("{}", track));
  }
  for (std::size_t f = 0; f < frames.size(); ++f) {
    tracks.frames.push_back(static_cast<double>(f));
    tracks.points.insert(tracks.points.end(), frames[f].begin(), frames[f].end());
  }
  return tracks;
}

Trial solved_and_told(const Tracks& tracks, const TrialOptions& options) {
  const auto begin = std::chrono::steady_clock::now();
  Result<Trial> trial = try_solve(tracks, options);
  const double seconds =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count();
  REQUIRE(trial.has_value());
  REQUIRE(!trial->solves.empty());
  fmt::print("{} tracks, {} frames, {} points, keyframes {} and {}, {:.2f} s\n",
             tracks.names.size(),
             tracks.frames.size(),
             tracks.points.size(),
             trial->keyframes[0],
             trial->keyframes[1],
             seconds);
  for (const CameraSolve& solve : trial->solves) {
    fmt::print(
        "{}: average error {:.3f} px (mean {:.3f}, max {:.2f}, {} points), with all points "
        "{:.3f} px, focal {:.1f} px\n",
        name_of(solve.lens_use),
        solve.used.rms_px,
        solve.used.mean_px,
        solve.used.max_px,
        solve.used.num_points,
        solve.all.rms_px,
        solve.lens.focal_px.x());
  }
  for (const Finding& finding : trial->findings) {
    fmt::print("{} ({:.2f} px): {}\n", name_of(finding.cause), finding.share_px, finding.words);
  }
  fmt::print("{}\n", trial->lens.words);
  return std::move(*trial);
}

/// The lens from those points only that `taken` names.
template <class Taken>
LensEstimate lens_of_part(Tracks tracks, const Taken& taken) {
  std::erase_if(tracks.points, [&taken](const TrackPoint& p) { return !taken(p); });
  const Result<Trial> trial = try_solve(tracks, {});
  REQUIRE(trial.has_value());
  REQUIRE(trial->lens.focal_sigma_px.has_value());
  fmt::print("focal {:.1f} +- {:.1f} px\n", trial->lens.focal_px, *trial->lens.focal_sigma_px);
  return trial->lens;
}

/// How far two focal lengths are apart, in standard deviations of their difference.
double errors_apart(const LensEstimate& a, const LensEstimate& b) {
  return std::abs(a.focal_px - b.focal_px) / std::hypot(*a.focal_sigma_px, *b.focal_sigma_px);
}

}  // namespace

TEST_CASE("desktop-tracks is solved over all frames") {
  const auto folder = trueplate::tests::photograph_set("desktop-tracks");
  if (!folder) return;
  const Tracks tracks = read_desktop_tracks(*folder / "desktop_tracks.txt");
  CHECK(tracks.names.size() == 26);
  const Trial open = solved_and_told(tracks, {});
  CHECK(open.unsolved_frames.empty());
  CHECK(open.unsolved_tracks.empty());
  CHECK(open.find(LensUse::kFree)->used.rms_px < 0.6);
  // The tutorial's focal length fits these pixels worse than one half as long.
  const Trial given = solved_and_told(tracks, {.focal_px = 1914.0});
  CHECK(given.findings.front().cause == Cause::kWrongFocal);
  // Tracks as long as these drift: the lens is less certain than their noise would have it, and to
  // a few pixels at the edge.
  CHECK(open.lens.scatter > 3.0);
  CHECK(*open.lens.focal_sigma_px > 5.0);
  CHECK(!open.lens.determined);
}

TEST_CASE("the halves of desktop-tracks agree about the lens within what each says of it") {
  const auto folder = trueplate::tests::photograph_set("desktop-tracks");
  if (!folder) return;
  const Tracks tracks = read_desktop_tracks(*folder / "desktop_tracks.txt");
  const auto first = lens_of_part(tracks, [](const TrackPoint& p) { return p.frame < 125; });
  const auto second = lens_of_part(tracks, [](const TrackPoint& p) { return p.frame >= 125; });
  CHECK(errors_apart(first, second) < 2.5);
}

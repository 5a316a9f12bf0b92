#include "tests/cli/lens_files.h"

#include <doctest/doctest.h>

#include <fstream>
#include <iterator>
#include <utility>

#include "calib/profile/profile.h"
#include "warp/io/frame_writer.h"

namespace trueplate::tests {

lens::Lens make_lens(ImageSize size, Point2d focal_px, Point2d centre_shift_px) {
  lens::Lens lens;
  lens.plate_size = size;
  lens.focal_px = focal_px;
  lens.principal_point_px = Point2d(0.5 * size.width, 0.5 * size.height) + centre_shift_px;
  return lens;
}

void write_lens(const std::filesystem::path& path, const lens::Lens& lens) {
  profile::Profile profile;
  profile.labels.lens = "Invented";
  profile::Station station;
  station.lens = lens;
  profile.stations.push_back(station);
  profile.provenance = {.created = "2026-03-01T12:00:00Z",
                        .program = "test",
                        .program_version = "1",
                        .method = "invented",
                        .footage = {}};
  const Result<void> written = profile::write_profile(path, profile, Overwrite::kAllow);
  REQUIRE_MESSAGE(written.has_value(), (written ? "" : written.error().message));
}

footage::Frame frame_of(Image<float> pixels, const FrameWindows& windows) {
  footage::Frame frame;
  frame.pixels = std::move(pixels);
  frame.windows = windows;
  frame.channels = {{"Y", footage::SampleFormat::kFloat}};
  return frame;
}

void write_frame(const std::filesystem::path& path, const footage::Frame& frame) {
  const auto written = warp::write_frame(path, frame);
  REQUIRE_MESSAGE(written.has_value(), (written ? "" : written.error().message));
}

std::string read_text(const std::filesystem::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

nlohmann::json read_json(const std::filesystem::path& path) {
  return nlohmann::json::parse(read_text(path));
}

ImageSize size_of(const nlohmann::json& value) { return {value.at("width"), value.at("height")}; }

Window window_of(const nlohmann::json& value) {
  return {value.at("x"), value.at("y"), value.at("width"), value.at("height")};
}

ProgramResult run_well(const std::vector<std::string>& arguments) {
  ProgramResult result = run_trueplate(arguments);
  CAPTURE(arguments.front());
  CAPTURE(result.errors);
  REQUIRE(result.status == 0);
  return result;
}

}  // namespace trueplate::tests

#pragma once

#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/base/image.h"
#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "tests/cli/run_program.h"

namespace trueplate::tests {

/// A lens whose plate is `size`, with its principal point off the middle by `centre_shift_px`.
lens::Lens make_lens(ImageSize size, Point2d focal_px, Point2d centre_shift_px);

/// Writes a profile of one lens, invented.
void write_lens(const std::filesystem::path& path, const lens::Lens& lens);

/// A frame of one float channel, Y.
footage::Frame frame_of(Image<float> pixels, const FrameWindows& windows);
void write_frame(const std::filesystem::path& path, const footage::Frame& frame);

std::string read_text(const std::filesystem::path& path);
nlohmann::json read_json(const std::filesystem::path& path);
ImageSize size_of(const nlohmann::json& value);
Window window_of(const nlohmann::json& value);

/// Runs the program; the test fails here when it does not end with status 0.
ProgramResult run_well(const std::vector<std::string>& arguments);

}  // namespace trueplate::tests

#include "calib/footage/frame.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <string>
#include <vector>

using namespace trueplate;
using namespace trueplate::footage;

namespace {

Frame frame_of(const std::vector<std::string>& names, const std::vector<float>& pixel) {
  Frame frame;
  frame.windows = {{0, 0, 3, 2}, {0, 0, 3, 2}};
  for (const std::string& name : names) frame.channels.push_back({name, SampleFormat::kFloat});
  frame.pixels = Image<float>(3, 2, static_cast<int>(names.size()));
  for (std::size_t i = 0; i < frame.pixels.size(); ++i) {
    frame.pixels.data()[i] = pixel[i % pixel.size()];
  }
  return frame;
}

float value_of(const Frame& frame) {
  const auto result = luma(frame);
  REQUIRE(result);
  CHECK(result->pixels.channels() == 1);
  CHECK(result->pixels.width() == 3);
  CHECK(result->pixels.height() == 2);
  return result->pixels.at(2, 1);
}

}  // namespace

// ITU-R BT.709-6, item 3.2: E'Y = 0.2126 E'R + 0.7152 E'G + 0.0722 E'B.
TEST_CASE("luma has the weights of BT.709") {
  CHECK(value_of(frame_of({"R", "G", "B"}, {1, 0, 0})) == 0.2126F);
  CHECK(value_of(frame_of({"R", "G", "B"}, {0, 1, 0})) == 0.7152F);
  CHECK(value_of(frame_of({"R", "G", "B"}, {0, 0, 1})) == 0.0722F);
  CHECK(value_of(frame_of({"A", "B", "G", "R"}, {9, 0.5F, 0.5F, 0.5F})) ==
        doctest::Approx(0.5).epsilon(1e-6));
}

TEST_CASE("luma finds the picture among the channels") {
  CHECK(value_of(frame_of({"Y"}, {0.25F})) == 0.25F);
  CHECK(value_of(frame_of({"Y", "A"}, {0.25F, 1})) == 0.25F);
  CHECK(value_of(frame_of({"Z"}, {0.75F})) == 0.75F);
  CHECK(value_of(frame_of({"R", "G", "B", "Y"}, {1, 0, 0, 9})) == 0.2126F);
  CHECK(value_of(frame_of({"Z", "left.B", "left.G", "left.R"}, {9, 0, 1, 0})) == 0.7152F);
  for (const std::vector<std::string>& names :
       {std::vector<std::string>{"R", "G"}, {"u", "v"}, {"a.R", "b.G", "b.B"}}) {
    const auto result = luma(frame_of(names, {1, 1, 1}));
    REQUIRE(!result);
    CHECK(result.error().code == ErrorCode::kUnsupported);
    CHECK(result.error().message.find(names[0]) != std::string::npos);
  }
  CHECK(!luma(Frame{}));
}

TEST_CASE("one colour of a frame is its channel, untouched, and a grey frame has none") {
  const Frame frame = frame_of({"A", "B", "G", "R"}, {9, 0.125F, 0.5F, 0.75F});
  const auto value = [&](Plane plane) { return plane_of(frame, plane)->pixels.at(2, 1); };
  CHECK(value(Plane::kRed) == 0.75F);
  CHECK(value(Plane::kGreen) == 0.5F);
  CHECK(value(Plane::kBlue) == 0.125F);
  CHECK(value(Plane::kLuma) == luma(frame)->pixels.at(2, 1));
  CHECK(plane_of(frame_of({"Y"}, {0.25F}), Plane::kLuma)->pixels.at(2, 1) == 0.25F);
  for (const std::vector<std::string>& names :
       {std::vector<std::string>{"Y", "A"}, {"Z"}, {"R", "G"}}) {
    const auto result = plane_of(frame_of(names, {1.0F}), Plane::kRed);
    REQUIRE(!result);
    CHECK(result.error().code == ErrorCode::kUnsupported);
  }
  CHECK(plane_name(Plane::kBlue) == "blue");
}

TEST_CASE("luma keeps NaN and gives plate coordinates through its offset") {
  Frame frame = frame_of({"R", "G", "B"}, {0.5F, 0.5F, 0.5F});
  frame.pixels.at(1, 0, 2) = std::numeric_limits<float>::quiet_NaN();
  frame.windows.display = {100, 50, 20, 10};
  frame.windows.data = {98, 53, 3, 2};
  const auto result = luma(frame);
  REQUIRE(result);
  CHECK(std::isnan(result->pixels.at(1, 0)));
  CHECK(!std::isnan(result->pixels.at(0, 0)));
  CHECK(result->offset_px == Point2d(-2.0, 3.0));
  CHECK(result->plate_size == ImageSize{20, 10});
  CHECK(luma(frame, 1)->pixels.at(2, 1) == luma(frame, 3)->pixels.at(2, 1));
}

TEST_CASE("names of sample formats") {
  CHECK(sample_format_name(SampleFormat::kUint10) == "10-bit");
  CHECK(sample_format_name(SampleFormat::kHalf) == "half");
}

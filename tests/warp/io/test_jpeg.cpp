// Pictures as the bytes of a JPEG file, read back by the project's reader of photographs.

#include "warp/io/jpeg.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <limits>

#include "calib/footage/frame.h"
#include "tests/support/test_data.h"

namespace trueplate::tests {

TEST_CASE("the bytes are a JPEG of the picture") {
  Image<float> picture(64, 48, 3);
  for (int y = 0; y < picture.height(); ++y) {
    for (int x = 0; x < picture.width(); ++x) {
      picture.at(x, y, 0) = static_cast<float>(x) / 63.0F;
      picture.at(x, y, 1) = static_cast<float>(y) / 47.0F;
      picture.at(x, y, 2) = 0.5F;
    }
  }
  const Result<std::string> bytes = warp::jpeg_bytes(picture.view(), 95);
  REQUIRE_MESSAGE(bytes, bytes.error().message);
  const ScratchFolder folder;
  const auto path = folder.path() / "picture.jpg";
  std::ofstream(path, std::ios::binary) << *bytes;
  const Result<footage::Frame> read = footage::read_frame(path);
  REQUIRE_MESSAGE(read, read.error().message);
  REQUIRE(read->pixels.width() == 64);
  REQUIRE(read->pixels.height() == 48);
  double largest = 0.0;
  for (std::size_t i = 0; i < picture.size(); ++i) {
    largest = std::max(largest, std::abs(double{read->pixels.data()[i]} - picture.data()[i]));
  }
  CHECK(largest < 0.05);  // quality 95 with halved colour, on a gradient
}

TEST_CASE("values that no sample can hold, and pictures that are none") {
  Image<float> picture(8, 8, 3);
  picture.fill(std::numeric_limits<float>::quiet_NaN());
  picture.at(0, 0, 0) = std::numeric_limits<float>::infinity();
  picture.at(1, 0, 0) = -1e30F;
  CHECK(warp::jpeg_bytes(picture.view(), 1000).has_value());
  const Image<float> grey(8, 8, 1);
  CHECK_FALSE(warp::jpeg_bytes(grey.view(), 85).has_value());
  CHECK_FALSE(warp::jpeg_bytes(Image<float>().view(), 85).has_value());
}

}  // namespace trueplate::tests

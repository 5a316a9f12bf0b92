// Samples: every format comes back as it was.

#include "warp/io/frame_writer.h"

#include <Imath/half.h>
#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <limits>
#include <string>
#include <vector>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "tests/warp/io/written_frames.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;
using trueplate::footage::Alpha;
using trueplate::footage::Frame;
using trueplate::footage::read_frame;
using trueplate::footage::SampleFormat;

namespace {

namespace fs = std::filesystem;

/// Every code of an integer format once, over 64 columns; the channels differ.
Frame make_all_codes(int bits, SampleFormat format, const Names& names) {
  const int num_codes = 1 << bits;
  return make_frame(63, num_codes / 63 + 1, names, format, [&](int x, int y, int c) {
    return value_of_code((y * 63 + x + 7 * c) % num_codes, bits);
  });
}

struct Exact {
  const char* extension;
  SampleFormat format;
  int bits;
};

}  // namespace

TEST_CASE("integer formats come back exactly, and OpenImageIO reads the same codes") {
  const ScratchFolder folder;
  for (const Exact& exact : {Exact{"dpx", SampleFormat::kUint8, 8},
                             Exact{"dpx", SampleFormat::kUint10, 10},
                             Exact{"dpx", SampleFormat::kUint12, 12},
                             Exact{"dpx", SampleFormat::kUint16, 16},
                             Exact{"tif", SampleFormat::kUint8, 8},
                             Exact{"tiff", SampleFormat::kUint10, 10},
                             Exact{"tif", SampleFormat::kUint12, 12},
                             Exact{"tif", SampleFormat::kUint16, 16},
                             Exact{"png", SampleFormat::kUint8, 8},
                             Exact{"PNG", SampleFormat::kUint16, 16}}) {
    for (const Names& names : {Names{"Y"}, Names{"R", "G", "B"}, Names{"R", "G", "B", "A"}}) {
      CAPTURE(exact.extension);
      CAPTURE(exact.bits);
      CAPTURE(names.size());
      Frame frame = make_all_codes(exact.bits, exact.format, names);
      if (std::string_view(exact.extension) == "PNG" ||
          std::string_view(exact.extension) == "png") {
        frame.alpha = Alpha::kUnassociated;
      }
      const fs::path path = folder.path() / (std::string("codes.") + exact.extension);
      const auto warnings = write_frame(path, frame, {.overwrite = Overwrite::kAllow});
      REQUIRE(warnings);
      CHECK(codes_of(*warnings) == Names{});
      const auto again = read_frame(path);
      REQUIRE(again);
      CHECK(again->channels == frame.channels);
      CHECK(same_bits(again->pixels, frame.pixels));

      const auto input = OIIO::ImageInput::open(path.string());
      REQUIRE(input);
      std::vector<float> outside(frame.pixels.size());
      REQUIRE(input->read_image(0, 0, 0, frame.pixels.channels(), OIIO::TypeFloat, outside.data()));
      double worst = 0.0;
      for (std::size_t i = 0; i < outside.size(); ++i) {
        // An unassociated alpha makes OpenImageIO multiply; only alpha itself is compared then.
        if (names.size() == 4 && frame.alpha == Alpha::kUnassociated && i % 4 != 3) continue;
        worst = std::max(worst, std::abs(double{outside[i]} - frame.pixels.data()[i]));
      }
      CHECK(worst < 0.25 / ((1 << exact.bits) - 1));
    }
  }
}

TEST_CASE("half: all 65536 values come back bit for bit, NaN and infinity included") {
  const ScratchFolder folder;
  const Frame frame = make_frame(256, 256, {"R"}, SampleFormat::kHalf, [](int x, int y, int) {
    half value;
    value.setBits(static_cast<unsigned short>(y * 256 + x));
    return static_cast<float>(value);
  });
  for (const char* compression : {"none", "rle", "zips", "zip", "piz"}) {
    CAPTURE(compression);
    const fs::path path = folder.path() / (std::string(compression) + ".exr");
    REQUIRE(write_frame(path, frame, {.compression = compression}));
    Imf::InputFile file(path.c_str());
    REQUIRE(file.header().channels().findChannel("R")->type == Imf::HALF);
    std::vector<half> values(65536);
    Imf::FrameBuffer buffer;
    buffer.insert("R",
                  Imf::Slice::Make(Imf::HALF, values.data(), file.header().dataWindow(), 2, 512));
    file.setFrameBuffer(buffer);
    file.readPixels(0, 255);
    int num_wrong = 0;
    for (int bits = 0; bits < 65536; ++bits) {
      num_wrong += values[static_cast<std::size_t>(bits)].bits() == bits ? 0 : 1;
    }
    CHECK(num_wrong == 0);
    const auto again = read_frame(path);
    REQUIRE(again);
    CHECK(same_bits(again->pixels, frame.pixels));
  }
}

TEST_CASE("float comes back bit for bit, in EXR and TIFF") {
  const ScratchFolder folder;
  const Frame frame =
      make_frame(101, 300, {"R", "G", "B"}, SampleFormat::kFloat, [](int x, int y, int c) {
        if (x == 3 && y == 4) return std::numeric_limits<float>::infinity();
        if (x == 5 && y == 4) return std::numeric_limits<float>::quiet_NaN();
        if (x == 6) return std::bit_cast<float>(0x00000001U + static_cast<unsigned>(y));
        return static_cast<float>(std::sin(x * 0.37 + y * 1.3 + c) * std::pow(10.0, x % 20 - 10));
      });
  for (const char* name : {"f.exr", "f.tif"}) {
    CAPTURE(name);
    const auto warnings = write_frame(folder.path() / name, frame);
    REQUIRE(warnings);
    CHECK(warnings->empty());
    const auto again = read_frame(folder.path() / name);
    REQUIRE(again);
    CHECK(again->channels == frame.channels);
    CHECK(same_bits(again->pixels, frame.pixels));
  }
}

TEST_CASE("channels of several formats and layers keep names, formats and values") {
  const ScratchFolder folder;
  Frame frame = make_frame(
      40,
      30,
      {"R", "G", "B", "A", "Z", "velocity", "diffuse.R", "diffuse.G", "diffuse.B", "uv.x"},
      SampleFormat::kHalf,
      [](int x, int y, int c) {
        return static_cast<float>((x + y * 40) % 64) / 64.0F + static_cast<float>(c);
      });
  frame.channels[4].format = frame.channels[9].format = SampleFormat::kFloat;
  for (int y = 0; y < 30; ++y) {
    for (int x = 0; x < 40; ++x) frame.pixels.at(x, y, 4) = 0.1F * static_cast<float>(x + 1000 * y);
  }
  for (const int threads : {1, 2, 0}) {
    REQUIRE(write_frame(
        folder.path() / "layers.exr", frame, {.overwrite = Overwrite::kAllow, .threads = threads}));
    const auto again = read_frame(folder.path() / "layers.exr", {.threads = threads});
    REQUIRE(again);
    CHECK(again->channels.size() == 10);
    CHECK(again->channels == frame.channels);
    CHECK(same_bits(again->pixels, frame.pixels));
  }
}

TEST_CASE("what is too large for half becomes the largest half, not infinity") {
  const ScratchFolder folder;
  Frame frame = make_plate(16, 8, SampleFormat::kHalf);
  frame.pixels.at(0, 0, 0) = 65519.0F;  // still rounds to 65504
  frame.pixels.at(1, 0, 0) = 65520.0F;
  frame.pixels.at(2, 0, 1) = -1e30F;
  frame.pixels.at(3, 0, 2) = -std::numeric_limits<float>::infinity();
  const auto warnings = write_frame(folder.path() / "x.exr", frame);
  REQUIRE(warnings);
  CHECK(codes_of(*warnings) == Names{"clipped"});
  CHECK(value_of(*warnings, "clipped") == 2);
  const auto again = read_frame(folder.path() / "x.exr");
  REQUIRE(again);
  CHECK(again->pixels.at(0, 0, 0) == 65504.0F);
  CHECK(again->pixels.at(1, 0, 0) == 65504.0F);
  CHECK(again->pixels.at(2, 0, 1) == -65504.0F);
  CHECK(again->pixels.at(3, 0, 2) == -std::numeric_limits<float>::infinity());
}

TEST_CASE("alpha is neither multiplied in nor divided out where the format can say how it is") {
  const ScratchFolder folder;
  const Frame frame =
      make_frame(8, 8, {"R", "G", "B", "A"}, SampleFormat::kUint16, [](int x, int y, int c) {
        return c == 3 ? value_of_code(8 * y + x, 16) : value_of_code(40000 + c, 16);
      });
  for (const char* name : {"a.png", "a.tif"}) {
    for (const Alpha alpha : {Alpha::kAssociated, Alpha::kUnassociated}) {
      if (std::string_view(name) == "a.png" && alpha == Alpha::kAssociated) continue;
      CAPTURE(name);
      Frame copy;
      copy.pixels = frame.pixels.clone();
      copy.windows = frame.windows;
      copy.channels = frame.channels;
      copy.alpha = alpha;
      REQUIRE(write_frame(folder.path() / name, copy, {.overwrite = Overwrite::kAllow}));
      const auto again = read_frame(folder.path() / name);
      REQUIRE(again);
      CHECK(same_bits(again->pixels, frame.pixels));
      if (std::string_view(name) == "a.tif") CHECK(again->alpha == alpha);
    }
  }
}

TEST_CASE("a PNG gets colour that is not multiplied by alpha, whatever the frame has") {
  // W3C PNG, 6.2: "the color values in a pixel are not premultiplied by the alpha value".
  const ScratchFolder folder;
  const auto alpha_at = [](int x, int y) { return static_cast<float>(8 * y + x) / 64.0F; };
  const Frame frame =
      make_frame(8, 8, {"R", "G", "B", "A"}, SampleFormat::kHalf, [&](int x, int y, int c) {
        const float alpha = alpha_at(x, y);
        return c == 3 ? alpha : alpha * (0.25F + 0.25F * static_cast<float>(c));
      });
  const auto warnings = write_frame(folder.path() / "a.png", frame);
  REQUIRE(warnings);
  CHECK(codes_of(*warnings) == Names{"sample-format"});
  const auto again = read_frame(folder.path() / "a.png");
  REQUIRE(again);
  for (int y = 0; y < 8; ++y) {
    for (int x = 0; x < 8; ++x) {
      CHECK(again->pixels.at(x, y, 3) == doctest::Approx(alpha_at(x, y)).epsilon(1e-4));
      for (int c = 0; c < 3; ++c) {
        const double colour = x + y == 0 ? 0.0 : 0.25 + 0.25 * c;
        CHECK(again->pixels.at(x, y, c) == doctest::Approx(colour).epsilon(1e-3));
      }
    }
  }
  // Light without alpha has no place there.
  Frame glow = make_plate(4, 4, SampleFormat::kHalf);
  glow.pixels.at(1, 2, 0) = 0.5F;
  glow.pixels.at(1, 2, 3) = 0.0F;
  const auto lost = write_frame(folder.path() / "b.png", glow);
  REQUIRE(lost);
  CHECK(value_of(*lost, "bare-light") == 1.0);
  CHECK(read_frame(folder.path() / "b.png")->pixels.at(1, 2, 0) == 0.0F);
}

TEST_CASE("any number of threads writes the same bytes") {
  const ScratchFolder folder;
  const Frame frame = make_plate(700, 600, SampleFormat::kHalf);
  footage::set_io_threads(2);
  for (const char* name : {"x.exr", "x.png", "x.jpg"}) {  // the others hold the time of day
    REQUIRE(write_frame(folder.path() / name, frame, {.threads = 1}));
    const std::string one = content_of(folder.path() / name);
    REQUIRE(
        write_frame(folder.path() / name, frame, {.overwrite = Overwrite::kAllow, .threads = 3}));
    CHECK(content_of(folder.path() / name) == one);
  }
  footage::set_io_threads(1);
  REQUIRE(write_frame(folder.path() / "y.exr", frame));
  CHECK(content_of(folder.path() / "y.exr") == content_of(folder.path() / "x.exr"));
}

TEST_CASE("oiiotool reads what was written") {
  if (std::system("oiiotool --version > /dev/null 2>&1") != 0) {
    MESSAGE("skipped: oiiotool is not on this machine");
    return;
  }
  const ScratchFolder folder;
  const Frame frame = make_plate(64, 40, SampleFormat::kHalf);
  REQUIRE(write_frame(folder.path() / "x.exr", frame));
  REQUIRE(write_frame(folder.path() / "x.tif", frame));
  const std::string command =
      "cd '" + folder.path().string() + "' && oiiotool x.exr x.tif --fail 0 --diff > log.txt 2>&1";
  CHECK(std::system(command.c_str()) == 0);
}

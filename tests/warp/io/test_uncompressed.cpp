// EXR files without compression, whose lines are written without OpenEXR: they have to be the files
// OpenEXR writes of the same header and samples, byte for byte.

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <doctest/doctest.h>

#include <cstddef>
#include <cstdint>
#include <fstream>
#include <string>
#include <vector>

#include "calib/footage/content_digest.h"
#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "tests/warp/io/written_frames.h"
#include "warp/io/frame_record.h"
#include "warp/io/frame_writer.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;
using trueplate::footage::Frame;
using trueplate::footage::SampleFormat;

namespace {

/// Reads a file with OpenEXR and writes it again.
void copy_with_library(const fs::path& from, const fs::path& to) {
  Imf::InputFile input(from.c_str());
  const Imath::Box2i window = input.header().dataWindow();
  const auto width = static_cast<std::size_t>(window.max.x - window.min.x + 1);
  const auto height = static_cast<std::size_t>(window.max.y - window.min.y + 1);
  std::vector<std::vector<char>> planes;
  Imf::FrameBuffer buffer;
  const Imf::ChannelList& channels = input.header().channels();
  for (auto i = channels.begin(); i != channels.end(); ++i) {
    const std::size_t size = i.channel().type == Imf::HALF ? 2 : 4;
    planes.emplace_back(width * height * size);
    buffer.insert(
        i.name(),
        Imf::Slice::Make(i.channel().type, planes.back().data(), window, size, width * size));
  }
  input.setFrameBuffer(buffer);
  input.readPixels(window.min.y, window.max.y);
  Imf::OutputFile output(to.c_str(), input.header());
  output.setFrameBuffer(buffer);
  output.writePixels(static_cast<int>(height));
}

Frame odd_frame(const Names& names, SampleFormat format, int width, int height) {
  Frame frame = make_frame(width, height, names, format, [&](int x, int y, int c) {
    if (format == SampleFormat::kUint32) {
      return footage::float_of_id(0xFF800001U + static_cast<std::uint32_t>(x * 7 + y * 31 + c));
    }
    return static_cast<float>(x - 3 * y + c) / 64.0F;
  });
  frame.windows = {{-5, 8, 40, 30}, {-17, -33, width, height}};
  frame.pixel_aspect = 2.0;
  return frame;
}

}  // namespace

TEST_CASE("an EXR without compression is the file OpenEXR writes, byte for byte") {
  const ScratchFolder folder;
  const fs::path ours = folder.path() / "ours.exr";
  const fs::path theirs = folder.path() / "theirs.exr";
  const Names long_name = {std::string(40, 'n') + ".R", "R", "G", "B", "A", "diffuse.R", "Z"};
  for (const Names& names :
       {Names{"Y"}, Names{"R", "G", "B"}, Names{"R", "G", "B", "A"}, long_name}) {
    for (const SampleFormat format :
         {SampleFormat::kHalf, SampleFormat::kFloat, SampleFormat::kUint32}) {
      // Wider than 8192 / 4 samples: few lines at a time; narrow: more than there are.
      for (const ImageSize size : {ImageSize{1, 1}, ImageSize{37, 101}, ImageSize{5003, 35}}) {
        CAPTURE(names.size());
        CAPTURE(static_cast<int>(format));
        CAPTURE(size.width);
        const Frame frame = odd_frame(names, format, size.width, size.height);
        std::string first;
        for (const int threads : {1, 3}) {
          const auto written = write_frame(
              ours,
              frame,
              {.compression = "none", .overwrite = Overwrite::kAllow, .threads = threads});
          REQUIRE(written);
          copy_with_library(ours, theirs);
          CHECK(content_of(ours) == content_of(theirs));
          const auto again = footage::read_frame(ours);
          REQUIRE(again);
          CHECK(again->windows == frame.windows);
          if (first.empty()) first = content_of(ours);
          CHECK(content_of(ours) == first);
        }
      }
    }
  }
}

TEST_CASE("samples of two sizes without compression, and several parts, are read as written") {
  const ScratchFolder folder;
  Frame frame = odd_frame({"R", "G", "id"}, SampleFormat::kHalf, 37, 21);
  frame.channels[2].format = SampleFormat::kUint32;
  const fs::path path = folder.path() / "mixed.exr";
  REQUIRE(write_frame(path, frame, {.compression = "none"}));
  const auto again = footage::read_frame(path);
  REQUIRE(again);
  CHECK(same_bits(again->pixels, frame.pixels));

  Frame parts = odd_frame({"R", "G"}, SampleFormat::kHalf, 37, 21);
  parts.name = "one";
  footage::Part second = odd_frame({"Z"}, SampleFormat::kFloat, 9, 40);
  second.name = "two";
  parts.further_parts.push_back(std::move(second));
  const fs::path several = folder.path() / "parts.exr";
  REQUIRE(write_frame(several, parts, {.compression = "none"}));
  const auto both = footage::read_frame(several, {.parts = footage::Parts::kAll});
  REQUIRE(both);
  CHECK(same_bits(both->pixels, parts.pixels));
  CHECK(same_bits(both->part(1).pixels, parts.part(1).pixels));
}

TEST_CASE("the record of an EXR without compression holds the digest of the file as it is") {
  const ScratchFolder folder;
  const Recipe recipe = {footage::digest_of_text("lens"), footage::digest_of_text("plate")};
  const Frame frame = odd_frame({"R", "G", "B", "A"}, SampleFormat::kHalf, 2001, 99);
  const fs::path path = folder.path() / "a.exr";
  REQUIRE(write_frame(path, frame, {.compression = "none", .recipe = recipe}));
  CHECK(match_frame(path, recipe) == FrameMatch::kComplete);
  const std::string content = content_of(path);
  for (const std::size_t place : {content.size() - 1, content.size() / 2, content.size() / 3}) {
    std::string changed = content;
    changed[place] = static_cast<char>(changed[place] ^ 1);
    std::ofstream(path, std::ios::binary) << changed;
    CHECK(match_frame(path, recipe) == FrameMatch::kChanged);
  }
}

TEST_CASE("half that overflows is clipped and counted without compression, too") {
  const ScratchFolder folder;
  Frame frame = odd_frame({"R", "G", "B"}, SampleFormat::kHalf, 50, 40);
  frame.pixels.at(0, 0, 1) = 1e6F;
  frame.pixels.at(49, 39, 2) = -7e4F;
  const fs::path path = folder.path() / "a.exr";
  const auto warnings = write_frame(path, frame, {.compression = "none"});
  REQUIRE(warnings);
  CHECK(value_of(*warnings, "clipped") == 2.0);
  const auto again = footage::read_frame(path);
  REQUIRE(again);
  CHECK(again->pixels.at(0, 0, 1) == 65504.0F);
  CHECK(again->pixels.at(49, 39, 2) == -65504.0F);
}

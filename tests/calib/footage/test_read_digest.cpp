// The digest of a file that is taken while it is read, against that of the file by itself.

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <filesystem>
#include <random>
#include <string>
#include <vector>

#include "calib/footage/content_digest.h"
#include "calib/footage/digested_frame.h"
#include "calib/footage/frame_set.h"
#include "calib/footage/frame_stream.h"
#include "tests/calib/footage/sample_pictures.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using namespace trueplate::tests;

namespace fs = std::filesystem;

namespace {

/// More than is read at a time, and in any order of lines: the library asks for them from the top.
fs::path write_lines(const fs::path& path, Imf::LineOrder order, Imf::Compression compression) {
  constexpr int kSide = 600;
  Imf::Header header(kSide, kSide, 1.0F, Imath::V2f(0.0F, 0.0F), 1.0F, order, compression);
  header.channels().insert("Y", Imf::Channel(Imf::FLOAT));
  std::vector<float> samples(static_cast<std::size_t>(kSide) * kSide);
  std::mt19937 random(3);
  for (float& sample : samples) sample = static_cast<float>(random() % 1000) / 1000.0F;
  Imf::FrameBuffer buffer;
  buffer.insert(
      "Y",
      Imf::Slice::Make(
          Imf::FLOAT, samples.data(), header.dataWindow(), sizeof(float), sizeof(float) * kSide));
  Imf::OutputFile file(path.c_str(), header);
  file.setFrameBuffer(buffer);
  file.writePixels(kSide);
  return path;
}

/// What reading gave the digest; empty where the picture was refused.
std::string digest_by_reading(const fs::path& path, const ReadOptions& options) {
  const auto read = read_digested_frame(path, options);
  return read ? read->digest : std::string();
}

}  // namespace

TEST_CASE("every kind of file has, when read, the digest of its content") {
  const ScratchFolder folder;
  std::vector<fs::path> paths = write_samples(folder.path());
  for (const Imf::Compression compression : {Imf::NO_COMPRESSION, Imf::ZIP_COMPRESSION}) {
    for (const Imf::LineOrder order : {Imf::INCREASING_Y, Imf::DECREASING_Y}) {
      paths.push_back(
          write_lines(folder.path() / (std::to_string(paths.size()) + ".exr"), order, compression));
    }
  }
  for (const fs::path& path : paths) {
    CAPTURE(path.filename().string());
    for (const int threads : {1, 3}) {
      CHECK(digest_by_reading(path, {.threads = threads}) == *digest_of_file(path));
    }
    // What follows the picture counts as well.
    const fs::path longer = folder.path() / ("longer" + path.extension().string());
    write_content(longer, content_of(path) + std::string(300'000, 'x'));
    const std::string digest = digest_by_reading(longer, {});
    if (!digest.empty()) CHECK(digest == *digest_of_file(longer));
  }
}

TEST_CASE("a damaged file that is read all the same has the digest of its content") {
  const ScratchFolder folder;
  std::mt19937 random(29);
  const fs::path damaged = folder.path() / "damaged.exr";
  int num_read = 0;
  for (const fs::path& path : write_samples(folder.path())) {
    if (path.extension() != ".exr") continue;
    const std::string content = content_of(path);
    for (int round = 0; round < 25; ++round) {
      std::string bytes = content;
      bytes[random() % bytes.size()] ^= static_cast<char>(1U << (random() % 8));
      if (round % 5 == 0) bytes.resize(bytes.size() - random() % 40);
      write_content(damaged, bytes);
      const std::string digest = digest_by_reading(damaged, {.max_bytes = std::size_t{1} << 26});
      if (digest.empty()) continue;
      ++num_read;
      CHECK(digest == *digest_of_file(damaged));
    }
  }
  CHECK(num_read > 0);
}

TEST_CASE("a stream of stills tells their digests where it is asked to") {
  const ScratchFolder folder;
  const fs::path path =
      write_lines(folder.path() / "a.1.exr", Imf::INCREASING_Y, Imf::ZIP_COMPRESSION);
  const std::vector<FrameRef> frames = {{path, 1, "a.1.exr"}};
  CHECK(FrameStream(frames).next()->digest.empty());
  CHECK(FrameStream(frames, FrameStream::Digests::kOfStills).next()->digest ==
        *digest_of_file(path));
}

// Files of several parts, in and out. They are written, and what came out is read, by OpenEXR
// itself.

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfDeepFrameBuffer.h>
#include <OpenEXR/ImfDeepScanLineOutputPart.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfIDManifest.h>
#include <OpenEXR/ImfInputPart.h>
#include <OpenEXR/ImfMultiPartInputFile.h>
#include <OpenEXR/ImfMultiPartOutputFile.h>
#include <OpenEXR/ImfOutputPart.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <OpenEXR/ImfTileDescription.h>
#include <OpenEXR/ImfTiledOutputPart.h>
#include <doctest/doctest.h>

#include <bit>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"

using namespace trueplate;
using footage::Frame;
using footage::Parts;
using footage::SampleFormat;
using tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

const Imath::Box2i kDisplay({0, 0}, {31, 23});

/// A sample that differs everywhere, exact in half.
float value_of(int part, int channel, int x, int y) {
  return static_cast<float>((part * 3 + channel * 5 + x * 7 + y * 11) % 512) / 64.0F;
}

/// Numbers over the whole range, those among them whose bits as a float would be NaN, infinite or
/// denormal.
std::uint32_t number_of(int x, int y) {
  constexpr std::uint32_t kOdd[] = {
      0U, 1U, 0xFFFFFFFFU, 0x7F800001U, 0x7F800000U, 0x00800001U, 16777217U};
  return kOdd[(x + 3 * y) % 7] ^ (x > 20 ? 0U : static_cast<std::uint32_t>(x * 65537));
}

Imf::Header header_of(const char* name, const Imath::Box2i& data) {
  Imf::Header header(kDisplay, data);
  header.setName(name);
  header.setType(Imf::SCANLINEIMAGE);
  return header;
}

/// Three parts: colour in half with a view, tiles with mip levels that hold depth as float, and
/// numbers beside a coverage; each with its own data window, compression and attributes.
fs::path write_three_parts(const fs::path& path) {
  std::vector<Imf::Header> headers{header_of("beauty", kDisplay),
                                   header_of("depth", {{-4, -2}, {39, 29}}),
                                   header_of("numbers", {{8, 6}, {27, 17}})};
  headers[0].setView("left");
  headers[0].compression() = Imf::PIZ_COMPRESSION;
  for (const char* name : {"R", "G", "B", "A", "a.strange name"}) {
    headers[0].channels().insert(name, Imf::Channel(Imf::HALF));
  }
  headers[1].setType(Imf::TILEDIMAGE);
  headers[1].setTileDescription({16, 8, Imf::MIPMAP_LEVELS, Imf::ROUND_DOWN});
  headers[1].channels().insert("Z", Imf::Channel(Imf::FLOAT));
  headers[1].insert("depthUnit", Imf::StringAttribute("mm"));
  headers[2].channels().insert("id", Imf::Channel(Imf::UINT));
  headers[2].channels().insert("coverage", Imf::Channel(Imf::FLOAT));
  Imf::addTimeCode(headers[0], Imf::TimeCode(10, 11, 12, 13));
  Imf::MultiPartOutputFile file(path.c_str(), headers.data(), 3, true);

  std::vector<half> halves(5 * 32 * 24);
  Imf::FrameBuffer colours;
  int c = 0;
  for (const char* name : {"R", "G", "B", "A", "a.strange name"}) {
    half* plane = halves.data() + static_cast<std::ptrdiff_t>(c) * 32 * 24;
    for (int i = 0; i < 32 * 24; ++i) plane[i] = half(value_of(0, c, i % 32, i / 32));
    colours.insert(name, Imf::Slice(Imf::HALF, reinterpret_cast<char*>(plane), 2, 64));
    ++c;
  }
  Imf::OutputPart beauty(file, 0);
  beauty.setFrameBuffer(colours);
  beauty.writePixels(24);

  Imf::TiledOutputPart depth(file, 1);
  for (int level = 0; level < depth.numLevels(); ++level) {
    const int width = depth.levelWidth(level), height = depth.levelHeight(level);
    std::vector<float> plane(static_cast<std::size_t>(width * height), -1.0F);
    for (int i = 0; level == 0 && i < width * height; ++i) {
      plane[static_cast<std::size_t>(i)] = value_of(1, 0, i % width, i / width) + 1e-5F;
    }
    Imf::FrameBuffer buffer;
    buffer.insert("Z",
                  Imf::Slice::Make(Imf::FLOAT,
                                   plane.data(),
                                   depth.dataWindowForLevel(level),
                                   4,
                                   static_cast<std::size_t>(width) * 4));
    depth.setFrameBuffer(buffer);
    depth.writeTiles(0, depth.numXTiles(level) - 1, 0, depth.numYTiles(level) - 1, level);
  }

  std::vector<std::uint32_t> ids(20 * 12);
  std::vector<float> coverage(20 * 12, 0.25F);
  for (int i = 0; i < 20 * 12; ++i) ids[static_cast<std::size_t>(i)] = number_of(i % 20, i / 20);
  Imf::FrameBuffer numbers;
  const Imath::Box2i& window = headers[2].dataWindow();
  numbers.insert("id", Imf::Slice::Make(Imf::UINT, ids.data(), window, 4, 80));
  numbers.insert("coverage", Imf::Slice::Make(Imf::FLOAT, coverage.data(), window, 4, 80));
  Imf::OutputPart last(file, 2);
  last.setFrameBuffer(numbers);
  last.writePixels(12);
  return path;
}

int channel_at(const footage::Part& part, std::string_view name) {
  for (std::size_t c = 0; c < part.channels.size(); ++c) {
    if (part.channels[c].name == name) return static_cast<int>(c);
  }
  return -1;
}

std::string content_of(const fs::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

void write_content(const fs::path& path, std::string_view content) {
  std::ofstream(path, std::ios::binary)
      .write(content.data(), static_cast<std::streamsize>(content.size()));
}

}  // namespace

TEST_CASE("three parts come in with names, windows, formats and values") {
  const ScratchFolder folder;
  const fs::path path = write_three_parts(folder.path() / "in.exr");
  const Result<Frame> frame = footage::read_frame(path, {.parts = Parts::kAll});
  REQUIRE(frame);
  REQUIRE(frame->num_parts() == 3);
  CHECK(frame->warnings.empty());
  CHECK(frame->name == "beauty");
  CHECK(frame->part(1).name == "depth");
  CHECK(frame->part(1).windows.data == Window{-4, -2, 44, 32});
  CHECK(frame->part(2).windows.data == Window{8, 6, 20, 12});
  CHECK(frame->part(2).windows.display == Window{0, 0, 32, 24});
  const std::vector<std::pair<std::string, int>> channels{
      {"R", 0}, {"A", 3}, {"a.strange name", 4}};
  for (const auto& channel : channels) {
    const int at = channel_at(*frame, channel.first);
    REQUIRE(at >= 0);
    CHECK(frame->channels[static_cast<std::size_t>(at)].format == SampleFormat::kHalf);
    CHECK(frame->pixels.at(31, 23, at) == value_of(0, channel.second, 31, 23));
  }
  CHECK(frame->part(1).pixels.at(43, 31) == value_of(1, 0, 43, 31) + 1e-5F);
  const footage::Part& numbers = frame->part(2);
  const int id = channel_at(numbers, "id");
  CHECK(numbers.channels[static_cast<std::size_t>(id)].format == SampleFormat::kUint32);
  int num_wrong = 0;
  for (int i = 0; i < 20 * 12; ++i) {
    num_wrong +=
        footage::id_of(numbers.pixels.at(i % 20, i / 20, id)) == number_of(i % 20, i / 20) ? 0 : 1;
  }
  CHECK(num_wrong == 0);

  const Result<Frame> header = footage::read_frame_header(path, Parts::kAll);
  REQUIRE(header);
  CHECK(header->num_parts() == 3);
  CHECK(header->part(2).pixels.empty());
  CHECK(header->part(2).channels == numbers.channels);
}

TEST_CASE("three parts go out as they came: header by header, channel by channel, bit by bit") {
  const ScratchFolder folder;
  const fs::path in = write_three_parts(folder.path() / "in.exr");
  const fs::path out = folder.path() / "out.exr";
  const Result<Frame> frame = footage::read_frame(in, {.parts = Parts::kAll});
  REQUIRE(frame);
  for (int threads : {1, 3}) {
    const auto written =
        warp::write_frame(out, *frame, {.overwrite = Overwrite::kAllow, .threads = threads});
    REQUIRE(written);
    CHECK(written->empty());
    Imf::MultiPartInputFile before(in.c_str()), after(out.c_str());
    REQUIRE(after.parts() == 3);
    for (int part = 0; part < 3; ++part) {
      CAPTURE(part);
      const Imf::Header& a = before.header(part);
      const Imf::Header& b = after.header(part);
      CHECK(b.name() == a.name());
      CHECK(b.dataWindow() == a.dataWindow());
      CHECK(b.displayWindow() == a.displayWindow());
      CHECK(b.compression() == a.compression());
      CHECK(b.hasView() == a.hasView());
      CHECK(b.type() == Imf::SCANLINEIMAGE);
      CHECK(Imf::hasTimeCode(b) == Imf::hasTimeCode(a));
      CHECK(b.channels() == a.channels());
      const Imath::Box2i& window = a.dataWindow();
      const auto width = static_cast<std::size_t>(window.max.x - window.min.x + 1);
      const auto height = static_cast<std::size_t>(window.max.y - window.min.y + 1);
      for (auto channel = a.channels().begin(); channel != a.channels().end(); ++channel) {
        CAPTURE(channel.name());
        const auto read = [&](Imf::MultiPartInputFile& file) {
          std::vector<std::uint32_t> samples(width * height);
          Imf::FrameBuffer buffer;
          buffer.insert(
              channel.name(),
              Imf::Slice::Make(channel.channel().type, samples.data(), window, 4, 4 * width));
          Imf::InputPart input(file, part);
          input.setFrameBuffer(buffer);
          input.readPixels(window.min.y, window.max.y);
          return samples;
        };
        CHECK(read(before) == read(after));
      }
    }
    CHECK(after.header(0).view() == "left");
    CHECK(Imf::timeCode(after.header(0)).frame() == 13);
    CHECK(after.header(1).typedAttribute<Imf::StringAttribute>("depthUnit").value() == "mm");
  }
  // A format without parts keeps the first and says how many channels it left out.
  const auto png = warp::write_frame(folder.path() / "out.png", *frame);
  REQUIRE(png);
  bool told = false;
  for (const Warning& warning : *png)
    told |= warning.code == "dropped-channels" && warning.value == 4.0;
  CHECK(told);
}

TEST_CASE("a file of several parts cut short is never taken for a picture") {
  const ScratchFolder folder;
  const std::string whole = content_of(write_three_parts(folder.path() / "in.exr"));
  const fs::path path = folder.path() / "cut.exr";
  for (std::size_t length = 1; length < whole.size(); length += whole.size() / 97 + 1) {
    write_content(path, std::string_view(whole).substr(0, length));
    CHECK_FALSE(footage::read_frame(path, {.parts = Parts::kAll}));
  }
  // Damaged bytes: refused or read, never worse.
  for (std::size_t at = 8; at < whole.size(); at += 13) {
    std::string bytes = whole;
    bytes[at] = static_cast<char>(~bytes[at]);
    write_content(path, bytes);
    const Result<Frame> frame =
        footage::read_frame(path, {.max_bytes = std::size_t{1} << 24, .parts = Parts::kAll});
    if (frame) CHECK(frame->num_parts() >= 1);
  }
}

TEST_CASE("a deep part refuses the file by its name, also behind others") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "deep.exr";
  {
    std::vector<Imf::Header> headers{header_of("flat", {{0, 0}, {3, 3}}),
                                     header_of("fog", {{0, 0}, {3, 3}})};
    headers[0].channels().insert("Y", Imf::Channel(Imf::FLOAT));
    headers[1].channels().insert("Z", Imf::Channel(Imf::FLOAT));
    headers[1].setType(Imf::DEEPSCANLINE);
    headers[1].compression() = Imf::ZIPS_COMPRESSION;
    Imf::MultiPartOutputFile file(path.c_str(), headers.data(), 2);
    std::vector<float> pixels(16, 1.0F);
    Imf::FrameBuffer buffer;
    buffer.insert("Y", Imf::Slice(Imf::FLOAT, reinterpret_cast<char*>(pixels.data()), 4, 16));
    Imf::OutputPart flat(file, 0);
    flat.setFrameBuffer(buffer);
    flat.writePixels(4);
    std::vector<unsigned> counts(16, 0);
    std::vector<float*> samples(16, nullptr);
    Imf::DeepFrameBuffer deep;
    deep.insertSampleCountSlice(
        Imf::Slice(Imf::UINT, reinterpret_cast<char*>(counts.data()), 4, 16));
    deep.insert("Z",
                Imf::DeepSlice(Imf::FLOAT,
                               reinterpret_cast<char*>(samples.data()),
                               sizeof(float*),
                               4 * sizeof(float*),
                               4));
    Imf::DeepScanLineOutputPart fog(file, 1);
    fog.setFrameBuffer(deep);
    fog.writePixels(4);
  }
  const Result<Frame> frame = footage::read_frame(path, {.parts = Parts::kAll});
  REQUIRE_FALSE(frame);
  CHECK(frame.error().code == ErrorCode::kUnsupported);
  CHECK(frame.error().message.find("part 2 (fog) holds deep data; flatten it first") !=
        std::string::npos);
  CHECK(footage::read_frame(path));
}

TEST_CASE("parts whose display windows differ are refused") {
  const ScratchFolder folder;
  std::string bytes = content_of(write_three_parts(folder.path() / "in.exr"));
  const std::string_view name("displayWindow\0box2i\0", 20);
  std::size_t at = bytes.find(name);
  REQUIRE(at != std::string::npos);
  at = bytes.find(name, at + 1);
  REQUIRE(at != std::string::npos);
  ++bytes[at + name.size() + 4 + 8];  // max.x
  const fs::path path = folder.path() / "differ.exr";
  write_content(path, bytes);
  CHECK_FALSE(footage::read_frame(path, {.parts = Parts::kAll}));
}

TEST_CASE("five hundred channels, and parts that share a name of a channel") {
  const ScratchFolder folder;
  Frame frame;
  frame.name = "many";
  frame.windows = {{0, 0, 9, 7}, {0, 0, 9, 7}};
  frame.pixels = Image<float>(9, 7, 500);
  for (std::size_t i = 0; i < frame.pixels.size(); ++i)
    frame.pixels.data()[i] = static_cast<float>(i % 2048);
  for (int c = 0; c < 500; ++c) {
    frame.channels.push_back(
        {"layer" + std::to_string(c / 4) + "." + "RGBA"[c % 4], SampleFormat::kHalf});
  }
  footage::Part other;
  other.name = "other";
  other.windows = frame.windows;
  other.pixels = Image<float>(9, 7, 1);
  other.pixels.fill(3.0F);
  other.channels = {{"layer0.R", SampleFormat::kFloat}};
  frame.further_parts.push_back(std::move(other));
  const fs::path path = folder.path() / "many.exr";
  REQUIRE(warp::write_frame(path, frame));
  const Result<Frame> back = footage::read_frame(path, {.parts = Parts::kAll});
  REQUIRE(back);
  REQUIRE(back->channels.size() == 500);
  int num_wrong = 0;
  for (int c = 0; c < 500; ++c) {
    const int at = channel_at(*back, frame.channels[static_cast<std::size_t>(c)].name);
    REQUIRE(at >= 0);
    for (int i = 0; i < 63; ++i)
      num_wrong += back->pixels.at(i % 9, i / 9, at) == frame.pixels.at(i % 9, i / 9, c) ? 0 : 1;
  }
  CHECK(num_wrong == 0);
  CHECK(back->part(1).pixels.at(8, 6) == 3.0F);

  // Too much memory for all parts together is refused before any of it is taken.
  const std::size_t first = std::size_t{9} * 7 * 500 * 4;
  CHECK(footage::read_frame(path, {.max_bytes = first + 252, .parts = Parts::kAll}));
  CHECK_FALSE(footage::read_frame(path, {.max_bytes = first + 251, .parts = Parts::kAll}));

  frame.further_parts[0].name = "many";
  CHECK_FALSE(warp::write_frame(folder.path() / "twice.exr", frame));
  frame.further_parts[0].name = "";
  CHECK_FALSE(warp::write_frame(folder.path() / "nameless.exr", frame));
}

TEST_CASE("channels that a table in the header gives names to are marked") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "ids.exr";
  Imf::IDManifest manifest;
  Imf::IDManifest::ChannelGroupManifest group;
  group.setChannels({"who", "what"});
  group.setComponents({"name"});
  group.insert(7, "chair");
  manifest.add(group);
  std::vector<Imf::Header> headers{header_of("a", {{0, 0}, {1, 1}}),
                                   header_of("b", {{0, 0}, {1, 1}})};
  const std::vector<std::string> names{
      "who", "what", "other", "things.R", "things00.R", "things01.A", "thingsX.R"};
  const std::vector<bool> wanted{true, true, false, true, true, true, false};
  for (const std::string& name : names) {
    headers[0].channels().insert(name, Imf::Channel(Imf::FLOAT));
  }
  headers[1].channels().insert("who", Imf::Channel(Imf::FLOAT));
  Imf::addIDManifest(headers[0], manifest);
  headers[0].insert("anything/1/name", Imf::StringAttribute("things"));
  headers[0].insert("anything/1/manifest", Imf::StringAttribute("{}"));
  headers[0].insert("anything/2/name", Imf::StringAttribute("other"));
  {
    Imf::MultiPartOutputFile file(path.c_str(), headers.data(), 2);
    const std::vector<float> zeros(4);
    for (int part = 0; part < 2; ++part) {
      Imf::FrameBuffer buffer;
      for (const std::string& name : names) {
        buffer.insert(name, Imf::Slice::Make(Imf::FLOAT, zeros.data(), {{0, 0}, {1, 1}}, 4, 8));
      }
      Imf::OutputPart output(file, part);
      output.setFrameBuffer(buffer);
      output.writePixels(2);
    }
  }
  const Result<Frame> frame = footage::read_frame_header(path, Parts::kAll);
  REQUIRE(frame);
  for (std::size_t i = 0; i < names.size(); ++i) {
    CAPTURE(names[i]);
    const int at = channel_at(*frame, names[i]);
    REQUIRE(at >= 0);
    CHECK(frame->channels[static_cast<std::size_t>(at)].has_id_table == wanted[i]);
  }
  CHECK_FALSE(frame->part(1).channels[0].has_id_table);

  // A damaged table marks nothing and spoils nothing.
  std::string bytes = content_of(path);
  const std::size_t table = bytes.find("idmanifest");
  REQUIRE(table != std::string::npos);
  for (std::size_t i = table + 20; i < table + 30; ++i) bytes[i] = '\x55';
  write_content(path, bytes);
  const Result<Frame> damaged = footage::read_frame_header(path, Parts::kAll);
  if (damaged) CHECK_FALSE(damaged->channels[0].has_id_table);
}

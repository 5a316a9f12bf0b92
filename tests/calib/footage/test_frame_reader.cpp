#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfDeepFrameBuffer.h>
#include <OpenEXR/ImfDeepScanLineOutputFile.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfMultiPartOutputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfOutputPart.h>
#include <OpenEXR/ImfPartType.h>
#include <OpenEXR/ImfTileDescription.h>
#include <OpenEXR/ImfTiledOutputFile.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <limits>
#include <random>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

std::string content_of(const fs::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

void write_content(const fs::path& path, std::string_view content) {
  std::ofstream(path, std::ios::binary)
      .write(content.data(), static_cast<std::streamsize>(content.size()));
}

constexpr int kWidth = 61;
constexpr int kHeight = 43;

/// A busy but not random picture, 0..1.
float sample(int x, int y, int c) {
  return 0.5F + 0.25F * std::sin(0.3F * static_cast<float>(x * (c + 1))) +
         0.25F * std::cos(0.2F * static_cast<float>(y) + static_cast<float>(c));
}

/// Writes a test picture through OpenImageIO. `adjust` changes the spec.
fs::path write_with_library(const fs::path& path,
                            int num_channels,
                            OIIO::TypeDesc type,
                            const std::function<void(OIIO::ImageSpec&)>& adjust = {}) {
  OIIO::ImageSpec spec(kWidth, kHeight, num_channels, type);
  if (adjust) adjust(spec);
  std::vector<float> pixels;
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      for (int c = 0; c < num_channels; ++c) pixels.push_back(sample(x, y, c));
    }
  }
  const auto output = OIIO::ImageOutput::create(path.string());
  REQUIRE(output);
  REQUIRE(output->open(path.string(), spec));
  REQUIRE(output->write_image(OIIO::TypeFloat, pixels.data()));
  REQUIRE(output->close());
  output->geterror();
  return path;
}

/// A set of files that covers the formats and their storage variants.
std::vector<fs::path> write_samples(const fs::path& folder) {
  const auto compression = [](const char* name) {
    return [name](OIIO::ImageSpec& spec) { spec.attribute("compression", name); };
  };
  const auto bits = [](int count) {
    return [count](OIIO::ImageSpec& spec) { spec.attribute("oiio:BitsPerSample", count); };
  };
  const auto tiled = [](OIIO::ImageSpec& spec) {
    spec.tile_width = spec.tile_height = 16;
    spec.attribute("compression", "zip");
  };
  const auto camera = [](OIIO::ImageSpec& spec) {
    spec.attribute("Make", "Maker");
    spec.attribute("ExposureTime", 0.02F);
    spec.attribute("Exif:FocalLength", 35.0F);
    spec.attribute("GPS:Latitude", 12.5F);
    spec.attribute("ImageDescription", "some words that take up room in the header");
  };
  const auto progressive = [&](OIIO::ImageSpec& spec) {
    camera(spec);
    spec.attribute("jpeg:progressive", 1);
  };
  return {write_with_library(folder / "none.exr", 3, OIIO::TypeHalf, compression("none")),
          write_with_library(folder / "zip.exr", 4, OIIO::TypeHalf, compression("zip")),
          write_with_library(folder / "rle.exr", 1, OIIO::TypeFloat, compression("rle")),
          write_with_library(folder / "piz.exr", 3, OIIO::TypeFloat, compression("piz")),
          write_with_library(folder / "b44.exr", 3, OIIO::TypeHalf, compression("b44")),
          write_with_library(folder / "pxr24.exr", 3, OIIO::TypeFloat, compression("pxr24")),
          write_with_library(folder / "dwaa.exr", 3, OIIO::TypeHalf, compression("dwaa")),
          write_with_library(folder / "tiled.exr", 3, OIIO::TypeHalf, tiled),
          write_with_library(folder / "d8.dpx", 3, OIIO::TypeUInt8),
          write_with_library(folder / "d10.dpx", 3, OIIO::TypeUInt16, bits(10)),
          write_with_library(folder / "d12.dpx", 4, OIIO::TypeUInt16, bits(12)),
          write_with_library(folder / "d16.dpx", 1, OIIO::TypeUInt16),
          write_with_library(folder / "none.tif", 3, OIIO::TypeUInt8, compression("none")),
          write_with_library(folder / "zip.tif", 4, OIIO::TypeUInt16, compression("zip")),
          write_with_library(folder / "lzw.tif", 3, OIIO::TypeFloat, compression("lzw")),
          write_with_library(folder / "exif.tif", 3, OIIO::TypeUInt8, camera),
          write_with_library(folder / "tiled.tif", 3, OIIO::TypeUInt8, tiled),
          write_with_library(folder / "p8.png", 3, OIIO::TypeUInt8),
          write_with_library(folder / "p16.png", 4, OIIO::TypeUInt16),
          write_with_library(folder / "gray.png", 1, OIIO::TypeUInt8),
          write_with_library(folder / "photo.jpg", 3, OIIO::TypeUInt8, camera),
          write_with_library(folder / "gray.jpg", 1, OIIO::TypeUInt8),
          write_with_library(folder / "progressive.jpg", 3, OIIO::TypeUInt8, progressive)};
}

bool same_pixels(const Frame& a, const Frame& b) {
  return a.pixels.size() == b.pixels.size() && a.pixels.width() == b.pixels.width() &&
         std::memcmp(a.pixels.data(), b.pixels.data(), a.pixels.size() * sizeof(float)) == 0;
}

/// What every frame that was read must satisfy, whatever the file.
void check_sound(const Frame& frame) {
  CHECK(frame.windows.data.size() == frame.pixels.view().size());
  CHECK(frame.channels.size() == static_cast<std::size_t>(frame.pixels.channels()));
  CHECK(!frame.pixels.empty());
  CHECK(!frame.windows.display.empty());
  CHECK(frame.windows.display.width <= kMaxImageSide);
  CHECK(frame.windows.display.height <= kMaxImageSide);
  CHECK(std::isfinite(frame.pixel_aspect));
  CHECK(frame.pixel_aspect > 0.0);
}

void check_refused(const fs::path& path, ErrorCode code, std::string_view part = {}) {
  const auto frame = read_frame(path);
  REQUIRE(!frame);
  CAPTURE(frame.error().message);
  CHECK(frame.error().code == code);
  CHECK(frame.error().message.find(path.filename().string()) != std::string::npos);
  CHECK(frame.error().message.find(part) != std::string::npos);
  CHECK(frame.error().message.find('\n') == std::string::npos);
}

}  // namespace

TEST_CASE("what OpenImageIO wrote is read: sizes, formats, values") {
  const ScratchFolder folder;
  for (const fs::path& path : write_samples(folder.path())) {
    CAPTURE(path.filename().string());
    const auto frame = read_frame(path);
    REQUIRE(frame);
    check_sound(*frame);
    CHECK(frame->windows.display == Window{0, 0, kWidth, kHeight});
    CHECK(frame->warnings.empty());
    const std::string kind = path.extension().string();
    double step = 1e-7;
    switch (frame->channels[0].format) {
      case SampleFormat::kUint8:
        step = 0.51 / 255;
        break;
      case SampleFormat::kUint10:
        step = 1.01 / 1023;  // the library cuts where it writes fewer bits than it has
        break;
      case SampleFormat::kUint12:
        step = 1.01 / 4095;
        break;
      case SampleFormat::kUint16:
        step = 0.51 / 65535;
        break;
      case SampleFormat::kHalf:
        step = 0x1p-12;
        break;
      case SampleFormat::kUint32:
      case SampleFormat::kFloat:
        break;
    }
    const std::string stem = path.stem().string();
    if (kind == ".jpg") step = 0.15;  // half the colour resolution
    if (stem == "b44" || stem == "dwaa") step = 0.04;
    if (stem == "pxr24") step = 1e-4;
    double worst = 0.0;
    const int num_colors = std::min(frame->pixels.channels(), 3);
    for (int y = 0; y < kHeight; ++y) {
      for (int x = 0; x < kWidth; ++x) {
        for (int c = 0; c < num_colors; ++c) {
          // The library divides by alpha what it writes to PNG.
          if (stem == "p16") continue;
          worst = std::max(worst, std::abs(double{frame->pixels.at(x, y, c)} - sample(x, y, c)));
        }
      }
    }
    CHECK(worst <= step);
    const auto header = read_frame_header(path);
    REQUIRE(header);
    CHECK(header->pixels.empty());
    CHECK(header->windows == frame->windows);
    CHECK(header->channels == frame->channels);
  }
}

TEST_CASE("a file cut short is never taken for a picture") {
  const ScratchFolder folder;
  for (const fs::path& path : write_samples(folder.path())) {
    const auto whole = read_frame(path);
    REQUIRE(whole);
    const std::string content = content_of(path);
    std::vector<std::size_t> lengths;
    for (std::size_t i = 0; i < 20; ++i) lengths.push_back(content.size() * i / 20);
    for (const std::size_t missing : {1U, 2U, 3U, 10U, 50U})
      lengths.push_back(content.size() - missing);
    const fs::path cut = folder.path() / ("cut" + path.extension().string());
    int num_accepted = 0;
    for (const std::size_t length : lengths) {
      CAPTURE(path.filename().string());
      CAPTURE(length);
      CAPTURE(content.size());
      write_content(cut, std::string_view(content).substr(0, length));
      const auto frame = read_frame(cut);
      if (!frame) {
        CHECK(frame.error().code == ErrorCode::kUnreadable);
        CHECK(frame.error().message.find("cut.") != std::string::npos);
        CHECK(frame.error().message.find('\n') == std::string::npos);
        continue;
      }
      // All pixels can be there when only the end of the file is missing.
      ++num_accepted;
      CHECK(same_pixels(*frame, *whole));
    }
    CHECK(num_accepted <= 5);
  }
}

TEST_CASE("damaged bytes never crash, and what is accepted is sound") {
  const ScratchFolder folder;
  constexpr unsigned kSeed = 20260501;
  std::printf("seed %u\n", kSeed);
  std::mt19937 random(kSeed);
  int num_read = 0;
  int num_refused = 0;
  for (const fs::path& path : write_samples(folder.path())) {
    const std::string content = content_of(path);
    const fs::path damaged = folder.path() / ("damaged" + path.extension().string());
    for (int round = 0; round < 60; ++round) {
      std::string bytes = content;
      // Half of the rounds hurt the header, where the sizes are.
      const std::size_t reach =
          round % 2 == 0 ? std::min<std::size_t>(bytes.size(), 400) : bytes.size();
      const int num_flips = 1 + round % 4;
      for (int i = 0; i < num_flips; ++i) {
        const std::size_t place = random() % reach;
        if (round % 3 == 0) {
          bytes[place] = static_cast<char>(random());
        } else {
          bytes[place] = static_cast<char>(bytes[place] ^ (1 << (random() % 8)));
        }
      }
      write_content(damaged, bytes);
      CAPTURE(path.filename().string());
      CAPTURE(round);
      const auto frame = read_frame(damaged, {.max_bytes = std::size_t{1} << 28});
      if (frame) {
        check_sound(*frame);
        ++num_read;
      } else {
        ++num_refused;
        CHECK((frame.error().code == ErrorCode::kUnreadable ||
               frame.error().code == ErrorCode::kUnsupported));
        CHECK(frame.error().message.find("damaged.") != std::string::npos);
        CHECK(frame.error().message.find('\n') == std::string::npos);
      }
      (void)read_frame_header(damaged);
    }
  }
  CHECK(num_refused > 200);
  CHECK(num_read > 200);
}

TEST_CASE("checksums are heeded: damaged PNG and zipped EXR pixels are refused") {
  const ScratchFolder folder;
  std::mt19937 random(7);
  // Not TIFF: its library stops before the check sum.
  for (const std::string name : {"p8.png", "zip.exr"}) {
    for (const fs::path& path : write_samples(folder.path())) {
      if (path.filename() != name) continue;
      const auto whole = read_frame(path);
      const std::string content = content_of(path);
      for (int round = 0; round < 60; ++round) {
        std::string bytes = content;
        const std::size_t place = bytes.size() / 2 + random() % (bytes.size() / 4);
        bytes[place] = static_cast<char>(bytes[place] ^ (1 << (random() % 8)));
        write_content(path, bytes);
        CAPTURE(name);
        CAPTURE(place);
        const auto frame = read_frame(path);
        if (frame) CHECK(same_pixels(*frame, *whole));
      }
    }
  }
}

TEST_CASE("what is no picture is told so") {
  const ScratchFolder folder;
  check_refused(folder.path() / "gone.exr", ErrorCode::kNotFound, "no such file");
  check_refused(folder.path(), ErrorCode::kUnreadable, "folder");
  for (const char* name : {"x.exr", "x.dpx", "x.tif", "x.png", "x.jpg"}) {
    const fs::path path = folder.path() / name;
    write_content(path, "");
    check_refused(path, ErrorCode::kUnreadable, "empty");
    write_content(path, "Dear diary, this is no picture.\n");
    check_refused(path, ErrorCode::kUnreadable, "no EXR, DPX, TIFF, PNG or JPEG");
    write_content(path, std::string(5000, '\0'));
    check_refused(path, ErrorCode::kUnreadable);
    write_content(path, "\x7f\x45\x4c\x46");
    check_refused(path, ErrorCode::kUnreadable);
  }
  using namespace std::string_literals;
  for (const std::string& magic :
       {"\x76\x2f\x31\x01"s, "SDPX"s, "II*\0"s, "\x89PNG\r\n\x1a\n"s, "\xff\xd8\xff\xe0"s}) {
    write_content(folder.path() / "magic.exr", magic);
    check_refused(folder.path() / "magic.exr", ErrorCode::kUnreadable, "damaged");
    write_content(folder.path() / "magic.exr", magic + std::string(100000, '\xff'));
    check_refused(folder.path() / "magic.exr", ErrorCode::kUnreadable);
    write_content(folder.path() / "magic.exr", magic + std::string(100000, '\0'));
    check_refused(folder.path() / "magic.exr", ErrorCode::kUnreadable);
  }
  check_refused("/dev/zero", ErrorCode::kUnreadable, "device");
}

TEST_CASE("the content decides, not the extension") {
  const ScratchFolder folder;
  const fs::path png = write_with_library(folder.path() / "a.png", 3, OIIO::TypeUInt8);
  fs::rename(png, folder.path() / "a.exr");
  const auto frame = read_frame(folder.path() / "a.exr");
  REQUIRE(frame);
  CHECK(frame->channels[0].format == SampleFormat::kUint8);
}

TEST_CASE("absurd sizes are refused before memory is asked for") {
  const ScratchFolder folder;
  const fs::path path = write_with_library(folder.path() / "zip.exr", 3, OIIO::TypeHalf);
  const std::string content = content_of(path);
  const std::size_t place = content.find("dataWindow");
  REQUIRE(place != std::string::npos);
  const std::size_t box = place + 11 + 6 + 4;  // name, "box2i", size; then xMin yMin xMax yMax
  const auto with_window = [&](std::array<std::int32_t, 4> window) {
    std::string bytes = content;
    std::memcpy(bytes.data() + box, window.data(), sizeof(window));
    const fs::path hostile = folder.path() / "hostile.exr";
    write_content(hostile, bytes);
    return hostile;
  };
  check_refused(with_window({0, 0, 1000000, 10}), ErrorCode::kUnreadable);
  check_refused(with_window({0, 0, 65535, 65535}), ErrorCode::kUnreadable);
  check_refused(with_window({0, 0, 60, 2000000000}), ErrorCode::kUnreadable);
  check_refused(with_window({-1000000000, -1000000000, 1000000000, 1000000000}),
                ErrorCode::kUnreadable);
  check_refused(
      with_window({std::numeric_limits<int>::min(), 0, std::numeric_limits<int>::max(), 0}),
      ErrorCode::kUnreadable);
  check_refused(with_window({5, 5, 4, 4}), ErrorCode::kUnreadable);
  check_refused(with_window({0, 0, 30000, 30000}), ErrorCode::kUnreadable);

  const auto limited = read_frame(path, {.max_bytes = 1000});
  REQUIRE(!limited);
  CHECK(limited.error().code == ErrorCode::kUnreadable);
  CHECK(limited.error().message.find("limit") != std::string::npos);
  CHECK(read_frame(path, {.max_bytes = std::size_t{kWidth} * kHeight * 3 * 4}));
}

TEST_CASE("a DPX that promises gigabytes of user data is refused") {
  const ScratchFolder folder;
  const fs::path path = write_with_library(folder.path() / "d8.dpx", 3, OIIO::TypeUInt8);
  const std::string content = content_of(path);
  for (const std::uint32_t size : {0xBB000000U, 0x7FFFFFFFU, 0xFFFFFFFEU, 0x00FFFFFFU}) {
    for (const bool swapped : {false, true}) {
      std::string bytes = content;
      for (int i = 0; i < 4; ++i) {
        bytes[static_cast<std::size_t>(32 + i)] =
            static_cast<char>(size >> (swapped ? 24 - 8 * i : 8 * i) & 0xFF);
      }
      write_content(folder.path() / "user.dpx", bytes);
      const auto frame = read_frame(folder.path() / "user.dpx");
      if (!frame) CHECK(frame.error().code == ErrorCode::kUnreadable);
    }
  }
}

TEST_CASE("EXR windows, tiles, mixed formats, several threads") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "tiles.exr";
  const Imath::Box2i data = {{-7, -9}, {92, 60}};
  Imf::Header header({{10, 20}, {73, 67}}, data);
  header.pixelAspectRatio() = 1.5F;
  header.channels().insert("G", Imf::Channel(Imf::HALF));
  header.channels().insert("Z", Imf::Channel(Imf::FLOAT));
  header.channels().insert("A", Imf::Channel(Imf::HALF));
  header.setTileDescription(Imf::TileDescription(32, 16, Imf::MIPMAP_LEVELS));
  const int width = 100;
  const int height = 70;
  std::vector<half> halves(width * height);
  std::vector<float> floats(width * height);
  for (int i = 0; i < width * height; ++i) {
    halves[static_cast<std::size_t>(i)] = half(static_cast<float>(i % 1000));
    floats[static_cast<std::size_t>(i)] = static_cast<float>(i) * 1.1F;
  }
  {
    Imf::TiledOutputFile file(path.c_str(), header);
    for (int level = 0; level < file.numLevels(); ++level) {
      Imf::FrameBuffer buffer;
      const auto window = file.dataWindowForLevel(level);
      buffer.insert("G", Imf::Slice::Make(Imf::HALF, halves.data(), window, 2, 2 * width));
      buffer.insert("A", Imf::Slice::Make(Imf::HALF, halves.data(), window, 2, 2 * width));
      buffer.insert("Z", Imf::Slice::Make(Imf::FLOAT, floats.data(), window, 4, 4 * width));
      file.setFrameBuffer(buffer);
      file.writeTiles(0, file.numXTiles(level) - 1, 0, file.numYTiles(level) - 1, level);
    }
  }
  set_io_threads(3);
  for (const int threads : {1, 2, 0}) {
    const auto frame = read_frame(path, {.threads = threads});
    REQUIRE(frame);
    CHECK(frame->windows == FrameWindows{{10, 20, 64, 48}, {-7, -9, width, height}});
    CHECK(frame->pixel_aspect == 1.5);
    CHECK(frame->alpha == Alpha::kAssociated);
    CHECK(frame->channels == std::vector<Channel>{{"G", SampleFormat::kHalf},
                                                  {"A", SampleFormat::kHalf},
                                                  {"Z", SampleFormat::kFloat}});
    int num_wrong = 0;
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        const auto i = static_cast<std::size_t>(y * width + x);
        num_wrong += frame->pixels.at(x, y, 0) == static_cast<float>(halves[i]) ? 0 : 1;
        num_wrong += frame->pixels.at(x, y, 2) == floats[i] ? 0 : 1;
      }
    }
    CHECK(num_wrong == 0);
  }
  set_io_threads(1);
}

TEST_CASE("EXR kinds that are not read say why") {
  const ScratchFolder folder;
  const auto write = [&](const char* name, const Imf::Channel& channel) {
    const fs::path path = folder.path() / name;
    Imf::Header header(8, 8);
    header.channels().insert("id", channel);
    std::vector<std::uint32_t> pixels(64, 3);
    Imf::FrameBuffer buffer;
    buffer.insert("id",
                  Imf::Slice(channel.type,
                             reinterpret_cast<char*>(pixels.data()),
                             4,
                             32,
                             channel.xSampling,
                             channel.ySampling));
    Imf::OutputFile file(path.c_str(), header);
    file.setFrameBuffer(buffer);
    file.writePixels(8);
    return path;
  };
  check_refused(
      write("chroma.exr", Imf::Channel(Imf::FLOAT, 2, 2)), ErrorCode::kUnsupported, "sub-sampled");

  const fs::path deep = folder.path() / "deep.exr";
  {
    Imf::Header header(4, 4);
    header.channels().insert("Z", Imf::Channel(Imf::FLOAT));
    header.setType(Imf::DEEPSCANLINE);
    header.compression() = Imf::ZIPS_COMPRESSION;
    std::vector<unsigned> counts(16, 0);
    std::vector<float*> samples(16, nullptr);
    Imf::DeepFrameBuffer buffer;
    buffer.insertSampleCountSlice(
        Imf::Slice(Imf::UINT, reinterpret_cast<char*>(counts.data()), 4, 16));
    buffer.insert("Z",
                  Imf::DeepSlice(Imf::FLOAT,
                                 reinterpret_cast<char*>(samples.data()),
                                 sizeof(float*),
                                 4 * sizeof(float*),
                                 4));
    Imf::DeepScanLineOutputFile file(deep.c_str(), header);
    file.setFrameBuffer(buffer);
    file.writePixels(4);
  }
  check_refused(deep, ErrorCode::kUnsupported, "deep");
}

TEST_CASE("further parts and pages are left out, and counted") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "parts.exr";
  {
    std::vector<Imf::Header> headers;
    for (const char* name : {"left", "right", "depth"}) {
      Imf::Header header(8, 6);
      header.setName(name);
      header.setType(Imf::SCANLINEIMAGE);
      header.channels().insert("Y", Imf::Channel(Imf::FLOAT));
      headers.push_back(header);
    }
    Imf::MultiPartOutputFile file(path.c_str(), headers.data(), 3);
    for (int part = 0; part < 3; ++part) {
      std::vector<float> pixels(48, static_cast<float>(part + 1));
      Imf::FrameBuffer buffer;
      buffer.insert("Y", Imf::Slice(Imf::FLOAT, reinterpret_cast<char*>(pixels.data()), 4, 32));
      Imf::OutputPart output(file, part);
      output.setFrameBuffer(buffer);
      output.writePixels(6);
    }
  }
  const auto frame = read_frame(path);
  REQUIRE(frame);
  CHECK(frame->pixels.at(7, 5) == 1.0F);
  REQUIRE(frame->warnings.size() == 1);
  CHECK(frame->warnings[0].code == "further-parts");
  CHECK(frame->warnings[0].value == 2.0);

  const fs::path pages = folder.path() / "pages.tif";
  {
    const auto output = OIIO::ImageOutput::create("tiff");
    std::vector<OIIO::ImageSpec> specs(2, OIIO::ImageSpec(8, 6, 1, OIIO::TypeUInt8));
    const std::vector<unsigned char> pixels(48, 51);
    REQUIRE(output->open(pages.string(), 2, specs.data()));
    REQUIRE(output->write_image(OIIO::TypeUInt8, pixels.data()));
    REQUIRE(output->open(pages.string(), specs[1], OIIO::ImageOutput::AppendSubimage));
    REQUIRE(output->write_image(OIIO::TypeUInt8, pixels.data()));
    REQUIRE(output->close());
    output->geterror();
  }
  const auto page = read_frame(pages);
  REQUIRE(page);
  CHECK(page->pixels.at(7, 5) == 0.2F);
  REQUIRE(page->warnings.size() == 1);
  CHECK(page->warnings[0].code == "further-parts");
}

TEST_CASE("samples of other kinds and printing colours are refused") {
  const ScratchFolder folder;
  check_refused(write_with_library(folder.path() / "int.tif", 1, OIIO::TypeUInt32),
                ErrorCode::kUnsupported,
                "samples of type");
  check_refused(write_with_library(folder.path() / "double.tif", 1, OIIO::TypeDesc::DOUBLE),
                ErrorCode::kUnsupported,
                "samples of type");
  check_refused(write_with_library(folder.path() / "cmyk.tif",
                                   4,
                                   OIIO::TypeUInt8,
                                   [](OIIO::ImageSpec& spec) {
                                     spec.channelnames = {"C", "M", "Y", "K"};
                                     spec.attribute("tiff:ColorSpace", "CMYK");
                                     spec.attribute("tiff:PhotometricInterpretation", 5);
                                   }),
                ErrorCode::kUnsupported,
                "CMYK");
}

TEST_CASE("unassociated alpha in a PNG leaves colour alone") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "a.png";
  OIIO::ImageSpec spec(4, 1, 4, OIIO::TypeUInt8);
  spec.attribute("oiio:UnassociatedAlpha", 1);
  const std::array<unsigned char, 16> pixels = {
      200, 100, 50, 0, 200, 100, 50, 1, 200, 100, 50, 128, 200, 100, 50, 255};
  const auto output = OIIO::ImageOutput::create("png");
  REQUIRE(output->open(path.string(), spec));
  REQUIRE(output->write_image(OIIO::TypeUInt8, pixels.data()));
  REQUIRE(output->close());
  const auto frame = read_frame(path);
  REQUIRE(frame);
  CHECK(frame->alpha == Alpha::kUnassociated);
  for (int x = 0; x < 4; ++x) CHECK(frame->pixels.at(x, 0, 0) == 200.0F / 255.0F);
}

// SMPTE 268M (DPX), filled to 32-bit words by method A: three 10-bit samples from the top of each
// word, two low bits free, lines padded to words. The file is made here byte by byte.
TEST_CASE("10-bit DPX: every sample of every width, also where words are not full") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "hand.dpx";
  for (const bool big_endian : {true, false}) {
    for (const int num_channels : {3, 4}) {
      for (const int width : {4, 5, 6, 7, 64}) {
        const int height = 3;
        std::string bytes(2048, '\xff');
        const auto put = [&](std::size_t place, std::uint32_t value, int size) {
          for (int i = 0; i < size; ++i) {
            const int shift = 8 * (big_endian ? size - 1 - i : i);
            bytes[place + static_cast<std::size_t>(i)] = static_cast<char>((value >> shift) & 0xFF);
          }
        };
        const auto code = [&](int y, int i) {
          return static_cast<std::uint32_t>((37 * (y * width * num_channels + i) + 5) % 1024);
        };
        const int num_samples = width * num_channels;
        for (int y = 0; y < height; ++y) {
          for (int i = 0; i < num_samples; i += 3) {
            std::uint32_t word = 0;
            for (int k = 0; k < 3 && i + k < num_samples; ++k)
              word |= code(y, i + k) << (22 - 10 * k);
            bytes.resize(bytes.size() + 4);
            put(bytes.size() - 4, word, 4);
          }
        }
        bytes.replace(0, 4, big_endian ? "SDPX" : "XPDS");
        put(4, 2048, 4);
        bytes.replace(8, 5, std::string("V1.0\0", 5));
        put(16, static_cast<std::uint32_t>(bytes.size()), 4);
        put(768, 0, 2);
        put(770, 1, 2);
        put(772, static_cast<std::uint32_t>(width), 4);
        put(776, height, 4);
        put(780, 0, 4);
        bytes[800] = static_cast<char>(num_channels == 3 ? 50 : 51);
        bytes[801] = 2;
        bytes[802] = 2;
        bytes[803] = 10;
        put(804, 1, 2);
        put(806, 0, 2);
        put(808, 2048, 4);
        put(812, 0, 4);
        put(816, 0, 4);
        write_content(path, bytes);
        CAPTURE(big_endian);
        CAPTURE(num_channels);
        CAPTURE(width);
        const auto frame = read_frame(path);
        REQUIRE(frame);
        REQUIRE(frame->pixels.view().size() == ImageSize{width, height});
        REQUIRE(frame->channels[0].format == SampleFormat::kUint10);
        int num_wrong = 0;
        for (int y = 0; y < height; ++y) {
          for (int i = 0; i < num_samples; ++i) {
            const float wanted = static_cast<float>(code(y, i)) / 1023.0F;
            num_wrong += frame->pixels.row(y)[i] == wanted ? 0 : 1;
          }
        }
        CHECK(num_wrong == 0);
      }
    }
  }
}

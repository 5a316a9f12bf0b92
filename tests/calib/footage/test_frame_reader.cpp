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

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/calib/footage/sample_pictures.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using namespace trueplate::tests;

namespace fs = std::filesystem;

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

TEST_CASE("the content decides, not the extension") {
  const ScratchFolder folder;
  const fs::path png = write_with_library(folder.path() / "a.png", 3, OIIO::TypeUInt8);
  fs::rename(png, folder.path() / "a.exr");
  const auto frame = read_frame(folder.path() / "a.exr");
  REQUIRE(frame);
  CHECK(frame->channels[0].format == SampleFormat::kUint8);
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

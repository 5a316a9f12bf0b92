#pragma once

#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <cmath>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <string>
#include <string_view>
#include <vector>

#include "calib/footage/frame.h"

// Pictures for the reader, written by the libraries themselves.
namespace trueplate::tests {

inline std::string content_of(const std::filesystem::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

inline void write_content(const std::filesystem::path& path, std::string_view content) {
  std::ofstream(path, std::ios::binary)
      .write(content.data(), static_cast<std::streamsize>(content.size()));
}

inline constexpr int kWidth = 61;
inline constexpr int kHeight = 43;

/// A busy but not random picture, 0..1.
inline float sample(int x, int y, int c) {
  return 0.5F + 0.25F * std::sin(0.3F * static_cast<float>(x * (c + 1))) +
         0.25F * std::cos(0.2F * static_cast<float>(y) + static_cast<float>(c));
}

/// Writes a test picture through OpenImageIO. `adjust` changes the spec.
inline std::filesystem::path write_with_library(
    const std::filesystem::path& path,
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
inline std::vector<std::filesystem::path> write_samples(const std::filesystem::path& folder) {
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

inline bool same_pixels(const footage::Frame& a, const footage::Frame& b) {
  return a.pixels.size() == b.pixels.size() && a.pixels.width() == b.pixels.width() &&
         std::memcmp(a.pixels.data(), b.pixels.data(), a.pixels.size() * sizeof(float)) == 0;
}

/// What every frame that was read must satisfy, whatever the file.
inline void check_sound(const footage::Frame& frame) {
  CHECK(frame.windows.data.size() == frame.pixels.view().size());
  CHECK(frame.channels.size() == static_cast<std::size_t>(frame.pixels.channels()));
  CHECK(!frame.pixels.empty());
  CHECK(!frame.windows.display.empty());
  CHECK(frame.windows.display.width <= kMaxImageSide);
  CHECK(frame.windows.display.height <= kMaxImageSide);
  CHECK(std::isfinite(frame.pixel_aspect));
  CHECK(frame.pixel_aspect > 0.0);
}

inline void check_refused(const std::filesystem::path& path,
                          ErrorCode code,
                          std::string_view part = {}) {
  const auto frame = footage::read_frame(path);
  REQUIRE(!frame);
  CAPTURE(frame.error().message);
  CHECK(frame.error().code == code);
  CHECK(frame.error().message.find(path.filename().string()) != std::string::npos);
  CHECK(frame.error().message.find(part) != std::string::npos);
  CHECK(frame.error().message.find('\n') == std::string::npos);
}

}  // namespace trueplate::tests

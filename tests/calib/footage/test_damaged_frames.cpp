// Files cut short, damaged, absurd, or no pictures at all.

#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <algorithm>
#include <array>
#include <cstdint>
#include <cstring>
#include <filesystem>
#include <limits>
#include <random>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/calib/footage/sample_pictures.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using namespace trueplate::tests;

namespace fs = std::filesystem;

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

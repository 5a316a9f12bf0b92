// What formats cannot hold, and what is not written at all.

#include "warp/io/frame_writer.h"

#include <OpenEXR/ImfCompression.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <doctest/doctest.h>
#include <sys/resource.h>

#include <csignal>
#include <filesystem>
#include <fstream>
#include <limits>
#include <string>
#include <utility>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "tests/warp/io/written_frames.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;
using trueplate::footage::Frame;
using trueplate::footage::read_frame;
using trueplate::footage::SampleFormat;

TEST_CASE("what a format cannot hold is told, with the number") {
  const ScratchFolder folder;
  Frame frame = make_plate(16, 8, SampleFormat::kHalf);
  frame.pixels.at(0, 0, 0) = -0.5F;
  frame.pixels.at(1, 0, 0) = 7.0F;
  frame.pixels.at(2, 0, 0) = std::numeric_limits<float>::quiet_NaN();
  const auto png = write_frame(folder.path() / "x.png", frame);
  REQUIRE(png);
  CHECK(codes_of(*png) == Names{"sample-format", "clipped", "nan"});
  CHECK(value_of(*png, "sample-format") == 4);
  CHECK(value_of(*png, "clipped") == 2);
  CHECK(value_of(*png, "nan") == 1);
  const auto again = read_frame(folder.path() / "x.png");
  REQUIRE(again);
  CHECK(again->channels[0].format == SampleFormat::kUint16);
  CHECK(again->pixels.at(0, 0, 0) == 0.0F);
  CHECK(again->pixels.at(1, 0, 0) == 1.0F);
  CHECK(again->pixels.at(2, 0, 0) == 0.0F);
  const auto jpeg = write_frame(folder.path() / "x.jpg", frame);
  REQUIRE(jpeg);
  CHECK(codes_of(*jpeg) == Names{"sample-format", "clipped", "nan", "dropped-channels"});
  Frame layers =
      make_frame(8, 8, {"a.R", "a.G", "a.B", "a.A", "Z"}, SampleFormat::kFloat, [](int, int, int) {
        return 0.5F;
      });
  const auto dpx = write_frame(folder.path() / "x.dpx", layers);
  REQUIRE(dpx);
  CHECK(codes_of(*dpx) == Names{"sample-format", "dropped-channels"});
  CHECK(value_of(*dpx, "dropped-channels") == 1);
  CHECK(read_frame(folder.path() / "x.dpx")->channels.size() == 4);
  Frame no_picture =
      make_frame(8, 8, {"u", "v"}, SampleFormat::kHalf, [](int, int, int) { return 0.5F; });
  CHECK(write_frame(folder.path() / "x2.dpx", no_picture).error().code == ErrorCode::kUnsupported);
  CHECK(!fs::exists(folder.path() / "x2.dpx"));
}

TEST_CASE("compression: what fits is used, the rest refused before anything is written") {
  const ScratchFolder folder;
  const Frame frame = make_plate(64, 64, SampleFormat::kHalf);
  for (const auto& [text, method] : {std::pair{"none", Imf::NO_COMPRESSION},
                                     std::pair{"rle", Imf::RLE_COMPRESSION},
                                     std::pair{"zips", Imf::ZIPS_COMPRESSION},
                                     std::pair{"zip", Imf::ZIP_COMPRESSION},
                                     std::pair{"piz", Imf::PIZ_COMPRESSION},
                                     std::pair{"pxr24", Imf::PXR24_COMPRESSION},
                                     std::pair{"b44", Imf::B44_COMPRESSION},
                                     std::pair{"b44a", Imf::B44A_COMPRESSION},
                                     std::pair{"dwaa", Imf::DWAA_COMPRESSION},
                                     std::pair{"dwab", Imf::DWAB_COMPRESSION},
                                     std::pair{"", Imf::ZIP_COMPRESSION}}) {
    const std::string compression = text;
    CAPTURE(compression);
    const fs::path path = folder.path() / "c.exr";
    REQUIRE(write_frame(path, frame, {.compression = text, .overwrite = Overwrite::kAllow}));
    CHECK(Imf::InputFile(path.c_str()).header().compression() == method);
  }
  const auto refused = [&](const char* name, const char* text) {
    CAPTURE(name);
    CAPTURE(text);
    const auto written = write_frame(folder.path() / name, frame, {.compression = text});
    REQUIRE(!written);
    CHECK(written.error().code == ErrorCode::kInvalidInput);
    CHECK(!fs::exists(folder.path() / name));
    CHECK(!check_writable_format(folder.path() / name, {.compression = text}));
  };
  refused("n.exr", "lzw");
  refused("n.exr", "ZIP");
  refused("n.png", "piz");
  refused("n.png", "zip:0");
  refused("n.png", "zip:10");
  refused("n.jpg", "jpeg:101");
  refused("n.jpg", "jpeg:");
  refused("n.dpx", "zip");
  refused("n.tif", "jpeg");
  CHECK(write_frame(folder.path() / "n.gif", frame).error().code == ErrorCode::kUnsupported);
  CHECK(write_frame(folder.path() / "n", frame).error().code == ErrorCode::kUnsupported);
  for (const auto& [name, text] : {std::pair{"y.png", "zip:1"},
                                   std::pair{"y.png", "zip"},
                                   std::pair{"y.tif", "lzw"},
                                   std::pair{"y.tif", "none"},
                                   std::pair{"y.jpg", "jpeg:50"},
                                   std::pair{"y.dpx", "none"}}) {
    const std::string file = name;
    CAPTURE(file);
    CHECK(check_writable_format(folder.path() / name, {.compression = text}));
    CHECK(write_frame(
        folder.path() / name, frame, {.compression = text, .overwrite = Overwrite::kAllow}));
  }
}

TEST_CASE("a frame that contradicts itself is refused") {
  const ScratchFolder folder;
  const auto refused = [&](const auto& spoil) {
    for (const char* name : {"bad.exr", "bad.png"}) {
      Frame frame = make_plate(16, 8, SampleFormat::kHalf);
      spoil(frame);
      const auto written = write_frame(folder.path() / name, frame);
      REQUIRE(!written);
      CAPTURE(written.error().message);
      CHECK(written.error().code == ErrorCode::kInvalidInput);
      CHECK(fs::is_empty(folder.path()));
    }
  };
  refused([](Frame& frame) { frame.windows.data.width = 17; });
  refused([](Frame& frame) { frame.windows.data = {}; });
  refused([](Frame& frame) { frame.windows.display.height = 0; });
  refused([](Frame& frame) { frame.windows.display.width = kMaxImageSide + 1; });
  refused([](Frame& frame) { frame.windows.display.x = std::numeric_limits<int>::min(); });
  refused([](Frame& frame) { frame.channels.pop_back(); });
  refused([](Frame& frame) { frame.channels.clear(); });
  refused([](Frame& frame) { frame.channels[1].name.assign(1, 'R'); });
  refused([](Frame& frame) { frame.channels[1].name.clear(); });
  refused([](Frame& frame) { frame.channels[1].name.assign(300, 'x'); });
  refused([](Frame& frame) { frame.pixel_aspect = std::nan(""); });
  refused([](Frame& frame) { frame.pixel_aspect = 0.0; });
  refused([](Frame& frame) { frame.pixels = {}; });
}

TEST_CASE("what exists stays unless overwriting is allowed") {
  const ScratchFolder folder;
  const Frame frame = make_plate(16, 8, SampleFormat::kUint8);
  for (const char* name : {"x.exr", "x.dpx", "x.tif", "x.png", "x.jpg"}) {
    const fs::path path = folder.path() / name;
    std::ofstream(path) << "precious";
    const auto refused = write_frame(path, frame);
    REQUIRE(!refused);
    CHECK(refused.error().code == ErrorCode::kExists);
    CHECK(content_of(path) == "precious");
    CHECK(write_frame(path, frame, {.overwrite = Overwrite::kAllow}));
    CHECK(read_frame(path));
  }
}

TEST_CASE("a full disk or a folder that is not there: kUnwritable, nothing left") {
  const ScratchFolder folder;
  // A limit on the size of files acts like a disk that is full at that point.
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  REQUIRE(::getrlimit(RLIMIT_FSIZE, &before) == 0);
  const Frame frame = make_plate(300, 300, SampleFormat::kUint16);
  for (const char* name : {"x.exr", "x.dpx", "x.tif", "x.png", "x.jpg"}) {
    const fs::path path = folder.path() / name;
    REQUIRE(write_frame(path, frame));
    const std::uintmax_t size = fs::file_size(path);
    fs::remove(path);
    // Cut off at the start, in the middle, and where only the last bytes are missing, which
    // libraries write when they close the file.
    for (const std::uintmax_t limit :
         {std::uintmax_t{0}, std::uintmax_t{100}, size / 2, size - 1}) {
      CAPTURE(name);
      CAPTURE(limit);
      const rlimit tight{limit, before.rlim_max};
      REQUIRE(::setrlimit(RLIMIT_FSIZE, &tight) == 0);
      const auto written = write_frame(path, frame);
      REQUIRE(::setrlimit(RLIMIT_FSIZE, &before) == 0);
      REQUIRE(!written);
      CAPTURE(written.error().message);
      CHECK(written.error().code == ErrorCode::kUnwritable);
      CHECK(written.error().message.find(name) != std::string::npos);
      CHECK(fs::is_empty(folder.path()));
    }
    CHECK(write_frame(folder.path() / "gone" / name, frame).error().code == ErrorCode::kUnwritable);
    CHECK(write_frame(fs::path("/proc/self") / name, frame).error().code == ErrorCode::kUnwritable);
  }
}

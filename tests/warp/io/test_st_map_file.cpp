#include "warp/io/st_map_file.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFloatAttribute.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfIntAttribute.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/resource.h>

#include <algorithm>
#include <bit>
#include <cmath>
#include <csignal>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <limits>
#include <string>
#include <vector>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "warp/io/frame_writer.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::footage::SampleFormat;
using trueplate::tests::make_frame;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

/// A map with overscan, values of all bits and a hole.
StMap make_map() {
  StMap map;
  map.output = {{0, 0, 64, 36}, {-7, -5, 80, 45}};
  map.source_display = {10, 20, 64, 36};
  map.t_origin = TOrigin::kTopLeft;
  map.direction = MapDirection::kRedistort;
  map.st = Image<float>(80, 45, 2);
  for (int y = 0; y < 45; ++y) {
    for (int x = 0; x < 80; ++x) {
      const bool hole = x < 3 && y < 4;
      map.st.at(x, y, 0) = hole ? kNaN : (static_cast<float>(x) - 6.5F) / 63.7F;
      map.st.at(x, y, 1) = hole ? kNaN : (static_cast<float>(y) - 4.5F) / 35.9F;
    }
  }
  return map;
}

bool same_values(const Image<float>& a, const Image<float>& b) {
  if (a.size() != b.size()) return false;
  for (std::size_t i = 0; i < a.size(); ++i) {
    const float p = a.data()[i];
    const float q = b.data()[i];
    if (std::isnan(p) != std::isnan(q)) return false;
    if (!std::isnan(p) && std::bit_cast<std::uint32_t>(p) != std::bit_cast<std::uint32_t>(q)) {
      return false;
    }
  }
  return true;
}

std::string content_of(const fs::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

/// Replaces text of equal length within a file.
void replace_in(const fs::path& path, std::string_view from, std::string_view to) {
  REQUIRE(from.size() == to.size());
  std::string bytes = content_of(path);
  const std::size_t place = bytes.find(from);
  REQUIRE(place != std::string::npos);
  bytes.replace(place, from.size(), to);
  std::ofstream(path, std::ios::binary) << bytes;
}

}  // namespace

TEST_CASE("a map comes back bit for bit with its conventions, by every lossless compression") {
  const ScratchFolder folder;
  const StMap map = make_map();
  for (const std::string compression : {"none", "rle", "zips", "zip", "piz"}) {
    CAPTURE(compression);
    const fs::path path = folder.path() / (compression + ".exr");
    REQUIRE(write_st_map(path,
                         map,
                         {.compression = compression,
                          .lens_text = "35 mm, radial-tangential",
                          .pixel_aspect = 2.0}));
    const auto file = read_st_map(path);
    REQUIRE(file);
    CHECK(file->warnings.empty());
    CHECK(file->lens_text == "35 mm, radial-tangential");
    CHECK(file->pixel_aspect == 2.0);
    CHECK(file->map.output == map.output);
    CHECK(file->map.source_display == map.source_display);
    CHECK(file->map.t_origin == map.t_origin);
    CHECK(file->map.direction == map.direction);
    CHECK(same_values(file->map.st, map.st));
  }
}

TEST_CASE(
    "the file as other programs see it: two float channels, finite, conventions in the header") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "map.exr";
  const StMap map = make_map();
  REQUIRE(write_st_map(path, map));
  const Imf::InputFile file(path.c_str());
  const Imf::Header& header = file.header();
  int num_channels = 0;
  for (auto entry = header.channels().begin(); entry != header.channels().end(); ++entry) {
    ++num_channels;
    CHECK(entry.channel().type == Imf::FLOAT);
  }
  CHECK(num_channels == 2);
  CHECK(header.channels().findChannel("R") != nullptr);
  CHECK(header.channels().findChannel("G") != nullptr);
  CHECK(header.dataWindow() == Imath::Box2i({-7, -5}, {72, 39}));
  CHECK(header.displayWindow() == Imath::Box2i({0, 0}, {63, 35}));
  const auto text = [&](const char* name) {
    return header.typedAttribute<Imf::StringAttribute>(name).value();
  };
  CHECK(text("trueplateMapDirection") == "redistort");
  CHECK(text("trueplateTOrigin") == "top-left");
  CHECK(header.typedAttribute<Imf::IntAttribute>("trueplateMapVersion").value() == 1);
  CHECK(header.typedAttribute<Imf::FloatAttribute>("trueplatePixelCenter").value() == 0.5F);
  CHECK(header.typedAttribute<Imf::FloatAttribute>("trueplateNoSource").value() == kNoSource);
  CHECK(Imf::comments(header).find("64x36") != std::string::npos);

  const auto input = OIIO::ImageInput::open(path.string());
  REQUIRE(input);
  std::vector<float> values(80 * 45 * 2);
  REQUIRE(input->read_image(0, 0, 0, 2, OIIO::TypeFloat, values.data()));
  CHECK(values[0] == kNoSource);
  CHECK(values[1] == kNoSource);
  int num_wrong = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    const float wanted = map.st.data()[i];
    num_wrong += values[i] == (std::isnan(wanted) ? kNoSource : wanted) ? 0 : 1;
  }
  CHECK(num_wrong == 0);
}

TEST_CASE("the value for no source is exact in half and fits 32-bit pixel arithmetic") {
  CHECK(static_cast<float>(half(kNoSource)) == kNoSource);
  CHECK(static_cast<double>(kNoSource) * kMaxImageSide > std::numeric_limits<int>::min());
}

TEST_CASE("infinities and half-NaN pixels are no source") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "map.exr";
  StMap map = make_map();
  map.st.at(40, 20, 0) = std::numeric_limits<float>::infinity();
  map.st.at(41, 20, 1) = kNaN;
  REQUIRE(write_st_map(path, map));
  const auto file = read_st_map(path);
  REQUIRE(file);
  for (const int x : {40, 41}) {
    CHECK(std::isnan(file->map.st.at(x, 20, 0)));
    CHECK(std::isnan(file->map.st.at(x, 20, 1)));
  }
  CHECK(!std::isnan(file->map.st.at(42, 20, 0)));
}

TEST_CASE("lossy compression, other formats and broken maps are refused, nothing is written") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "map.exr";
  const StMap map = make_map();
  for (const char* compression : {"pxr24", "b44", "b44a", "dwaa", "dwab"}) {
    const auto written = write_st_map(path, map, {.compression = compression});
    REQUIRE(!written);
    CHECK(written.error().code == ErrorCode::kInvalidInput);
    CHECK(written.error().message.find("loses digits") != std::string::npos);
  }
  CHECK(write_st_map(path, map, {.compression = "lzw"}).error().code == ErrorCode::kInvalidInput);
  for (const char* name : {"map.tif", "map.png", "map"}) {
    CHECK(write_st_map(folder.path() / name, map).error().code == ErrorCode::kUnsupported);
  }
  CHECK(write_st_map(path, StMap{}).error().code == ErrorCode::kInvalidInput);
  StMap other_size = make_map();
  other_size.output.data.width = 79;
  CHECK(write_st_map(path, other_size).error().code == ErrorCode::kInvalidInput);
  CHECK(!write_st_map(path, map, {.pixel_aspect = 0.0}));
  CHECK(!write_st_map(path, map, {.pixel_aspect = std::nan("")}));
  CHECK(!write_st_map(path, map, {.lens_text = std::string(20000, 'x')}));
  CHECK(fs::is_empty(folder.path()));
  std::ofstream(path) << "precious";
  CHECK(write_st_map(path, map).error().code == ErrorCode::kExists);
  CHECK(content_of(path) == "precious");
  CHECK(write_st_map(path, map, {.overwrite = Overwrite::kAllow}));
}

TEST_CASE("a full disk leaves nothing") {
  const ScratchFolder folder;
  std::signal(SIGXFSZ, SIG_IGN);
  rlimit before{};
  REQUIRE(::getrlimit(RLIMIT_FSIZE, &before) == 0);
  const StMap map = make_map();
  for (const rlim_t limit : {rlim_t{0}, rlim_t{1000}, rlim_t{20000}}) {
    const rlimit tight{limit, before.rlim_max};
    REQUIRE(::setrlimit(RLIMIT_FSIZE, &tight) == 0);
    const auto written = write_st_map(folder.path() / "m.exr", map, {.compression = "none"});
    REQUIRE(::setrlimit(RLIMIT_FSIZE, &before) == 0);
    REQUIRE(!written);
    CHECK(written.error().code == ErrorCode::kUnwritable);
    CHECK(fs::is_empty(folder.path()));
  }
}

TEST_CASE("maps of others are read with given conventions, and that is told") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "foreign.exr";
  footage::Frame frame =
      make_frame(32, 18, {"R", "G", "B", "A"}, SampleFormat::kFloat, [](int x, int y, int c) {
        if (x == 0 && y == 0) return kNaN;
        if (x == 1 && y == 0 && c == 1) return std::numeric_limits<float>::infinity();
        if (c > 1) return 0.0F;
        return c == 0 ? (static_cast<float>(x) + 0.5F) / 32.0F
                      : 1.0F - (static_cast<float>(y) + 0.5F) / 18.0F;
      });
  frame.windows.display = {-2, -2, 28, 14};
  frame.windows.data = {-4, -4, 32, 18};
  REQUIRE(write_frame(path, frame));
  const auto file = read_st_map(path);
  REQUIRE(file);
  CHECK(file->map.t_origin == TOrigin::kBottomLeft);
  CHECK(file->map.source_display == Window{0, 0, 28, 14});
  CHECK(file->map.output == frame.windows);
  REQUIRE(file->warnings.size() == 1);
  CHECK(file->warnings[0].code == "assumed-conventions");
  CHECK(std::isnan(file->map.st.at(0, 0, 0)));
  CHECK(std::isnan(file->map.st.at(1, 0, 0)));
  CHECK(file->map.st.at(5, 7, 0) == 5.5F / 32.0F);
  const auto told = read_st_map(path,
                                {.t_origin = TOrigin::kTopLeft,
                                 .direction = MapDirection::kRedistort,
                                 .source_display = Window{0, 0, 4096, 2160}});
  REQUIRE(told);
  CHECK(told->map.t_origin == TOrigin::kTopLeft);
  CHECK(told->map.direction == MapDirection::kRedistort);
  CHECK(told->map.source_display.width == 4096);
  // The size of a plate, for a coarser map of it.
  const auto coarse = read_st_map(path, {.source_display = Window{0, 0, 56, 28}});
  REQUIRE(coarse);
  const auto warns_of_size = [](const StMapFile& one) {
    return std::any_of(one.warnings.begin(), one.warnings.end(), [](const Warning& warning) {
      return warning.code == "map-size-differs";
    });
  };
  CHECK(warns_of_size(*coarse));
  CHECK_FALSE(warns_of_size(*told));
}

TEST_CASE("t tells itself where it counts from; who says otherwise is warned") {
  const ScratchFolder folder;
  const auto written = [&](const char* name, const auto& value) {
    const fs::path path = folder.path() / name;
    REQUIRE(write_frame(path,
                        make_frame(32, 18, {"R", "G"}, SampleFormat::kFloat, value),
                        {.overwrite = Overwrite::kAllow}));
    return path;
  };
  const auto find = [](const Result<StMapFile>& file, std::string_view code) -> const Warning* {
    REQUIRE(file);
    const auto found = std::find_if(file->warnings.begin(),
                                    file->warnings.end(),
                                    [&](const Warning& w) { return w.code == code; });
    return found == file->warnings.end() ? nullptr : &*found;
  };
  // The definitions of docs/st-map.md, of pictures that are not turned over.
  for (const TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
    CAPTURE(to_text(origin));
    const TOrigin other = origin == TOrigin::kTopLeft ? TOrigin::kBottomLeft : TOrigin::kTopLeft;
    const fs::path path = written("plain.exr", [&](int x, int y, int c) {
      const float t_top = (static_cast<float>(y) + 0.5F) / 18.0F;
      if (c == 0) return (static_cast<float>(x) + 0.5F) / 32.0F;
      return origin == TOrigin::kTopLeft ? t_top : 1.0F - t_top;
    });
    const auto told = read_st_map(path);
    REQUIRE(told);
    CHECK(told->map.t_origin == origin);
    CHECK(find(told, "origin-doubt") == nullptr);
    CHECK(find(told, "assumed-conventions")->message.find("100 %") != std::string::npos);
    const auto right = read_st_map(path, {.t_origin = origin});
    CHECK(find(right, "origin-doubt") == nullptr);
    const auto wrong = read_st_map(path, {.t_origin = other});
    REQUIRE(find(wrong, "origin-doubt") != nullptr);
    CHECK(find(wrong, "origin-doubt")->value == 1.0);
    CHECK(wrong->map.t_origin == other);  // it is the caller's word
  }
  // A header that is wrong about its own map.
  StMap lying = make_map();
  lying.t_origin = TOrigin::kBottomLeft;
  const fs::path path = folder.path() / "lying.exr";
  REQUIRE(write_st_map(path, lying));
  const auto file = read_st_map(path);
  REQUIRE(find(file, "origin-doubt") != nullptr);
  CHECK(find(file, "origin-doubt")->message.find("as its header says") != std::string::npos);
  // Nothing to tell: as usual, and said.
  const fs::path flat = written("flat.exr", [](int, int, int) { return 0.5F; });
  CHECK(read_st_map(flat)->map.t_origin == TOrigin::kBottomLeft);
  CHECK(find(read_st_map(flat), "assumed-conventions")->message.find("does not tell") !=
        std::string::npos);
  const fs::path noise = written("noise.exr", [](int x, int y, int) {
    return static_cast<float>((x * 7 + y * 13) % 5) / 5.0F;
  });
  CHECK(read_st_map(noise, {.t_origin = TOrigin::kTopLeft}).has_value());
  CHECK(find(read_st_map(noise, {.t_origin = TOrigin::kTopLeft}), "origin-doubt") == nullptr);
}

TEST_CASE("values that are no place in any picture are no source, and counted") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "far.exr";
  REQUIRE(write_frame(path,
                      make_frame(32, 18, {"R", "G"}, SampleFormat::kFloat, [](int x, int y, int c) {
                        if (x == 4 && y < 3) return c == 0 ? 1e30F : 0.5F;
                        if (x == 5 && y == 0) return -1e30F;
                        return c == 0 ? static_cast<float>(x) / 32.0F : static_cast<float>(-y);
                      })));
  const auto file = read_st_map(path);
  REQUIRE(file);
  CHECK(std::isnan(file->map.st.at(4, 2, 0)));
  CHECK(std::isnan(file->map.st.at(4, 2, 1)));
  CHECK(std::isnan(file->map.st.at(5, 0, 0)));
  CHECK(file->map.st.at(4, 3, 0) == 0.125F);
  const auto far = std::find_if(file->warnings.begin(), file->warnings.end(), [](const Warning& w) {
    return w.code == "far-values";
  });
  REQUIRE(far != file->warnings.end());
  CHECK(far->value == 4.0);
}

TEST_CASE("s and t in other channels, by layer or by name") {
  const ScratchFolder folder;
  const auto read = [&](const std::vector<std::string>& names, std::string channels) {
    const fs::path path = folder.path() / "m.exr";
    // Each channel holds its own number, a tenth of it.
    REQUIRE(write_frame(path,
                        make_frame(4,
                                   4,
                                   names,
                                   SampleFormat::kFloat,
                                   [](int, int, int c) { return static_cast<float>(c) / 10.0F; }),
                        {.overwrite = Overwrite::kAllow}));
    const auto file = read_st_map(path, {.channels = std::move(channels)});
    if (!file) return file.error().message;
    return fmt::format(
        "{:.0f},{:.0f}", 10 * file->map.st.at(1, 1, 0), 10 * file->map.st.at(1, 1, 1));
  };
  CHECK(read({"B", "G", "R"}, "") == "2,1");
  CHECK(read({"Z", "warp.x", "warp.y"}, "warp") == "1,2");
  CHECK(read({"warp.B", "warp.G", "warp.R"}, "warp") == "2,1");
  CHECK(read({"U", "V"}, "V,U") == "1,0");
  CHECK(read({"m.u", "m.v"}, "m.u, m.v") == "0,1");
  CHECK(read({"m.one", "m.two"}, "m") == "0,1");
  CHECK(read({"R", "G", "a.b.S", "a.b.T"}, "a.b") == "2,3");
  CHECK(read({"m.u", "m.v"}, "").find("there are m.u, m.v. --map-channels") != std::string::npos);
  CHECK(read({"R", "G"}, "warp").find("no channels 'warp'") != std::string::npos);
  CHECK(read({"R", "G"}, "R,R").find("both be R") != std::string::npos);
  CHECK(read({"m.a", "m.b", "m.c"}, "m").find("no channels 'm'") != std::string::npos);
}

TEST_CASE("s and t in a further part of a file") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "parts.exr";
  footage::Frame frame =
      make_frame(8, 8, {"R", "G"}, SampleFormat::kFloat, [](int, int, int) { return 0.25F; });
  frame.name = "beauty";
  footage::Frame second = make_frame(8, 8, {"x", "y"}, SampleFormat::kFloat, [](int, int, int c) {
    return c == 0 ? 0.5F : 0.75F;
  });
  second.name = "lens";
  frame.further_parts.push_back(std::move(static_cast<footage::Part&>(second)));
  REQUIRE(write_frame(path, frame));
  for (const char* name : {"lens", "lens.x,lens.y", "x,y"}) {
    CAPTURE(name);
    const auto file = read_st_map(path, {.channels = name});
    REQUIRE(file);
    CHECK(file->map.st.at(3, 3, 0) == 0.5F);
    CHECK(file->map.st.at(3, 3, 1) == 0.75F);
  }
  CHECK(read_st_map(path)->map.st.at(3, 3, 0) == 0.25F);
}

TEST_CASE("a map that counts pixels is doubted") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "pixels.exr";
  REQUIRE(write_frame(path,
                      make_frame(64, 36, {"R", "G"}, SampleFormat::kFloat, [](int x, int y, int c) {
                        return static_cast<float>(c == 0 ? x : y) + 0.5F;
                      })));
  const auto file = read_st_map(path);
  REQUIRE(file);
  REQUIRE(file->warnings.size() == 2);
  CHECK(file->warnings[1].code == "not-normalised");
  CHECK(file->warnings[1].value > 0.9);
}

TEST_CASE("a half map is read, with what its rounding costs") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "half.exr";
  constexpr int kSize = 500;
  const auto ramp = [](int x, int y, int c) {
    return (static_cast<float>(c == 0 ? x : y) + 0.5F) / kSize;
  };
  REQUIRE(write_frame(path, make_frame(kSize, kSize, {"R", "G"}, SampleFormat::kHalf, ramp)));
  const auto file = read_st_map(path);
  REQUIRE(file);
  double worst_px = 0.0;
  for (int y = 0; y < kSize; ++y) {
    for (int x = 0; x < kSize; ++x) {
      worst_px = std::max<double>(worst_px,
                                  std::hypot(kSize * (file->map.st.at(x, y, 0) - ramp(x, y, 0)),
                                             kSize * (file->map.st.at(x, y, 1) - ramp(x, y, 1))));
    }
  }
  const auto warning = std::find_if(file->warnings.begin(),
                                    file->warnings.end(),
                                    [](const Warning& w) { return w.code == "half-map"; });
  REQUIRE(warning != file->warnings.end());
  // Between 0.5 and 1 halves are 2^-11 apart, so each axis is off by up to half of that.
  CHECK(warning->value == doctest::Approx(std::sqrt(2.0) * kSize / 4096));
  CHECK(worst_px <= warning->value);
  CHECK(worst_px > 0.5 * warning->value);
}

TEST_CASE("other channels and other pictures are refused") {
  const ScratchFolder folder;
  const auto refused = [&](const char* name,
                           const std::vector<std::string>& names,
                           SampleFormat format,
                           std::string_view part) {
    const fs::path path = folder.path() / name;
    REQUIRE(write_frame(path, make_frame(8, 8, names, format, [](int, int, int) { return 0.5F; })));
    const auto file = read_st_map(path);
    REQUIRE(!file);
    CAPTURE(file.error().message);
    CHECK(file.error().code == ErrorCode::kUnsupported);
    CHECK(file.error().message.find(part) != std::string::npos);
  };
  refused("ids.exr", {"R", "G"}, SampleFormat::kUint32, "integers");
  refused("uv.exr", {"u", "v"}, SampleFormat::kFloat, "no channels R and G");
  refused("r.exr", {"R"}, SampleFormat::kFloat, "no channels R and G");
  refused("x.tif", {"R", "G", "B"}, SampleFormat::kFloat, "TIFF");
  CHECK(read_st_map(folder.path() / "gone.exr").error().code == ErrorCode::kNotFound);
}

TEST_CASE("attributes that make no sense are refused, later versions too") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "map.exr";
  const auto refused = [&](ErrorCode code, const std::function<void()>& spoil) {
    REQUIRE(write_st_map(path, make_map(), {.overwrite = Overwrite::kAllow}));
    spoil();
    const auto file = read_st_map(path);
    REQUIRE(!file);
    CAPTURE(file.error().message);
    CHECK(file.error().code == code);
    CHECK(file.error().message.find("map.exr") != std::string::npos);
  };
  using namespace std::string_literals;
  refused(ErrorCode::kUnreadable, [&] { replace_in(path, "top-left", "top-lift"); });
  // The comments come first in the file and hold the word too.
  refused(ErrorCode::kUnreadable, [&] {
    replace_in(path, "string\0\x09\0\0\0redistort"s, "string\0\x09\0\0\0redistord"s);
  });
  refused(ErrorCode::kUnreadable,
          [&] { replace_in(path, "trueplateTOrigin", "trueplateTOrigan"); });
  refused(ErrorCode::kUnreadable,
          [&] { replace_in(path, "trueplateSourceDisplay", "trueplateSourceDisplax"); });
  const std::string version = "trueplateMapVersion\0int\0\4\0\0\0"s;
  refused(ErrorCode::kUnsupported,
          [&] { replace_in(path, version + "\1\0\0\0"s, version + "\2\0\0\0"s); });
  refused(ErrorCode::kUnreadable,
          [&] { replace_in(path, version + "\1\0\0\0"s, version + "\0\0\0\0"s); });
  refused(ErrorCode::kUnreadable, [&] {
    replace_in(path,
               "trueplatePixelCenter\0float\0\4\0\0\0\0\0\0\x3f"s,
               "trueplatePixelCenter\0float\0\4\0\0\0\0\0\0\0"s);
  });
  refused(ErrorCode::kUnreadable, [&] {
    const std::string bytes = content_of(path);
    std::ofstream(path, std::ios::binary) << bytes.substr(0, bytes.size() / 2);
  });
}

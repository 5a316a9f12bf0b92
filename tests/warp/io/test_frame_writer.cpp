#include "warp/io/frame_writer.h"

#include <OpenEXR/ImfArray.h>
#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfChromaticitiesAttribute.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfMatrixAttribute.h>
#include <OpenEXR/ImfOpaqueAttribute.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfRationalAttribute.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <OpenEXR/ImfTimeCodeAttribute.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>
#include <sys/resource.h>

#include <bit>
#include <cmath>
#include <csignal>
#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <limits>
#include <string>
#include <vector>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::footage::Alpha;
using trueplate::footage::Frame;
using trueplate::footage::read_frame;
using trueplate::footage::SampleFormat;
using trueplate::tests::make_frame;
using trueplate::tests::make_plate;
using trueplate::tests::ScratchFolder;
using trueplate::tests::value_of_code;

namespace {

namespace fs = std::filesystem;
using Names = std::vector<std::string>;

bool same_bits(const Image<float>& a, const Image<float>& b) {
  if (a.size() != b.size() || a.width() != b.width()) return false;
  for (std::size_t i = 0; i < a.size(); ++i) {
    if (std::bit_cast<std::uint32_t>(a.data()[i]) != std::bit_cast<std::uint32_t>(b.data()[i])) {
      return false;
    }
  }
  return true;
}

Names codes_of(const std::vector<Warning>& warnings) {
  Names codes;
  for (const Warning& warning : warnings) codes.push_back(warning.code);
  return codes;
}

double value_of(const std::vector<Warning>& warnings, std::string_view code) {
  for (const Warning& warning : warnings) {
    if (warning.code == code) return warning.value;
  }
  return -1.0;
}

std::string content_of(const fs::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

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

TEST_CASE("windows of every relation survive in EXR") {
  const ScratchFolder folder;
  for (const FrameWindows& windows : {FrameWindows{{0, 0, 64, 48}, {0, 0, 64, 48}},
                                      FrameWindows{{0, 0, 64, 48}, {-8, -5, 80, 60}},
                                      FrameWindows{{0, 0, 64, 48}, {10, 12, 20, 15}},
                                      FrameWindows{{0, 0, 64, 48}, {100, 200, 20, 15}},
                                      FrameWindows{{100, 50, 64, 48}, {90, -45, 80, 260}},
                                      FrameWindows{{-10, -20, 64, 48}, {-10, -20, 1, 1}},
                                      FrameWindows{{0, 0, 1, 1}, {-1000000, 1000000, 3, 2}}}) {
    CAPTURE(windows.data.x);
    Frame frame = make_plate(windows.data.width, windows.data.height, SampleFormat::kHalf);
    frame.windows = windows;
    frame.pixel_aspect = 2.0;
    const fs::path path = folder.path() / "windows.exr";
    const auto warnings = write_frame(path, frame, {.overwrite = Overwrite::kAllow});
    REQUIRE(warnings);
    CHECK(warnings->empty());
    const auto again = read_frame(path);
    REQUIRE(again);
    CHECK(again->windows == windows);
    CHECK(again->pixel_aspect == 2.0);
    CHECK(same_bits(again->pixels, frame.pixels));
    const auto input = OIIO::ImageInput::open(path.string());
    REQUIRE(input);
    CHECK(input->spec().x == windows.data.x);
    CHECK(input->spec().y == windows.data.y);
    CHECK(input->spec().full_x == windows.display.x);
    CHECK(input->spec().full_width == windows.display.width);
    CHECK(input->spec().full_height == windows.display.height);
  }
}

TEST_CASE("formats without a data window get the display window, cut and padded") {
  const ScratchFolder folder;
  for (const char* name : {"w.png", "w.tif", "w.dpx"}) {
    CAPTURE(name);
    // Columns 6..25 and rows -3..6 of a display window of 20x10 that begins at (10, 0).
    Frame frame = make_frame(20, 10, {"R", "G", "B"}, SampleFormat::kUint16, [](int x, int y, int) {
      return value_of_code(1000 + 100 * y + x, 16);
    });
    frame.windows = {{10, 0, 20, 10}, {6, -3, 20, 10}};
    const auto warnings = write_frame(folder.path() / name, frame);
    REQUIRE(warnings);
    CHECK(codes_of(*warnings) == Names{"cropped"});
    CHECK(value_of(*warnings, "cropped") == 200 - 16 * 7);
    const auto again = read_frame(folder.path() / name);
    REQUIRE(again);
    REQUIRE(again->windows == FrameWindows{{0, 0, 20, 10}, {0, 0, 20, 10}});
    int num_wrong = 0;
    for (int y = 0; y < 10; ++y) {
      for (int x = 0; x < 20; ++x) {
        const bool inside = x < 16 && y < 7;
        const float wanted = inside ? value_of_code(1000 + 100 * (y + 3) + x + 4, 16) : 0.0F;
        num_wrong += again->pixels.at(x, y, 1) == wanted ? 0 : 1;
      }
    }
    CHECK(num_wrong == 0);
  }
  Frame apart = make_plate(8, 8, SampleFormat::kUint8);
  apart.windows = {{0, 0, 16, 4}, {1000000000, -1000000000, 8, 8}};
  const auto warnings = write_frame(folder.path() / "apart.png", apart);
  REQUIRE(warnings);
  CHECK(value_of(*warnings, "cropped") == 64);
  CHECK(read_frame(folder.path() / "apart.png")->pixels.at(15, 3, 3) == 0.0F);
}

TEST_CASE("pixel aspect survives in every format") {
  const ScratchFolder folder;
  for (const char* name : {"a.exr", "a.dpx", "a.tif", "a.png", "a.jpg"}) {
    for (const double aspect : {1.0, 2.0, 0.5, 1.4583, 1.0}) {
      CAPTURE(std::string(name));
      Frame frame = make_frame(
          16, 16, {"R", "G", "B"}, SampleFormat::kUint8, [](int, int, int) { return 0.5F; });
      frame.pixel_aspect = aspect;
      REQUIRE(write_frame(folder.path() / name, frame, {.overwrite = Overwrite::kAllow}));
      CHECK(read_frame(folder.path() / name)->pixel_aspect ==
            doctest::Approx(aspect).epsilon(1e-4));
    }
  }
}

TEST_CASE("an EXR header passes through whole, attributes of unknown types included") {
  const ScratchFolder folder;
  const fs::path in = folder.path() / "in.exr";
  const fs::path out = folder.path() / "out.exr";
  {
    Imf::Header header(16, 12);
    header.compression() = Imf::PIZ_COMPRESSION;
    header.screenWindowWidth() = 1.5F;
    header.screenWindowCenter() = {0.25F, -0.5F};
    header.channels().insert("R", Imf::Channel(Imf::HALF));
    header.channels().insert("Z", Imf::Channel(Imf::FLOAT, 1, 1, true));
    Imf::addTimeCode(header, Imf::TimeCode(10, 11, 12, 13, true));
    Imf::addFramesPerSecond(header, Imf::Rational(24000, 1001));
    Imf::addChromaticities(
        header,
        Imf::Chromaticities(
            {0.7347F, 0.2653F}, {0.0F, 1.0F}, {1e-4F, -0.077F}, {0.32168F, 0.33767F}));
    Imf::addOwner(header, "somebody");
    Imf::addCapDate(header, "2026:01:02 03:04:05");
    Imf::addIsoSpeed(header, 800.0F);
    Imf::addFocus(header, 2.5F);
    Imf::addEnvmap(header, Imf::ENVMAP_LATLONG);
    header.insert("cameraSerial", Imf::StringAttribute("A-123"));
    header.insert("lens:breath", Imf::FloatAttribute(0.125F));
    header.insert(
        "worldToCamera",
        Imf::M44fAttribute(Imath::M44f(1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16)));
    Imf::OutputFile file(in.c_str(), header);
    std::vector<float> pixels(16 * 12, 0.5F);
    std::vector<half> halves(16 * 12, half(0.5F));
    Imf::FrameBuffer buffer;
    buffer.insert("R", Imf::Slice(Imf::HALF, reinterpret_cast<char*>(halves.data()), 2, 32));
    buffer.insert("Z", Imf::Slice(Imf::FLOAT, reinterpret_cast<char*>(pixels.data()), 4, 64));
    file.setFrameBuffer(buffer);
    file.writePixels(12);
  }
  // An attribute of a type the library does not know: the type name of one is changed in place.
  std::string bytes = content_of(in);
  const std::size_t place = bytes.find("cameraSerial");
  REQUIRE(place != std::string::npos);
  REQUIRE(bytes.compare(place + 13, 6, "string") == 0);
  bytes.replace(place + 13, 6, "strung");
  std::ofstream(in, std::ios::binary) << bytes;

  const auto frame = read_frame(in);
  REQUIRE(frame);
  REQUIRE(write_frame(out, *frame));
  const Imf::InputFile before(in.c_str());
  const Imf::InputFile after(out.c_str());
  int num_attributes = 0;
  for (auto entry = before.header().begin(); entry != before.header().end(); ++entry) {
    ++num_attributes;
    CAPTURE(entry.name());
    const auto found = after.header().find(entry.name());
    REQUIRE(found != after.header().end());
    CHECK(std::string(found.attribute().typeName()) == entry.attribute().typeName());
  }
  CHECK(num_attributes >= 19);
  const Imf::Header& header = after.header();
  CHECK(header.compression() == Imf::PIZ_COMPRESSION);
  CHECK(header.screenWindowWidth() == 1.5F);
  CHECK(header.screenWindowCenter() == Imath::V2f(0.25F, -0.5F));
  CHECK(header.channels()["Z"].pLinear);
  CHECK(Imf::timeCode(header).frame() == 13);
  CHECK(Imf::timeCode(header).dropFrame());
  CHECK(Imf::framesPerSecond(header).n == 24000);
  CHECK(Imf::chromaticities(header).blue == Imath::V2f(1e-4F, -0.077F));
  CHECK(Imf::owner(header) == "somebody");
  CHECK(Imf::isoSpeed(header) == 800.0F);
  CHECK(header.typedAttribute<Imf::FloatAttribute>("lens:breath").value() == 0.125F);
  CHECK(header.typedAttribute<Imf::M44fAttribute>("worldToCamera").value()[3][2] == 15.0F);
  // Type and payload of the unknown attribute, as they lie in the file.
  CHECK(content_of(out).find(std::string("cameraSerial\0strung\0\5\0\0\0A-123", 29)) !=
        std::string::npos);
}

TEST_CASE("camera data crosses between formats") {
  const ScratchFolder folder;
  const fs::path jpeg = folder.path() / "photo.jpg";
  {
    OIIO::ImageSpec spec(32, 16, 3, OIIO::TypeUInt8);
    spec.attribute("Make", "Maker");
    spec.attribute("ExposureTime", 0.02F);
    spec.attribute("FNumber", 2.8F);
    spec.attribute("Exif:FocalLength", 35.0F);
    spec.attribute("Orientation", 6);
    spec.attribute("DateTime", "2026:01:02 03:04:05");
    const std::vector<unsigned char> pixels(32 * 16 * 3, 100);
    const auto output = OIIO::ImageOutput::create("jpeg");
    REQUIRE(output->open(jpeg.string(), spec));
    REQUIRE(output->write_image(OIIO::TypeUInt8, pixels.data()));
    REQUIRE(output->close());
  }
  const auto photo = read_frame(jpeg);
  REQUIRE(photo);
  CHECK(codes_of(photo->warnings) == Names{"exif-orientation"});
  CHECK(value_of(photo->warnings, "exif-orientation") == 6.0);
  CHECK(photo->windows.display == Window{0, 0, 32, 16});
  const auto attributes_of = [](const fs::path& path) {
    const auto input = OIIO::ImageInput::open(path.string());
    REQUIRE(input);
    return input->spec();
  };
  for (const char* name : {"p.exr", "p.tif", "p.jpg"}) {
    CAPTURE(name);
    REQUIRE(write_frame(folder.path() / name, *photo));
    const OIIO::ImageSpec spec = attributes_of(folder.path() / name);
    CHECK(spec.get_string_attribute("Make") == "Maker");
    CHECK(spec.get_float_attribute("ExposureTime") == doctest::Approx(0.02));
    CHECK(spec.get_float_attribute("FNumber") == doctest::Approx(2.8));
    CHECK(spec.get_float_attribute("Exif:FocalLength") == doctest::Approx(35.0));
    CHECK(spec.get_int_attribute("Orientation") == 6);
  }
  // And on, from the EXR: its header comes from another library here.
  const auto exr = read_frame(folder.path() / "p.exr");
  REQUIRE(exr);
  for (const char* name : {"q.tif", "q.jpg"}) {
    CAPTURE(name);
    REQUIRE(write_frame(folder.path() / name, *exr));
    const OIIO::ImageSpec spec = attributes_of(folder.path() / name);
    CHECK(spec.get_string_attribute("Make") == "Maker");
    CHECK(spec.get_float_attribute("FNumber") == doctest::Approx(2.8));
  }
}

TEST_CASE("a DPX keeps its time code and film data") {
  const ScratchFolder folder;
  const fs::path in = folder.path() / "in.dpx";
  {
    OIIO::ImageSpec spec(30, 10, 3, OIIO::TypeUInt16);
    spec.attribute("oiio:BitsPerSample", 10);
    spec.attribute("dpx:TimeCode", "01:02:03:04");
    spec.attribute("dpx:FrameRate", 24.0F);
    spec.attribute("dpx:FramePosition", 17);
    spec.attribute("DocumentName", "scan");
    const std::vector<unsigned short> pixels(30 * 10 * 3, 640);
    const auto output = OIIO::ImageOutput::create("dpx");
    REQUIRE(output->open(in.string(), spec));
    REQUIRE(output->write_image(OIIO::TypeUInt16, pixels.data()));
    REQUIRE(output->close());
  }
  const auto frame = read_frame(in);
  REQUIRE(frame);
  CHECK(frame->channels[0].format == SampleFormat::kUint10);
  CHECK(frame->pixels.at(0, 0, 0) == value_of_code(10, 10));
  REQUIRE(write_frame(folder.path() / "out.dpx", *frame));
  const auto input = OIIO::ImageInput::open((folder.path() / "out.dpx").string());
  REQUIRE(input);
  CHECK(input->spec().get_string_attribute("dpx:TimeCode") == "01:02:03:04");
  CHECK(input->spec().get_float_attribute("dpx:FrameRate") == 24.0F);
  CHECK(input->spec().get_int_attribute("dpx:FramePosition") == 17);
  CHECK(input->spec().get_string_attribute("DocumentName") == "scan");
  CHECK(input->spec().get_int_attribute("oiio:BitsPerSample") == 10);
}

TEST_CASE("what a format cannot hold is told, with the number") {
  const ScratchFolder folder;
  Frame frame = make_plate(16, 8, SampleFormat::kHalf);
  frame.pixels.at(0, 0, 0) = -0.5F;
  frame.pixels.at(1, 0, 0) = 7.0F;
  frame.pixels.at(2, 0, 0) = std::numeric_limits<float>::quiet_NaN();
  const auto png = write_frame(folder.path() / "x.png", frame);
  REQUIRE(png);
  CHECK(codes_of(*png) == Names{"sample-format", "clipped", "nan", "alpha-association"});
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

TEST_CASE("alpha is neither multiplied in nor divided out") {
  const ScratchFolder folder;
  const Frame frame =
      make_frame(8, 8, {"R", "G", "B", "A"}, SampleFormat::kUint16, [](int x, int y, int c) {
        return c == 3 ? value_of_code(8 * y + x, 16) : value_of_code(40000 + c, 16);
      });
  for (const char* name : {"a.png", "a.tif"}) {
    for (const Alpha alpha : {Alpha::kAssociated, Alpha::kUnassociated}) {
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

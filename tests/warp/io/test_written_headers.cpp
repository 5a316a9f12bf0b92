// What is written beside the samples: windows, aspect, metadata.

#include "warp/io/frame_writer.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfChromaticitiesAttribute.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfMatrixAttribute.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfRationalAttribute.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <OpenEXR/ImfTimeCodeAttribute.h>
#include <OpenImageIO/imageio.h>
#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "tests/warp/io/written_frames.h"

using namespace trueplate;
using namespace trueplate::warp;
using namespace trueplate::tests;
using trueplate::footage::Frame;
using trueplate::footage::read_frame;
using trueplate::footage::SampleFormat;

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

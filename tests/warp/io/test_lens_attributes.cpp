// Names, types and units are those of ImfStandardAttributes.h of OpenEXR 3.2 (lengths in mm, focus
// in m); the library of 3.1 holds them as ordinary attributes.

#include "warp/io/lens_attributes.h"

#include <OpenEXR/ImfFloatAttribute.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfStandardAttributes.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <limits>
#include <string>

#include "calib/footage/detail/metadata.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"
#include "warp/io/st_map_file.h"

using namespace trueplate;
using namespace trueplate::warp;
namespace fs = std::filesystem;

namespace {

const LensAttributes kKnown{.nominal_focal_mm = 50.0,
                            .pinhole_focal_mm = 49.8234567,
                            .focus_m = 2.4,
                            .t_stop = 2.8,
                            .entrance_pupil_mm = 123.5,
                            .camera_model = "Box camera",
                            .lens_model = "Wren 50",
                            .lens_serial = "0042"};

footage::Frame grey_frame(const Imf::Header* header) {
  footage::Frame frame;
  frame.pixels = Image<float>(8, 6, 1);
  frame.pixels.fill(0.5F);
  const Window window{.width = 8, .height = 6};
  frame.windows = {window, window};
  frame.channels = {{"Y", footage::SampleFormat::kHalf}};
  if (header != nullptr) {
    frame.metadata = std::make_shared<const footage::Metadata>(
        footage::Metadata{footage::detail::FileKind::kExr, *header});
  }
  return frame;
}

float number(const Imf::Header& header, const char* name) {
  return header.typedAttribute<Imf::FloatAttribute>(name).value();
}
std::string text(const Imf::Header& header, const char* name) {
  return header.typedAttribute<Imf::StringAttribute>(name).value();
}

int num_attributes(const Imf::Header& header) {
  int count = 0;
  for (auto i = header.begin(); i != header.end(); ++i) ++count;
  return count;
}

void check_known(const Imf::Header& header) {
  CHECK(number(header, "nominalFocalLength") == 50.0F);
  CHECK(number(header, "pinholeFocalLength") == 49.8234567F);
  CHECK(number(header, "focus") == 2.4F);
  CHECK(number(header, "tStop") == 2.8F);
  CHECK(number(header, "entrancePupilOffset") == 123.5F);
  CHECK(text(header, "cameraModel") == "Box camera");
  CHECK(text(header, "lensModel") == "Wren 50");
  CHECK(text(header, "lensSerialNumber") == "0042");
}

}  // namespace

TEST_CASE("what is known is in the file, beside what was there") {
  const tests::ScratchFolder folder;
  const fs::path path = folder.path() / "out.exr";
  Imf::Header before;
  Imf::addTimeCode(before, Imf::TimeCode(10, 11, 12, 13));
  Imf::addExpTime(before, 0.02F);
  footage::Frame frame = grey_frame(&before);
  add_lens_attributes(frame, kKnown);
  CHECK(frame.warnings.empty());
  REQUIRE(write_frame(path, frame));
  const Imf::InputFile file(path.c_str());
  check_known(file.header());
  CHECK(Imf::focus(file.header()) == 2.4F);
  CHECK(Imf::timeCode(file.header()).frame() == 13);
  CHECK(Imf::expTime(file.header()) == 0.02F);

  // What went through once is not doubted the second time.
  auto again = footage::read_frame(path);
  REQUIRE(again);
  add_lens_attributes(*again, kKnown);
  CHECK(again->warnings.empty());
}

TEST_CASE("the header wins, and that is said") {
  Imf::Header before;
  Imf::addFocus(before, 3.5F);
  before.insert("tStop", Imf::StringAttribute("T2.8"));
  before.insert("lensModel", Imf::StringAttribute("Heron 25"));
  before.insert("lensSerialNumber", Imf::StringAttribute("0042"));
  footage::Frame frame = grey_frame(&before);
  frame.pixel_aspect = 2.0;
  add_lens_attributes(frame, kKnown);
  REQUIRE(frame.warnings.size() == 1);
  const Warning& warning = frame.warnings.front();
  CHECK(warning.code == "header-differs");
  CHECK(warning.value == 4.0);
  for (const char* word :
       {"focus is 3.5", "2.4", "tStop is no number", "Heron 25", "Wren 50", "pixel aspect is 2"}) {
    CAPTURE(word);
    CHECK(warning.message.find(word) != std::string::npos);
  }
  const Imf::Header after = footage::detail::exr_header_of(frame.metadata.get());
  CHECK(Imf::focus(after) == 3.5F);
  CHECK(text(after, "tStop") == "T2.8");
  CHECK(text(after, "lensModel") == "Heron 25");
  CHECK(number(after, "nominalFocalLength") == 50.0F);
}

TEST_CASE("nothing known adds nothing; infinity and odd text are written as they can be") {
  footage::Frame frame = grey_frame(nullptr);
  add_lens_attributes(frame, {});
  CHECK(frame.warnings.empty());
  CHECK(num_attributes(footage::detail::exr_header_of(frame.metadata.get())) ==
        num_attributes(Imf::Header()));

  add_lens_attributes(frame,
                      {.focus_m = std::numeric_limits<double>::infinity(),
                       .lens_model = std::string("a\nb\0c", 5).append(5000, 'x')});
  const Imf::Header header = footage::detail::exr_header_of(frame.metadata.get());
  CHECK(std::isinf(Imf::focus(header)));
  CHECK(text(header, "lensModel").size() <= 1010);
  CHECK(text(header, "lensModel").find('\n') == std::string::npos);
}

TEST_CASE("other formats' frames and maps carry them into EXR") {
  const tests::ScratchFolder folder;
  footage::Frame frame = grey_frame(nullptr);
  frame.channels.front().format = footage::SampleFormat::kUint16;
  REQUIRE(write_frame(folder.path() / "in.png", frame));
  auto png = footage::read_frame(folder.path() / "in.png");
  REQUIRE(png);
  add_lens_attributes(*png, kKnown);
  REQUIRE(write_frame(folder.path() / "out.exr", *png));
  check_known(Imf::InputFile((folder.path() / "out.exr").c_str()).header());

  lens::Lens lens;
  lens.plate_size = {8, 6};
  lens.focal_px = {9.0, 9.0};
  lens.principal_point_px = {4.0, 3.0};
  const auto map = make_undistort_map(lens);
  REQUIRE(map);
  REQUIRE(write_st_map(folder.path() / "map.exr", *map, {.lens = kKnown}));
  check_known(Imf::InputFile((folder.path() / "map.exr").c_str()).header());
}

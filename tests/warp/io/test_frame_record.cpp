#include "warp/io/frame_record.h"

#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <doctest/doctest.h>

#include <chrono>
#include <fstream>
#include <iterator>
#include <string>
#include <thread>
#include <vector>

#include "calib/footage/content_digest.h"
#include "tests/support/test_data.h"
#include "tests/warp/io/frame_samples.h"
#include "warp/io/detail/exr_attribute.h"
#include "warp/io/frame_writer.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::footage::SampleFormat;
using trueplate::tests::make_plate;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

const Recipe kRecipe = {footage::digest_of_text("lens"), footage::digest_of_text("plate")};

fs::path write(const fs::path& path, const Recipe& recipe = kRecipe) {
  const footage::Frame plate = make_plate(40, 20, SampleFormat::kUint8);
  REQUIRE(write_frame(path, plate, {.overwrite = Overwrite::kAllow, .recipe = recipe}));
  return path;
}

std::string bytes_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

void put_bytes(const fs::path& path, const std::string& bytes) {
  std::ofstream(path, std::ios::binary) << bytes;
}

void put_byte(const fs::path& path, std::size_t at, char byte) {
  std::fstream file(path, std::ios::binary | std::ios::in | std::ios::out);
  file.seekp(static_cast<std::streamoff>(at)).put(byte);
}

}  // namespace

TEST_CASE("a frame tells what it was made from, in every format") {
  const ScratchFolder folder;
  for (const char* name : {"a.exr", "a.dpx", "a.tif", "a.png", "a.jpg", "B.EXR"}) {
    const fs::path path = folder.path() / name;
    CAPTURE(name);
    CHECK(match_frame(path, kRecipe) == FrameMatch::kAbsent);
    CHECK(match_settings(path, kRecipe.settings) == FrameMatch::kAbsent);
    write(path);
    CHECK(match_frame(path, kRecipe) == FrameMatch::kComplete);
    CHECK(match_settings(path, kRecipe.settings) == FrameMatch::kComplete);
    const std::string other = footage::digest_of_text("other");
    CHECK(match_frame(path, {other, kRecipe.source}) == FrameMatch::kOtherSettings);
    CHECK(match_settings(path, other) == FrameMatch::kOtherSettings);
    CHECK(match_frame(path, {kRecipe.settings, other}) == FrameMatch::kOtherSource);
    // Another recipe is told at once.
    write(path, {other, other});
    CHECK(match_frame(path, kRecipe) == FrameMatch::kOtherSettings);
    CHECK(match_frame(path, {other, other}) == FrameMatch::kComplete);
  }
}

TEST_CASE("the same frame made a second later is the same file, bit for bit") {
  const ScratchFolder folder;
  const std::vector<std::string> names = {"a.exr", "a.dpx", "a.tif", "a.png", "a.jpg"};
  std::vector<std::string> before;
  for (const std::string& name : names) before.push_back(bytes_of(write(folder.path() / name)));
  std::this_thread::sleep_for(std::chrono::milliseconds(1100));  // dates in files count seconds
  for (std::size_t i = 0; i < names.size(); ++i) {
    CAPTURE(names[i]);
    CHECK((bytes_of(write(folder.path() / names[i])) == before[i]));
  }
}

TEST_CASE("any byte that changes, and any end that is missing, is noticed") {
  const ScratchFolder folder;
  for (const char* name : {"a.exr", "a.dpx"}) {
    const fs::path path = write(folder.path() / name);
    const std::string whole = bytes_of(path);
    int num_complete = 0;
    // In place: a file system may flush a file that is cut to nothing and written again.
    for (std::size_t i = 0; i < whole.size(); i += 7) {
      put_byte(path, i, static_cast<char>(whole[i] ^ 1));
      num_complete += match_frame(path, kRecipe) == FrameMatch::kComplete ? 1 : 0;
      put_byte(path, i, whole[i]);
    }
    CHECK(match_frame(path, kRecipe) == FrameMatch::kComplete);
    for (std::size_t size = whole.size(); size > 40; size -= 31) {
      fs::resize_file(path, size - 1);
      num_complete += match_frame(path, kRecipe) == FrameMatch::kComplete ? 1 : 0;
    }
    CHECK(num_complete == 0);
    put_bytes(path, whole + "x");
    CHECK(match_frame(path, kRecipe) == FrameMatch::kChanged);
    put_bytes(path, whole);
    CHECK(match_frame(path, kRecipe) == FrameMatch::kComplete);
  }
}

TEST_CASE("OpenEXR reads the record, and a picture made by another program that kept it is told") {
  const ScratchFolder folder;
  const fs::path path = write(folder.path() / "a.exr");
  const Imf::InputFile file(path.c_str());
  const auto* record = file.header().findTypedAttribute<Imf::StringAttribute>("trueplateRecord");
  REQUIRE(record != nullptr);
  CHECK(record->value().substr(0, 67) == "1 " + kRecipe.settings + " " + kRecipe.source);
  const fs::path copy = folder.path() / "copy.exr";
  {
    Imf::OutputFile output(copy.c_str(), file.header());
    Imf::InputFile again(path.c_str());
    output.copyPixels(again);
  }
  CHECK(match_settings(copy, kRecipe.settings) == FrameMatch::kComplete);
  // The library writes the same bytes, but for its own mark where the pixels are.
  CHECK((bytes_of(copy) == bytes_of(path)) ==
        (match_frame(copy, kRecipe) == FrameMatch::kComplete));
}

TEST_CASE("what is read from a frame with a record does not hand it on") {
  const ScratchFolder folder;
  const auto frame = footage::read_frame(write(folder.path() / "a.exr"));
  REQUIRE(frame);
  for (const char* name : {"b.exr", "b.dpx", "b.tif", "b.png"}) {
    const fs::path path = folder.path() / name;
    CAPTURE(name);
    REQUIRE(write_frame(path, *frame));
    CHECK(match_settings(path, kRecipe.settings) == FrameMatch::kNoRecord);
    CHECK(bytes_of(path).find(kRecipe.settings) == std::string::npos);
  }
}

TEST_CASE("hostile records and headers are no records") {
  const ScratchFolder folder;
  const fs::path path = write(folder.path() / "a.exr");
  const std::string whole = bytes_of(path);
  const auto located = detail::find_text_attribute(path, "trueplateRecord", 1000);
  REQUIRE(located);
  CHECK(whole.substr(located->begin, 100) == located->text);
  const auto with = [&](std::size_t at, const std::string& bytes) {
    std::string changed = whole;
    changed.replace(at, bytes.size(), bytes);
    put_bytes(path, changed);
    return match_settings(path, kRecipe.settings);
  };
  CHECK(with(located->begin, "2") == FrameMatch::kNoRecord);
  CHECK(with(located->begin + 40, "G") == FrameMatch::kNoRecord);
  CHECK(with(located->begin + 34, "_") == FrameMatch::kNoRecord);
  for (const char* size : {"\xff\xff\xff\xff", "\xff\xff\xff\x7f", "\x65\1\1\1"}) {
    CHECK(with(located->begin - 4, size) == FrameMatch::kNoRecord);
  }
  // Every attribute's size, made as large as can be.
  CHECK(with(8 + sizeof("channels") + sizeof("chlist"), "\xff\xff\xff\xff") ==
        FrameMatch::kNoRecord);
  CHECK(with(0, "none") == FrameMatch::kNoRecord);
  for (const std::string& text : {std::string(),
                                  std::string("\x76\x2f\x31\x01", 4),
                                  std::string("\x76\x2f\x31\x01\2\0\0\0", 8).append(300, 'n'),
                                  std::string("\x76\x2f\x31\x01\2\0\0\0", 8) + "name"}) {
    put_bytes(path, text);
    CHECK(match_frame(path, kRecipe) == FrameMatch::kNoRecord);
  }
  fs::remove(path);
  fs::create_directory(path);
  CHECK(match_frame(path, kRecipe) == FrameMatch::kNoRecord);

  const fs::path other = write(folder.path() / "a.dpx");
  const std::string record = bytes_of(record_path(other));
  for (const std::string& text :
       {std::string(), record.substr(1), record + record, std::string(1000, '0')}) {
    put_bytes(record_path(other), text);
    CHECK(match_frame(other, kRecipe) == FrameMatch::kNoRecord);
  }
  CHECK(write_record(folder.path() / "a.dpx", folder.path() / "a.exr", kRecipe).error().code ==
        ErrorCode::kInvalidInput);
}

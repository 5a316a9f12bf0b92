#include "calib/footage/frame_set.h"

#include <doctest/doctest.h>

#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

/// A folder with empty files of these names.
class Folder {
 public:
  explicit Folder(const std::vector<std::string>& names) {
    for (const std::string& name : names) {
      fs::create_directories((scratch_.path() / name).parent_path());
      std::ofstream(scratch_.path() / name).put('x');
    }
  }
  [[nodiscard]] std::string operator/(const std::string& name) const {
    return (scratch_.path() / name).string();
  }
  [[nodiscard]] std::string path() const { return scratch_.path().string(); }

 private:
  ScratchFolder scratch_;
};

std::vector<std::string> names_of(const std::vector<FrameRef>& frames) {
  std::vector<std::string> names;
  for (const FrameRef& frame : frames) names.push_back(frame.path.filename().string());
  return names;
}

std::vector<int> numbers_of(const std::vector<FrameRef>& frames) {
  std::vector<int> numbers;
  for (const FrameRef& frame : frames) numbers.push_back(frame.number.value_or(-1));
  return numbers;
}

Result<FrameSet> resolve(std::vector<std::string> arguments, std::string_view range = {}) {
  return resolve_frames(arguments, range);
}

using Names = std::vector<std::string>;
using Numbers = std::vector<int>;

void check_error(const Result<FrameSet>& result, ErrorCode code, std::string_view part) {
  REQUIRE(!result);
  CAPTURE(result.error().message);
  CHECK(result.error().code == code);
  CHECK(result.error().message.find(part) != std::string::npos);
  CHECK(result.error().message.find('\n') == std::string::npos);
}

}  // namespace

TEST_CASE("ranges: every form of the command line") {
  CHECK(*parse_frame_range("1001") == Numbers{1001});
  CHECK(*parse_frame_range("1001-1004") == Numbers{1001, 1002, 1003, 1004});
  CHECK(*parse_frame_range("1001-1006x2") == Numbers{1001, 1003, 1005});
  CHECK(*parse_frame_range("1001,1005, 1010-1012") == Numbers{1001, 1005, 1010, 1011, 1012});
  CHECK(*parse_frame_range("5,3,5,3-4") == Numbers{5, 3, 4});
  CHECK(*parse_frame_range("-2-1") == Numbers{-2, -1, 0, 1});
  CHECK(*parse_frame_range("-3--1") == Numbers{-3, -2, -1});
  CHECK(*parse_frame_range("7-7") == Numbers{7});
  CHECK(parse_frame_range("1-1000000")->size() == 1000000);
  CHECK(parse_frame_range("1-999999999x1000")->size() == 1000000);
}

TEST_CASE("ranges: what makes no sense is refused") {
  for (const char* text : {"",           ",",     "1,",      "a",           "1-",
                           "-",          "1--",   "1-2x",    "1-2x0",       "1-2x-1",
                           "1-2-3",      "1x2",   "1001..5", "1.5",         "0x10",
                           "1-2 x",      "1 - 2", "+1",      "99999999999", "1-9999999999",
                           "1000000000", "\xff",  "1-2\n3"}) {
    CAPTURE(text);
    const auto numbers = parse_frame_range(text);
    REQUIRE(!numbers);
    CHECK(numbers.error().code == ErrorCode::kInvalidInput);
  }
  CHECK(parse_frame_range("1100-1001").error().message.find("backwards; write 1001-1100") !=
        std::string::npos);
  CHECK(parse_frame_range("1-1000001").error().message.find("1000000") != std::string::npos);
  CHECK(!parse_frame_range("1-600000,1-600000"));
  CHECK(!parse_frame_range("-999999999-999999999"));
}

TEST_CASE("ranges: back to text") {
  CHECK(frame_range_text(Numbers{}).empty());
  CHECK(frame_range_text(Numbers{7}) == "7");
  CHECK(frame_range_text(Numbers{1, 2, 3, 7, 9, 10}) == "1-3,7,9-10");
  CHECK(frame_range_text(Numbers{-2, -1, 0}) == "-2-0");
  CHECK(*parse_frame_range(frame_range_text(Numbers{-5, -4, 8, 100})) == Numbers{-5, -4, 8, 100});
}

TEST_CASE("a folder gives its pictures in natural order") {
  const Folder folder({"frame10.jpg",
                       "frame2.JPG",
                       "frame1.jpeg",
                       "notes.txt",
                       ".frame3.1-2.part.jpg",
                       "below/frame4.jpg",
                       "frame02.png"});
  const auto set = resolve({folder.path()});
  REQUIRE(set);
  CHECK(names_of(set->frames) == Names{"frame1.jpeg", "frame2.JPG", "frame02.png", "frame10.jpg"});
  CHECK(numbers_of(set->frames) == Numbers{1, 2, 2, 10});
  CHECK(set->left_out.empty());
  CHECK(set->frames[0].name == "frame1.jpeg");
}

TEST_CASE("the number of a frame is the run of digits that ends its name") {
  const Folder folder({"a.1001.exr",
                       "b_v002.exr",
                       "c_v003_0007.exr",
                       "mov12.exr",
                       "left-01.exr",
                       "d.-005.exr",
                       "photo.exr",
                       "e123456789012345678901.exr",
                       "V5.exr"});
  const auto set = resolve({folder.path()});
  REQUIRE(set);
  for (const FrameRef& frame : set->frames) {
    CAPTURE(frame.name);
    if (frame.name == "a.1001.exr") CHECK(frame.number == 1001);
    if (frame.name == "b_v002.exr") CHECK(!frame.number);
    if (frame.name == "c_v003_0007.exr") CHECK(frame.number == 7);
    if (frame.name == "mov12.exr") CHECK(frame.number == 12);
    if (frame.name == "left-01.exr") CHECK(frame.number == 1);
    if (frame.name == "d.-005.exr") CHECK(frame.number == -5);
    if (frame.name == "photo.exr") CHECK(!frame.number);
    if (frame.name == "V5.exr") CHECK(!frame.number);
    if (frame.name.starts_with("e1")) CHECK(!frame.number);
  }
}

TEST_CASE("globs") {
  const Folder folder({"left01.jpg", "left2.jpg", "left10.jpg", "right01.jpg", "left.txt"});
  const auto set = resolve({folder / "left*.jpg"});
  REQUIRE(set);
  CHECK(names_of(set->frames) == Names{"left01.jpg", "left2.jpg", "left10.jpg"});
  CHECK(resolve({folder / "left*"})->frames.size() == 3);
  CHECK(resolve({folder / "*[12].jpg"})->frames.size() == 3);
  CHECK(resolve({folder / "left?.jpg"})->frames.size() == 1);
  CHECK(numbers_of(resolve({folder / "left*.jpg"}, "2-10")->frames) == Numbers{2, 10});
  check_error(resolve({folder / "up*.jpg"}), ErrorCode::kNotFound, "matches no file");
  check_error(resolve({folder / "*.txt"}), ErrorCode::kNotFound, "no picture");
  check_error(resolve({folder / "[[[*"}), ErrorCode::kNotFound, "matches no file");
}

TEST_CASE("a file that is no picture is left out by name; alone it is an error") {
  const Folder folder({"grid.1.exr", "notes.txt"});
  const auto set = resolve({folder / "notes.txt", folder / "grid.1.exr"});
  REQUIRE(set);
  CHECK(set->frames.size() == 1);
  REQUIRE(set->left_out.size() == 1);
  CHECK(set->left_out[0].frame.name == "notes.txt");
  CHECK(set->left_out[0].reason.code == ErrorCode::kUnsupported);
  check_error(resolve({folder / "notes.txt"}), ErrorCode::kUnsupported, "notes.txt");
}

TEST_CASE("a file of a list that is missing is left out by name, as a number of a pattern is") {
  const Folder folder({"a.1.exr", "a.3.exr"});
  const auto set = resolve({folder / "a.1.exr", folder / "a.2.exr", folder / "a.3.exr"});
  REQUIRE(set);
  CHECK(names_of(set->frames) == Names{"a.1.exr", "a.3.exr"});
  REQUIRE(set->left_out.size() == 1);
  CHECK(set->left_out[0].frame.name == "a.2.exr");
  CHECK(set->left_out[0].frame.number == 2);
  CHECK(set->left_out[0].reason.code == ErrorCode::kNotFound);
  CHECK(set->left_out[0].reason.message.find(folder / "a.2.exr") != std::string::npos);
  // With a range only those count that it has, and none is named twice.
  const auto some = resolve({folder / "a.1.exr", folder / "a.2.exr", folder / "a.4.exr"}, "1-2");
  REQUIRE(some);
  CHECK(names_of(some->frames) == Names{"a.1.exr"});
  REQUIRE(some->left_out.size() == 1);
  CHECK(some->left_out[0].frame.name == "a.2.exr");
  check_error(resolve({folder / "a.5.exr", folder / "a.6.exr"}), ErrorCode::kNotFound, "a.5.exr");
  check_error(resolve({folder / "a.5.exr"}, "5"), ErrorCode::kNotFound, "none of the frames 5");
  check_error(resolve({folder / "a.1.exr", folder / "gone.exr"}, "1"),
              ErrorCode::kInvalidInput,
              "--frames");
  // A folder or a movie of which nothing is known ends it.
  check_error(resolve({folder / "a.1.exr", folder / "gone"}), ErrorCode::kNotFound, "gone");
  check_error(resolve({folder / "a.1.exr", folder / "gone.mov"}), ErrorCode::kNotFound, "gone.mov");
}

TEST_CASE("patterns, with and without a range") {
  const Folder folder({"grid.0999.exr",
                       "grid.1001.exr",
                       "grid.1003.exr",
                       "grid.10000.exr",
                       "grid.01001.exr",
                       "grid.12.exr",
                       "grid.-001.exr",
                       "grid.1001.png"});
  for (const char* pattern : {"grid.####.exr", "grid.%04d.exr"}) {
    CAPTURE(pattern);
    const auto all = resolve({folder / pattern});
    REQUIRE(all);
    CHECK(numbers_of(all->frames) == Numbers{-1, 999, 1001, 1003, 10000});
    const auto some = resolve({folder / pattern}, "1003,1001-1002");
    REQUIRE(some);
    CHECK(numbers_of(some->frames) == Numbers{1003, 1001});
    REQUIRE(some->left_out.size() == 1);
    CHECK(some->left_out[0].frame.number == 1002);
    CHECK(some->left_out[0].frame.name == "grid.1002.exr");
    CHECK(some->left_out[0].reason.code == ErrorCode::kNotFound);
    CHECK(numbers_of(resolve({folder / pattern}, "-1-999x1000")->frames) == Numbers{-1, 999});
  }
  CHECK(numbers_of(resolve({folder / "grid.%d.exr"})->frames) == Numbers{12, 1001, 1003, 10000});
  CHECK(numbers_of(resolve({folder / "grid.#.exr"})->frames) == Numbers{12, 1001, 1003, 10000});
  CHECK(numbers_of(resolve({folder / "grid.#####.exr"})->frames) == Numbers{1001, 10000});
}

TEST_CASE("patterns that find nothing name the nearest thing") {
  const Folder folder({"grid.1001.exr", "grid.1002.exr", "other/notes.txt"});
  check_error(resolve({folder / "grid.######.exr"}), ErrorCode::kNotFound, "grid.1001.exr");
  check_error(resolve({folder / "gird.####.exr"}), ErrorCode::kNotFound, "nearest");
  check_error(resolve({folder / "grid.####.exr"}, "1-10"), ErrorCode::kNotFound, "1001-1002");
  check_error(resolve({folder / "other/grid.####.exr"}), ErrorCode::kNotFound, "no pictures");
  check_error(resolve({folder / "gone/grid.####.exr"}), ErrorCode::kNotFound, "no such folder");
  check_error(resolve({folder / "grid.##.#.exr"}), ErrorCode::kInvalidInput, "two places");
  check_error(resolve({folder / "grid.%4d.exr"}), ErrorCode::kInvalidInput, "%04d");
  check_error(resolve({folder / "grid.%099999999999d.exr"}), ErrorCode::kInvalidInput, "digits");
  check_error(resolve({folder / ("g." + std::string(5000, '#') + ".exr")}),
              ErrorCode::kInvalidInput,
              "digits");
  check_error(resolve({folder / "grid.####"}), ErrorCode::kUnsupported, "kind of picture");
}

TEST_CASE("several arguments, in their order, no path twice") {
  const Folder folder({"a.1.exr", "a.2.exr", "b.1.exr", "deep/a.1.exr"});
  const auto set =
      resolve({folder / "b.1.exr",
               folder / "a.#.exr",
               folder / "../" + fs::path(folder.path()).filename().string() + "/a.2.exr",
               folder.path()});
  REQUIRE(set);
  CHECK(names_of(set->frames) == Names{"b.1.exr", "a.1.exr", "a.2.exr"});
  const auto same_names = resolve({folder / "a.1.exr", folder / "deep"});
  REQUIRE(same_names);
  CHECK(same_names->frames[0].name == folder / "a.1.exr");
  CHECK(same_names->frames[1].name == folder / "deep/a.1.exr");
}

TEST_CASE("links to one held picture are frames of their own") {
  const Folder folder({"a.1.exr"});
  fs::create_symlink(folder / "a.1.exr", folder / "a.2.exr");
  CHECK(resolve({folder.path()})->frames.size() == 2);
}

TEST_CASE("a range picks from folders too and lists what is nowhere") {
  const Folder folder({"a.1.exr", "a.2.exr", "still.exr"});
  const auto set = resolve({folder.path()}, "2-3");
  REQUIRE(set);
  CHECK(numbers_of(set->frames) == Numbers{2});
  REQUIRE(set->left_out.size() == 1);
  CHECK(set->left_out[0].frame.number == 3);
  CHECK(set->left_out[0].frame.name == "frame 3");
  check_error(resolve({folder.path()}, "10-12"), ErrorCode::kNotFound, "10-12");
  check_error(resolve({folder / "still.exr"}, "2"), ErrorCode::kInvalidInput, "no frame number");
}

TEST_CASE("names that hold pattern signs and exist are files") {
  const Folder folder({"take#1.exr", "a[1].exr", "sho#t/b.exr"});
  CHECK(resolve({folder / "take#1.exr"})->frames.size() == 1);
  CHECK(resolve({folder / "a[1].exr"})->frames.size() == 1);
  CHECK(resolve({folder / "sho#t"})->frames.size() == 1);
  CHECK(!is_frame_pattern(folder / "take#1.exr"));
  CHECK(!is_frame_pattern(folder / "sho#t/c.exr"));
  CHECK(is_frame_pattern(folder / "c.#.exr"));
  CHECK(is_frame_pattern("c.%04d.exr"));
  CHECK(!is_frame_pattern("100%.exr"));
}

TEST_CASE("bad arguments") {
  const Folder folder({"empty/notes.txt", "clip.mov", "a.bmp", "movies/b.MP4"});
  check_error(resolve({}), ErrorCode::kInvalidInput, "no frames");
  check_error(resolve({""}), ErrorCode::kInvalidInput, "empty name");
  check_error(resolve({folder / "gone.exr"}), ErrorCode::kNotFound, "no such file");
  check_error(resolve({folder / "empty"}), ErrorCode::kNotFound, "no pictures");
  check_error(resolve({folder / "clip.mov"}), ErrorCode::kUnreadable, "no movie");
  check_error(resolve({folder / "gone.mxf"}), ErrorCode::kNotFound, "no such file");
  check_error(resolve({folder / "movies/*"}), ErrorCode::kUnreadable, "no movie");
  check_error(resolve({folder / "clip.####.mov"}), ErrorCode::kUnsupported, "kind of picture");
  check_error(resolve({folder / "a.bmp"}), ErrorCode::kUnsupported, "kind of picture");
  check_error(resolve({folder / "a.bmp"}, "2-1"), ErrorCode::kInvalidInput, "backwards");
  check_error(resolve({std::string(10000, 'a')}), ErrorCode::kNotFound, "no such file");
}

TEST_CASE("outputs: pattern, folder, single file") {
  const Folder folder({"in.8.exr", "in.9.exr", "out/x.txt"});
  const auto set = resolve({folder / "in.#.exr"});
  REQUIRE(set);
  const auto paths = output_paths(folder / "out.####.png", set->frames);
  REQUIRE(paths);
  CHECK((*paths)[0] == folder / "out.0008.png");
  CHECK((*paths)[1] == folder / "out.0009.png");
  CHECK((*output_paths(folder / "out.%d.png", set->frames))[1] == folder / "out.9.png");
  CHECK((*output_paths(folder / "out", set->frames))[0] == folder / "out/in.8.exr");
  CHECK((*output_paths(folder / "new/", set->frames))[0] == folder / "new/in.8.exr");
  const std::vector<FrameRef> one = {set->frames[0]};
  CHECK((*output_paths(folder / "single.exr", one))[0] == folder / "single.exr");
  CHECK(*path_for_frame("out.####.exr", 7) == "out.0007.exr");
  CHECK(*path_for_frame("out.####.exr", 123456) == "out.123456.exr");
  CHECK(*path_for_frame("out.%03d.exr", -7) == "out.-07.exr");
  CHECK(!path_for_frame("out.exr", 7));
}

TEST_CASE("outputs that would lose a frame are refused") {
  const Folder folder({"in.8.exr", "in.9.exr", "still.exr", "other/in.8.exr"});
  const auto set = resolve({folder / "in.#.exr"});
  const auto refused = [&](const std::string& output, const std::vector<FrameRef>& frames) {
    const auto paths = output_paths(output, frames);
    REQUIRE(!paths);
    CHECK(paths.error().code == ErrorCode::kInvalidInput);
    return paths.error().message;
  };
  CHECK(refused(folder / "out.exr", set->frames).find("2 frames") != std::string::npos);
  CHECK(refused(folder / "in.#.exr", set->frames).find("to be read") != std::string::npos);
  CHECK(refused(folder / "./other/../in.#.exr", set->frames).find("to be read") !=
        std::string::npos);
  CHECK(refused("", set->frames).find("empty") != std::string::npos);
  CHECK(refused(folder / "o.##.#.exr", set->frames).find("two places") != std::string::npos);
  const auto twice = resolve({folder / "in.8.exr", folder / "other/in.8.exr"});
  CHECK(refused(folder / "out.#.exr", twice->frames).find("both") != std::string::npos);
  const auto still = resolve({folder / "still.exr"});
  CHECK(refused(folder / "out.#.exr", still->frames).find("no frame number") != std::string::npos);
}

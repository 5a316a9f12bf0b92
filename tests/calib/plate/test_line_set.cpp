// The file of lines: what is read back is what was written, and damaged files say where.

#include <doctest/doctest.h>

#include <string>

#include "calib/plate/line_set.h"
#include "tests/support/test_data.h"

namespace {

using namespace trueplate;

std::string message_of(const std::string& text) {
  const auto lines = plate::parse_lines(text, "lines.csv");
  return lines ? std::string() : lines.error().message;
}

bool says(const std::string& text, const std::string& words) {
  return message_of(text).find(words) != std::string::npos;
}

}  // namespace

TEST_CASE("lines come back as they were written, whatever their names") {
  const plate::LineSet lines{
      .plate_size = {1920, 1080},
      .chains = {
          {.name = "kerb, left", .frame = "", .points_px = {{1.0 / 3.0, 2.5}, {1e-9, 1079.75}}},
          {.name = "\"7\"", .frame = "plate.0001.exr", .points_px = {{5, 6}, {7, 8}, {9, 10}}}}};
  const auto back = plate::parse_lines(plate::lines_text(lines), "text");
  REQUIRE(back.has_value());
  CHECK(back->plate_size == lines.plate_size);
  REQUIRE(back->chains.size() == 2);
  for (std::size_t i = 0; i < 2; ++i) {
    CHECK(back->chains[i].name == lines.chains[i].name);
    CHECK(back->chains[i].frame == lines.chains[i].frame);
    CHECK(back->chains[i].points_px == lines.chains[i].points_px);
  }
}

TEST_CASE("rows of a line need not stand together, and other columns do not count") {
  const auto lines =
      plate::parse_lines("# image: 100x50\nwho,line,y,x\nA,a,1,2\nB,b,3,4\nA,a,5,6\n", "text");
  REQUIRE(lines.has_value());
  REQUIRE(lines->chains.size() == 2);
  CHECK(lines->chains[0].points_px == std::vector<Point2d>{{2, 1}, {6, 5}});
}

TEST_CASE("a file that makes no sense is refused, with the place") {
  const std::string head = "# image: 100x50\nline,x,y\n";
  CHECK(says("line,x,y\na,1,2\n", "no comment '# image: WIDTHxHEIGHT'"));
  CHECK(says("# image: 100x50\n# image: 200x50\nline,x,y\na,1,2\n", "image"));
  CHECK(says("# image: 100x50\nline,x\na,1\n", "y"));
  CHECK(says(head, "holds no points"));
  CHECK(says(head + "a,1,nan\n", "lines.csv:3"));
  CHECK(says(head + "a,1,2\n ,3,4\n", "lines.csv:4: line is blank"));
  CHECK(says(head + "a,1,2\na,1e6,4\n", "lines.csv:4"));
  CHECK(says(head + "a,1e6,2\n", "far outside the plate of 100x50"));
  CHECK_FALSE(plate::read_lines("no/such/file.csv").has_value());
}

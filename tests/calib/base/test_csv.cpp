#include "calib/base/csv.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <random>

#include "tests/support/test_data.h"

using trueplate::CsvComment;
using trueplate::CsvLimits;
using trueplate::CsvTable;
using trueplate::CsvWriter;
using trueplate::Result;

namespace {

CsvTable table_of(const std::string& content) {
  Result<CsvTable> table = CsvTable::parse(content, "tracks.csv");
  REQUIRE_MESSAGE(table.has_value(), (table ? "" : table.error().message));
  return std::move(*table);
}

std::string error_of(const std::string& content, const CsvLimits& limits = {}) {
  const Result<CsvTable> table = CsvTable::parse(content, "tracks.csv", limits);
  return table ? "no error" : table.error().message;
}

}  // namespace

TEST_CASE("comments, header and rows are found") {
  const CsvTable table = table_of(
      "# image: 2048x1080\n#note:a: b\n# free text\n\ntrack,frame , x,y\n1,1001,10.5,-2e1\n\n"
      "2,1002,,\n");
  CHECK(table.num_rows() == 2);
  CHECK(table.columns().size() == 4);
  CHECK(*table.comment("note") == "a: b");
  CHECK(*table.comment("absent") == std::nullopt);
  CHECK(table.comments()[2] == CsvComment{"", "free text"});
  CHECK(*table.image_size() == trueplate::ImageSize{2048, 1080});
  const std::size_t x = *table.column("x");
  CHECK(*table.number(0, x) == 10.5);
  CHECK(*table.number(0, *table.column("y")) == -20.0);
  CHECK(table.is_blank(1, x));
  CHECK_FALSE(table.is_blank(0, x));
  CHECK(table.line(0) == 6);
  CHECK(table.line(1) == 8);
  CHECK(*table.find_column("z") == std::nullopt);
}

// The examples of RFC 4180, section 2, rules 1 to 7.
TEST_CASE("quoting follows RFC 4180") {
  const CsvTable table = table_of(
      "field_name,other,third\r\n\"aaa\",\"b \r\nbb\",\"ccc\"\r\nzzz,yyy,xxx\r\n"
      "\"a,\",\"b\"\"bb\",\"\"");
  REQUIRE(table.num_rows() == 3);
  CHECK(table.cell(0, 0) == "aaa");
  CHECK(table.cell(0, 1) == "b \r\nbb");
  CHECK(table.cell(1, 2) == "xxx");
  CHECK(table.cell(2, 0) == "a,");
  CHECK(table.cell(2, 1) == "b\"bb");
  CHECK(table.cell(2, 2).empty());
  CHECK(table.line(1) == 4);
}

TEST_CASE("what is not changed passes through byte for byte") {
  const std::string before = "\xEF\xBB\xBF# image: 10x10\r\n#\r\n\"name\" ,x,y\r\n";
  CHECK(error_of(before).find(":3: has text behind a closing quote") != std::string::npos);
  const std::string content =
      "\xEF\xBB\xBF# image: 10x10\r\n#\r\n \r\n\"na\"\"me\", x ,y\r\n\"q \"\"r\"\"\", 1 ,2\r\n\r\n"
      "\xFFlatin\xE9,\"3\",04.50\n   \nlast,5,6";
  CsvTable table = table_of(content);
  CHECK(table.text() == content);
  CHECK(*table.number(1, *table.column("x")) == 3.0);
  table.set_cell(0, 1, "7.25");
  table.set_cell(2, 2, "");
  table.set_cell(2, 2, "a,b");
  CHECK(table.cell(2, 2) == "a,b");
  const std::string changed =
      "\xEF\xBB\xBF# image: 10x10\r\n#\r\n \r\n\"na\"\"me\", x ,y\r\n\"q \"\"r\"\"\",7.25,2\r\n\r\n"
      "\xFFlatin\xE9,\"3\",04.50\n   \nlast,5,\"a,b\"";
  CHECK(table.text() == changed);
}

TEST_CASE("tabs or semicolons separate the cells where the header row has no comma") {
  for (const char separator : {'\t', ';'}) {
    CAPTURE(separator);
    std::string content = "# image: 10x10; or so\ntrack;x;y\n\"a;b\";1.5;2\nc,d;3;\n";
    std::replace(content.begin() + static_cast<std::ptrdiff_t>(content.find("track")),
                 content.end(),
                 ';',
                 separator);
    CsvTable table = table_of(content);
    CHECK(table.columns().size() == 3);
    CHECK(*table.number(0, *table.column("x")) == 1.5);
    CHECK(table.cell(0, 0) == std::string("a") + separator + "b");
    CHECK(table.cell(1, 0) == "c,d");
    CHECK(table.is_blank(1, 2));
    CHECK(table.text() == content);
    table.set_cell(1, 0, std::string("e") + separator + ",f");
    CHECK(table.cell(1, 0) == std::string("e") + separator + ",f");
    CHECK(table_of(table.text()).cell(1, 0) == std::string("e") + separator + ",f");
  }
  // A comma in the header row separates, whatever else stands there.
  CHECK(table_of("a;b,c\n1,2\n").columns().size() == 2);
  CHECK(table_of("\"a,b\";c\n1;2\n").columns().size() == 2);
}

TEST_CASE("errors name file, line and column") {
  const CsvTable table = table_of("track,frame,x,y\n\n1,2,abc,nan\n1,2,,1e999\n");
  CHECK(table.number(0, 2).error().message == "tracks.csv:3: x is 'abc', wanted a number");
  CHECK(table.number(0, 3).error().message == "tracks.csv:3: y is 'nan', wanted a number");
  CHECK(table.number(1, 2).error().message == "tracks.csv:4: x is blank, wanted a number");
  CHECK(table.number(1, 3).error().message == "tracks.csv:4: y is '1e999', wanted a number");
  CHECK(table.column("z").error().message ==
        "tracks.csv:1: no column 'z'; the header row has: track, frame, x, y");
  CHECK(table_of("x\ty\n1,5\t2\n").number(0, 0).error().message ==
        "tracks.csv:2: x is '1,5', wanted a number; decimals stand behind a point");
  CHECK(table_of("x,x\n").column("x").error().message ==
        "tracks.csv:1: column 'x' stands there twice");
  CHECK_FALSE(table_of("# image: 2x2\n# image: 3x3\nx\n").image_size().has_value());
  for (const char* bad : {"", "0x5", "2048", "2048x1080,,", "1e3x5", "99999999x1"}) {
    CAPTURE(bad);
    const Result<std::optional<trueplate::ImageSize>> size =
        table_of(std::string("# image: ") + bad + "\nx\n").image_size();
    REQUIRE_FALSE(size.has_value());
    CHECK(size.error().message.starts_with("tracks.csv: the comment '# image:' is '"));
  }
}

TEST_CASE("malformed files are refused with a line") {
  const std::array<std::array<std::string, 2>, 15> cases{{
      {"{\n  \"program\": \"x\"\n}\n", "tracks.csv:1: is JSON"},
      {"", "tracks.csv:1: is empty"},
      {"# only: a comment\n\n", "tracks.csv:3: is empty"},
      {"x,y\n1\n", "tracks.csv:2: has 1 cells, the header row has 2"},
      {"x,y\n1,2\n1,2,3\n", "tracks.csv:3: has 3 cells, the header row has 2"},
      {"x,y\n1,5,2,5\n", "tracks.csv:2: has 4 cells"},
      {"x,y\n\"1,2\n3,4\n", "tracks.csv:2: has a quote that is never closed"},
      {"x,y\n\"1\n\"2,3\n", "tracks.csv:3: has text behind a closing quote"},
      {"x,y\n1\"2,3\n", "tracks.csv:2: has a quote in the middle"},
      {"x,y\r1,2\r", "tracks.csv:1: has a carriage return"},
      {"# a\rx,y\r1,2\r", "tracks.csv:1: has a carriage return"},
      {"x,y\n1,2\r", "tracks.csv:2: has a carriage return"},
      {"x,y\n# 1,2\n", "tracks.csv:2: begins with '#' below the header row"},
      {std::string("x,y\n1,\0\n", 8), "tracks.csv:2: holds a zero byte"},
      {std::string("\xFF\xFEx\0", 4), "tracks.csv:1: is UTF-16"},
  }};
  for (const auto& texts : cases) {
    const std::string& content = texts[0];
    const std::string& message = texts[1];
    CAPTURE(content);
    const std::string error = error_of(content);
    CHECK_MESSAGE(error.starts_with(message), error);
    CHECK(error.find('\n') == std::string::npos);
  }
}

TEST_CASE("limits hold hostile files back") {
  CHECK(error_of(fmt::format("{:,>2000}\n", "")).find("more than 1024 cells in one row") !=
        std::string::npos);
  CHECK(error_of("x\n1\n2\n3\n", {.max_cells = 2}).find(":4: more than 2 cells") !=
        std::string::npos);
  CHECK(error_of("x\n1\n", {.max_bytes = 3}).find("larger than 3 bytes") != std::string::npos);
  CHECK(error_of(fmt::format("x,y\n{:\">100001}", "")).find("closed") != std::string::npos);
  const std::string wide = fmt::format("x\n{:a>100000}\x1b[31m\n", "");
  const std::string message = table_of(wide).number(0, 0).error().message;
  CHECK(message.size() < 120);
  CHECK(CsvTable::read("/nonexistent/file.csv").error().code == trueplate::ErrorCode::kNotFound);
}

TEST_CASE("whatever the bytes, parsing ends, and what is accepted is kept") {
  constexpr unsigned kSeed = 20240817;
  MESSAGE("seed ", kSeed);
  std::mt19937 random(kSeed);
  constexpr std::string_view kBytes = "a1,\"\r\n# :\t.\xE9";
  int accepted = 0;
  for (int round = 0; round < 20000; ++round) {
    std::string content;
    for (std::size_t i = random() % 24; i > 0; --i) content += kBytes[random() % kBytes.size()];
    const Result<CsvTable> table = CsvTable::parse(content, "f");
    if (!table) continue;
    ++accepted;
    CHECK(table->text() == content);
    for (std::size_t row = 0; row < table->num_rows(); ++row) {
      for (std::size_t column = 0; column < table->columns().size(); ++column) {
        CsvTable copy = *table;
        copy.set_cell(row, column, table->cell(row, column));
        const Result<CsvTable> again = CsvTable::parse(copy.text(), "f");
        REQUIRE(again);
        REQUIRE(again->num_rows() == table->num_rows());
        CHECK(again->cell(row, column) == table->cell(row, column));
      }
    }
  }
  CHECK(accepted > 100);
}

TEST_CASE("what is written reads back") {
  constexpr std::array<std::string_view, 2> kColumns{"frame", "a, \"b\""};
  const std::array<CsvComment, 2> comments{{{"image", "10x10"}, {"note", "two\nlines"}}};
  CsvWriter writer(kColumns, comments);
  const std::array<std::array<std::string, 2>, 4> rows{
      {{"plain", "1.5"}, {"# 12", " padded "}, {"two\nlines", "\"quoted\""}, {"", ""}}};
  for (const auto& row : rows) writer.add_row(row);
  const CsvTable table = table_of(writer.text());
  CHECK(table.columns()[1] == "a, \"b\"");
  CHECK(*table.comment("note") == "two lines");
  REQUIRE(table.num_rows() == rows.size());
  for (std::size_t row = 0; row < rows.size(); ++row) {
    for (std::size_t column = 0; column < 2; ++column) {
      CHECK(table.cell(row, column) == rows[row][column]);
    }
  }
  constexpr std::array<std::string_view, 1> kOne{"only"};
  CsvWriter one(kOne);
  one.add_row(std::array<std::string, 1>{""});
  CHECK(table_of(one.text()).num_rows() == 1);
}

TEST_CASE("names of columns as the file has them") {
  using trueplate::parse_column_names;
  constexpr std::array<std::string_view, 2> kWanted{"x", "y"};
  CHECK(parse_column_names("", kWanted)->empty());
  const auto names = parse_column_names("x = pos u,y=a=b", kWanted);
  REQUIRE(names.has_value());
  CHECK(*names == trueplate::ColumnNames{{"x", "pos u"}, {"y", "a=b"}});
  CHECK(parse_column_names("x=y,y=x", kWanted).has_value());
  for (const char* bad : {"x", "x=", "=u", "z=u", "x=u,x=v", "x=u,", ",", "x=u,y=u", "x=y"}) {
    CAPTURE(bad);
    CHECK_FALSE(parse_column_names(bad, kWanted).has_value());
  }
  CsvTable table = table_of("u,x\n1,2\n");
  table.set_column_names({{"x", "u"}});
  CHECK(*table.column("x") == 0);
}

TEST_CASE("NaN is told from other words") {
  const CsvTable table = table_of("x\nnan\nNaN\n-NAN\n\" nan \"\nnano\nna\n1\n\"\"\n");
  for (std::size_t row = 0; row < table.num_rows(); ++row)
    CHECK(table.is_not_finite(row, 0) == (row < 4));
}

// The chart description: nothing lost on the way to the file and back, damaged and hostile files
// refused by field, and the same verdict from docs/chart.schema.json, judged by python3-jsonschema,
// an independent implementation of JSON Schema draft 2020-12.

#include "calib/exchange/chart_file.h"

#include <doctest/doctest.h>
#include <sys/wait.h>

#include <cmath>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/text.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using exchange::ChartDescription;
using exchange::parse_chart;
using target::ChartKind;
using Json = nlohmann::ordered_json;

namespace {

constexpr ChartKind kKinds[] = {ChartKind::kCheckerboard,
                                ChartKind::kLines,
                                ChartKind::kDots,
                                ChartKind::kDotsStaggered,
                                ChartKind::kCoded};

ChartDescription example(ChartKind kind) {
  ChartDescription description;
  description.chart = {.kind = kind,
                       .pitch_mm = 25.400000000000002,
                       .columns = 15,
                       .rows = 10,
                       .pitch_y_mm = 1.0 / 0.03937};
  if (kind == ChartKind::kLines) description.line_width_mm = 3.1000000000000001;
  if (kind == ChartKind::kDots || kind == ChartKind::kDotsStaggered) {
    description.dot_diameter_mm = 0.1 + 0.2;
  }
  description.drawn = {.program = "trueplate 0.1.0", .date = "2031-05-04", .medium = "A3"};
  description.notes = "measured with a steel rule; \"x\" first";
  return description;
}

std::string text_of(const ChartDescription& description) {
  const Result<std::string> text = exchange::chart_text(description);
  REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
  return *text;
}

/// Why the reader refuses it; empty when it does not.
std::string refusal(const std::string& text) {
  const Result<ChartDescription> read = parse_chart(text, "chart.json");
  if (read) return "";
  CHECK(read.error().message.find('\n') == std::string::npos);
  CHECK(read.error().message.starts_with("chart.json:"));
  return read.error().message;
}

struct Change {
  std::string name;
  std::string text;
  std::string field;  // that the refusal has to name; empty: only that it is refused
};

/// The description of `kind` with one field after another spoilt.
std::vector<Change> changes_of(ChartKind kind) {
  const Json good = Json::parse(text_of(example(kind)));
  std::vector<Change> changes;
  const std::vector<Json> values{
      nullptr, true, "text", "", 0, -1, 1.5, 1e9, Json::array(), Json::object()};
  std::vector<Json::json_pointer> places;
  for (const auto& item : good.items()) {
    places.push_back(Json::json_pointer("/" + item.key()));
    if (!item.value().is_object()) continue;
    for (const auto& inner : item.value().items()) {
      places.push_back(Json::json_pointer("/" + item.key() + "/" + inner.key()));
    }
  }
  for (const Json::json_pointer& place : places) {
    Json without = good;
    without[place.parent_pointer()].erase(place.back());
    changes.push_back({"without " + place.to_string(), without.dump(), ""});
    for (const Json& value : values) {
      Json changed = good;
      changed[place] = value;
      changes.push_back({place.to_string() + " = " + value.dump(), changed.dump(), ""});
    }
    if (good[place].is_object()) {
      Json more = good;
      more[place]["unheard_of"] = 1;
      changes.push_back({place.to_string() + " with more", more.dump(), "unheard_of"});
    }
  }
  for (const char* key : {"line_width_mm", "dot_diameter_mm", "markers", "unheard_of"}) {
    Json more = good;
    if (!more.contains(key)) {
      more[key] = 1.0;
      changes.push_back({std::string("with ") + key, more.dump(), key});
    }
  }
  Json no_grid = good;
  no_grid.erase("columns");
  no_grid.erase("rows");
  changes.push_back({"without a grid", no_grid.dump(), ""});
  return changes;
}

/// What the schema says to each text, one line each; nothing where no validator is installed.
std::optional<std::vector<std::string>> schema_verdicts(const std::vector<std::string>& texts) {
  const tests::ScratchFolder scratch;
  const auto root = tests::test_data_folder().parent_path().parent_path();
  std::string lines;
  for (const std::string& text : texts) lines += text + '\n';
  REQUIRE(write_text_file(scratch.path() / "texts", lines, Overwrite::kRefuse));
  for (const std::string python : {"python3", "/usr/bin/python3"}) {
    const std::string command =
        python + " '" + (root / "tests/calib/profile/validate_profiles.py").string() + "' '" +
        (root / "docs/chart.schema.json").string() + "' '" + (scratch.path() / "texts").string() +
        "' > '" + (scratch.path() / "verdicts").string() + "'";
    const int status = std::system(command.c_str());
    const int exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    if (exit_code == 77 || exit_code == 127) continue;
    REQUIRE(exit_code == 0);
    const Result<std::string> output = read_text_file(scratch.path() / "verdicts");
    REQUIRE(output);
    std::vector<std::string> verdicts;
    for (const std::string_view line : split(trim(*output), '\n')) verdicts.emplace_back(line);
    REQUIRE(verdicts.size() == texts.size());
    return verdicts;
  }
  MESSAGE("skipped: python3-jsonschema is not installed, so the schema has no judge");
  return std::nullopt;
}

}  // namespace

TEST_CASE("nothing is lost between description and file") {
  const tests::ScratchFolder scratch;
  for (const ChartKind kind : kKinds) {
    const ChartDescription before = example(kind);
    const auto path = scratch.path() / (std::string(target::chart_kind_name(kind)) + ".json");
    REQUIRE(exchange::write_chart(path, before, Overwrite::kRefuse));
    const Result<ChartDescription> after = exchange::read_chart(path);
    REQUIRE_MESSAGE(after.has_value(), (after ? "" : after.error().message));
    CHECK(after->chart.kind == before.chart.kind);
    CHECK(after->chart.pitch_mm == before.chart.pitch_mm);
    CHECK(after->chart.pitch_y_mm == before.chart.pitch_y_mm);
    CHECK(after->chart.columns == before.chart.columns);
    CHECK(after->chart.rows == before.chart.rows);
    CHECK(after->line_width_mm == before.line_width_mm);
    CHECK(after->dot_diameter_mm == before.dot_diameter_mm);
    CHECK(after->drawn == before.drawn);
    CHECK(after->notes == before.notes);
    CHECK(text_of(*after) == text_of(before));
  }
  CHECK_FALSE(exchange::read_chart(scratch.path() / "absent.json").has_value());
}

TEST_CASE("a description without a grid, and one pitch for both directions") {
  ChartDescription open;
  open.chart.pitch_mm = 25.0;
  const Result<ChartDescription> read = parse_chart(text_of(open), "chart.json");
  REQUIRE(read);
  CHECK_FALSE(read->chart.grid_known());
  CHECK(read->chart.pitch_xy_mm() == Point2d(25.0, 25.0));
  CHECK_FALSE(read->drawn.has_value());
}

TEST_CASE("reader and schema give the same verdict on every spoilt field") {
  std::vector<Change> changes;
  for (const ChartKind kind : kKinds) {
    CHECK(refusal(text_of(example(kind))).empty());
    changes.push_back({"unchanged", Json::parse(text_of(example(kind))).dump(), ""});
    for (Change& change : changes_of(kind)) changes.push_back(std::move(change));
  }
  std::vector<std::string> texts;
  for (const Change& change : changes) texts.push_back(change.text);
  const auto verdicts = schema_verdicts(texts);
  int refused = 0;
  for (std::size_t i = 0; i < changes.size(); ++i) {
    const std::string reason = refusal(texts[i]);
    CAPTURE(changes[i].name);
    CAPTURE(reason);
    if (!reason.empty()) ++refused;
    CHECK(reason.find(changes[i].field) != std::string::npos);
    if (verdicts) {
      const std::string& verdict = (*verdicts)[i];
      CAPTURE(verdict);
      CHECK(reason.empty() == (verdict == "ok"));
    }
  }
  MESSAGE(changes.size(), " descriptions, ", refused, " refused");
  CHECK(refused > 300);
}

TEST_CASE("hostile texts are refused, by their field where there is one") {
  const Json good = Json::parse(text_of(example(ChartKind::kCoded)));
  const auto with = [&](const char* place, const Json& value) {
    Json changed = good;
    changed[Json::json_pointer(place)] = value;
    return refusal(changed.dump());
  };
  const auto names = [](const std::string& text, const char* part) {
    return text.find(part) != std::string::npos;
  };
  CHECK(names(with("/pitch_mm/x", 0), "pitch_mm.x"));
  CHECK(names(with("/pitch_mm/y", -25), "pitch_mm.y"));
  CHECK(names(with("/pitch_mm/y", 1e300), "pitch_mm.y"));
  CHECK(names(with("/columns", 2147483648.0), "columns"));
  CHECK(names(with("/columns", 50), "columns"));
  CHECK(names(with("/rows", 0), "rows"));
  CHECK(names(with("/kind", "hexagons"), "kind"));
  CHECK(names(with("/kind", "checkerboard"), "markers"));
  CHECK(names(with("/markers/dictionary", "DICT_6X6_250"), "markers.dictionary"));
  CHECK(names(with("/markers/share_of_square", 0.7), "markers.share_of_square"));
  CHECK(names(with("/markers/ids_per_row", 24), "markers.ids_per_row"));
  CHECK(names(with("/drawn/date", "4 May 2031"), "drawn.date"));
  CHECK(names(with("/drawn/date", "2031-02-30"), "drawn.date"));
  CHECK(names(with("/format", "something-else"), "no chart description"));
  CHECK(names(with("/notes", 5), "notes"));
  CHECK(names(with("/format_version", 0), "format_version"));

  Json newer = good;
  newer["format_version"] = 2;
  newer["colours"] = "many";
  const Result<ChartDescription> read = parse_chart(newer.dump(), "chart.json");
  REQUIRE_FALSE(read);
  CHECK(read.error().code == ErrorCode::kUnsupported);
  CHECK(names(read.error().message, "update trueplate"));

  const std::string text = good.dump();
  for (std::size_t length = 0; length < text.size(); ++length) {
    CHECK_FALSE(refusal(text.substr(0, length)).empty());
  }
  std::string nan = text;
  nan.replace(nan.find("25.4"), 18, "NaN");
  CHECK(names(refusal(nan), "pitch_mm.x"));
  CHECK_FALSE(refusal(std::string(100000, '[')).empty());
  CHECK_FALSE(refusal(std::string(exchange::kMaxChartFileBytes + 1, ' ')).empty());
  CHECK_FALSE(refusal("\xff\xfe{}").empty());
}

TEST_CASE("what could not be read back is not written") {
  for (const double pitch : {0.0, -1.0, std::nan(""), 1e300}) {
    ChartDescription bad = example(ChartKind::kDots);
    bad.chart.pitch_mm = pitch;
    CHECK_FALSE(exchange::chart_text(bad).has_value());
  }
  ChartDescription bad = example(ChartKind::kCoded);
  bad.chart.columns = 50;
  CHECK_FALSE(exchange::chart_text(bad).has_value());
  bad = example(ChartKind::kCheckerboard);
  bad.line_width_mm = 1.0;
  CHECK_FALSE(exchange::chart_text(bad).has_value());
  bad = example(ChartKind::kCheckerboard);
  bad.notes = std::string(exchange::kMaxChartFileBytes, 'a');
  CHECK_FALSE(exchange::chart_text(bad).has_value());
}

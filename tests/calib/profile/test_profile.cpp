#include "calib/profile/profile.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <bit>
#include <cmath>
#include <limits>
#include <random>
#include <string>

#include "tests/calib/profile/example_profile.h"
#include "tests/support/test_data.h"

using trueplate::ErrorCode;
using trueplate::Overwrite;
using trueplate::Result;
using trueplate::profile::kFormatVersion;
using trueplate::profile::parse_profile;
using trueplate::profile::Profile;
using trueplate::profile::profile_text;
using trueplate::profile::Station;
using trueplate::tests::example_profile;

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

std::string text_of(const Profile& profile) {
  const Result<std::string> text = profile_text(profile);
  REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
  return *text;
}

Profile read_back(const std::string& text) {
  Result<Profile> profile = parse_profile(text, "lens.json");
  REQUIRE_MESSAGE(profile.has_value(), (profile ? "" : profile.error().message));
  return std::move(*profile);
}

std::string error_of(const std::string& text) {
  const Result<Profile> profile = parse_profile(text, "lens.json");
  return profile ? "no error" : profile.error().message;
}

std::string write_error_of(const Profile& profile) {
  const Result<void> valid = trueplate::profile::validate(profile);
  return valid ? "no error" : valid.error().message;
}

/// The text of the example with the first `from` replaced, which must be there.
std::string example_with(const std::string& from, const std::string& to) {
  std::string text = text_of(example_profile());
  const std::size_t at = text.find(from);
  REQUIRE_MESSAGE(at != std::string::npos, from);
  return text.replace(at, from.size(), to);
}

bool same_bits(double a, double b) {
  return std::bit_cast<std::uint64_t>(a) == std::bit_cast<std::uint64_t>(b);
}

}  // namespace

TEST_CASE("every field comes back from the text") {
  const Profile before = example_profile();
  const std::string text = text_of(before);
  const Profile after = read_back(text);
  CHECK(text_of(after) == text);

  CHECK(after.labels.body == before.labels.body);
  CHECK(after.labels.lens == before.labels.lens);
  CHECK(after.labels.serial == before.labels.serial);
  CHECK(after.labels.owner == before.labels.owner);
  CHECK(after.labels.notes == before.labels.notes);
  REQUIRE(after.chart);
  CHECK(after.chart->kind == "checkerboard");
  CHECK(after.chart->pitch_mm == 25.0);
  CHECK(after.chart->columns == 9);
  CHECK(after.chart->rows == 6);

  REQUIRE(after.stations.size() == 1);
  const Station& a = after.stations[0];
  const Station& b = before.stations[0];
  CHECK(a.nominal_focal_mm == b.nominal_focal_mm);
  CHECK(a.focus_m == b.focus_m);
  CHECK(a.t_stop == b.t_stop);
  CHECK(a.lens.plate_size == b.lens.plate_size);
  CHECK(a.lens.pixel_aspect == b.lens.pixel_aspect);
  CHECK(a.lens.squeeze == b.lens.squeeze);
  CHECK(a.lens.film_back == b.lens.film_back);
  CHECK(a.lens.focal_px == b.lens.focal_px);
  CHECK(a.lens.principal_point_px == b.lens.principal_point_px);
  CHECK(a.lens.model.index() == b.lens.model.index());
  const auto values_a = trueplate::lens::parameters(a.lens.model);
  const auto values_b = trueplate::lens::parameters(b.lens.model);
  for (std::size_t i = 0; i < values_a.size(); ++i) CHECK(same_bits(values_a[i], values_b[i]));
  REQUIRE(a.uncertainty);
  CHECK(a.uncertainty->parameters == b.uncertainty->parameters);
  CHECK(a.uncertainty->covariance == b.uncertainty->covariance);
  REQUIRE(a.chart_as_found);
  CHECK(a.chart_as_found->pitch_ratio->value == b.chart_as_found->pitch_ratio->value);
  CHECK(a.chart_as_found->bend_degree == b.chart_as_found->bend_degree);
  CHECK(a.chart_as_found->bend_mm->sigma == b.chart_as_found->bend_mm->sigma);
  CHECK(a.chart_as_found->print_error_mm->value == b.chart_as_found->print_error_mm->value);
  REQUIRE(a.channels);
  for (const auto colour :
       {&trueplate::profile::Channels::red, &trueplate::profile::Channels::blue}) {
    const trueplate::profile::ColourLens& x = *a.channels.*colour;
    const trueplate::profile::ColourLens& y = *b.channels.*colour;
    CHECK(x.lens.plate_size == b.lens.plate_size);
    CHECK(x.lens.film_back == b.lens.film_back);
    CHECK(x.lens.focal_px == y.lens.focal_px);
    CHECK(x.lens.principal_point_px == y.lens.principal_point_px);
    const auto values_x = trueplate::lens::parameters(x.lens.model);
    const auto values_y = trueplate::lens::parameters(y.lens.model);
    REQUIRE(values_x.size() == values_y.size());
    for (std::size_t i = 0; i < values_x.size(); ++i) CHECK(same_bits(values_x[i], values_y[i]));
    CHECK(x.uncertainty.covariance == y.uncertainty.covariance);
    CHECK(x.num_points == y.num_points);
    CHECK(x.rms_px == y.rms_px);
    CHECK(x.shift.rms_px == y.shift.rms_px);
    CHECK(x.shift.rms_sigma_px == y.shift.rms_sigma_px);
    CHECK(x.shift.max_px == y.shift.max_px);
    CHECK(x.shift.max_sigma_px == y.shift.max_sigma_px);
    CHECK(x.shift.max_at_px == y.shift.max_at_px);
    CHECK(x.shift.p_value == y.shift.p_value);
    CHECK(x.shift.significant == y.shift.significant);
  }
  REQUIRE(a.quality);
  CHECK(a.quality->rms_px == b.quality->rms_px);
  CHECK(a.quality->held_out_rms_px == b.quality->held_out_rms_px);
  CHECK(a.quality->max_px == b.quality->max_px);
  CHECK(a.quality->p95_px == b.quality->p95_px);
  CHECK(a.quality->num_frames == b.quality->num_frames);
  CHECK(a.quality->num_frames_used == b.quality->num_frames_used);
  CHECK(a.quality->num_points == b.quality->num_points);
  CHECK(a.quality->noise_sigma_px == b.quality->noise_sigma_px);
  CHECK(a.quality->map_sigma_rms_px == b.quality->map_sigma_rms_px);
  CHECK(a.quality->map_sigma_max_px == b.quality->map_sigma_max_px);
  CHECK(a.quality->map_sigma_after == b.quality->map_sigma_after);
  CHECK(a.quality->map_sigma_share == b.quality->map_sigma_share);
  CHECK(a.quality->map_misfit_rms_px == b.quality->map_misfit_rms_px);
  REQUIRE(a.warnings.size() == 1);
  CHECK(a.warnings[0].code == b.warnings[0].code);
  CHECK(a.warnings[0].message == b.warnings[0].message);
  CHECK(a.warnings[0].value == b.warnings[0].value);

  CHECK(after.provenance.created == before.provenance.created);
  CHECK(after.provenance.program == before.provenance.program);
  CHECK(after.provenance.program_version == before.provenance.program_version);
  CHECK(after.provenance.method == before.provenance.method);
  REQUIRE(after.provenance.footage.size() == before.provenance.footage.size());
  for (std::size_t i = 0; i < after.provenance.footage.size(); ++i) {
    const auto& item_a = after.provenance.footage[i];
    const auto& item_b = before.provenance.footage[i];
    CHECK(item_a.name == item_b.name);
    CHECK(item_a.sha256 == item_b.sha256);
    CHECK(item_a.points == item_b.points);
    CHECK(item_a.rms_px == item_b.rms_px);
    CHECK(item_a.used == item_b.used);
    CHECK(item_a.reason == item_b.reason);
  }
}

TEST_CASE("numbers of any bit pattern come back bit for bit") {
  constexpr unsigned kSeed = 99;
  MESSAGE("seed ", kSeed);
  std::mt19937_64 random(kSeed);
  const auto any_double = [&] {
    double value = kNan;
    while (!std::isfinite(value)) value = std::bit_cast<double>(random());
    return value;
  };
  const auto double_up_to = [&](double most) {
    double value = kInfinity;
    while (!(std::abs(value) <= most)) value = any_double();
    return value;
  };
  Profile profile = example_profile();
  profile.stations[0].uncertainty.reset();
  for (int round = 0; round < 300; ++round) {
    trueplate::lens::Lens& lens = profile.stations[0].lens;
    lens.focal_px = {1.0 + std::abs(double_up_to(1e6)), 1.0 + std::abs(double_up_to(1e6))};
    lens.principal_point_px = {double_up_to(1e6), double_up_to(1e6)};
    profile.stations[0].warnings[0].value = any_double();
    const Profile after = read_back(text_of(profile));
    for (int i = 0; i < 2; ++i) {
      CHECK(same_bits(after.stations[0].lens.focal_px[i], lens.focal_px[i]));
      CHECK(same_bits(after.stations[0].lens.principal_point_px[i], lens.principal_point_px[i]));
    }
    CHECK(same_bits(after.stations[0].warnings[0].value, profile.stations[0].warnings[0].value));
  }
}

TEST_CASE("what is optional may be absent, infinity and NaN have a place") {
  Profile profile;
  Station station;
  station.lens.plate_size = {640, 480};
  station.lens.focal_px = {500.0, 500.0};
  station.focus_m = kInfinity;
  station.warnings = {{.code = "no-number", .message = "nothing to count", .value = kNan}};
  profile.stations = {station, station};
  profile.stations[1].focus_m = 0.45;
  profile.provenance = {.created = "2031-05-04T10:20:30.25Z",
                        .program = "trueplate",
                        .program_version = "0.1.0",
                        .method = "typed in",
                        .footage = {}};
  const std::string text = text_of(profile);
  CHECK(text.find("\"focus_m\": \"inf\"") != std::string::npos);
  const Profile after = read_back(text);
  REQUIRE(after.stations.size() == 2);
  CHECK(std::isinf(*after.stations[0].focus_m));
  CHECK(*after.stations[1].focus_m == 0.45);
  CHECK(std::isnan(after.stations[0].warnings[0].value));
  CHECK_FALSE(after.stations[0].uncertainty);
  CHECK_FALSE(after.stations[0].quality);
  CHECK_FALSE(after.stations[0].lens.film_back);
  CHECK_FALSE(after.chart);
}

TEST_CASE("names that are not UTF-8 are written readably, not refused") {
  Profile profile = example_profile();
  profile.provenance.footage[0].name = "grid\xE9.exr";
  profile.labels.notes = "control \x01 and quote \" and \xE2\x82\xAC";
  const Profile after = read_back(text_of(profile));
  CHECK(after.provenance.footage[0].name == "grid\xEF\xBF\xBD.exr");
  CHECK(after.labels.notes == profile.labels.notes);
}

TEST_CASE("a parameter held fixed has a row of zeros") {
  Profile profile = example_profile();
  Eigen::MatrixXd& covariance = profile.stations[0].uncertainty->covariance;
  covariance.row(0).setZero();
  covariance.col(0).setZero();
  const Profile after = read_back(text_of(profile));
  CHECK(*trueplate::profile::sigma(*after.stations[0].uncertainty, "focal_x_px") == 0.0);
  CHECK_FALSE(trueplate::profile::sigma(*after.stations[0].uncertainty, "k9"));
}

TEST_CASE("broken fields are named by their path") {
  const std::array<std::array<std::string, 3>, 41> cases{{
      {"\"x\": 1800.3333333333333, ",
       "",
       "stations[0].lens.focal_px.x: is missing, wanted a number from 1 to 10000000"},
      {"\"x\": 1800.3333333333333",
       "\"x\": \"1800\"",
       "stations[0].lens.focal_px.x: is \"1800\", wanted a number from 1 to 10000000"},
      {"\"x\": 1800.3333333333333",
       "\"x\": -3",
       "stations[0].lens.focal_px.x: is -3, wanted a number from 1 to 10000000"},
      {"\"x\": 1800.3333333333333",
       "\"x\": 1e300",
       "stations[0].lens.focal_px.x: is 1e+300, wanted a number from 1 to 10000000"},
      {"\"x\": 962.1",
       "\"x\": 1e9",
       "stations[0].lens.principal_point_px.x: is 1000000000, wanted a number from -1000000 to "
       "1000000"},
      {"\"k1\": -0.05",
       "\"k1\": -1e200",
       "stations[0].lens.coefficients.k1: is -1e+200, wanted a number from -1000000 to 1000000"},
      {"\"width\": 24.89",
       "\"width\": 1e-9",
       "stations[0].lens.film_back_mm.width: is 1e-09, wanted a number from 0.1 to 1000"},
      {"\"pixel_aspect\": 1",
       "\"pixel_aspect\": 1e6",
       "stations[0].lens.pixel_aspect: is 1000000, wanted a number from 0.05 to 20"},
      {"\"x\": 1800.3333333333333", "\"x\": null", "stations[0].lens.focal_px.x: is null"},
      {"\"x\": 962.1", "\"x\": true", "stations[0].lens.principal_point_px.x: is true"},
      {"\"x\": 962.1", "\"x\": [1]", "stations[0].lens.principal_point_px.x: is a list"},
      {"\"x\": 962.1", "\"x\": {}", "stations[0].lens.principal_point_px.x: is an object"},
      {"\"width\": 1920",
       "\"width\": 0",
       "stations[0].lens.plate_size_px.width: is 0, wanted a whole number from 1 to 65536"},
      {"\"width\": 1920", "\"width\": 1e9", "stations[0].lens.plate_size_px.width: is 1"},
      {"\"width\": 1920",
       "\"width\": 19.5",
       "stations[0].lens.plate_size_px.width: is 19.5, wanted a whole number"},
      {"\"width\": 24.89", "\"width\": 0", "stations[0].lens.film_back_mm.width: is 0, wanted"},
      {"\"pixel_aspect\": 1", "\"pixel_aspect\": 0", "stations[0].lens.pixel_aspect: is 0"},
      {"\"model\": \"radial-tangential\"",
       "\"model\": \"wishful\"",
       "stations[0].lens.model: is \"wishful\", wanted a lens model this version knows "
       "(radial-tangential"},
      {"\"k1\": -0.05,",
       "",
       "stations[0].lens.coefficients.k1: is missing, wanted a number from -1000000 to 1000000"},
      {"\"k1\": -0.05",
       "\"k7\": 0, \"k1\": -0.05",
       "stations[0].lens.coefficients.k7: is not a field of this format, did you mean 'k1'?"},
      {"\"focal_px\"",
       "\"focal_pxx\"",
       "stations[0].lens.focal_pxx: is not a field of this format, did you mean 'focal_px'?"},
      {"\"labels\"",
       "\"zebra crossing\": 1, \"labels\"",
       "zebra crossing: is not a field of this "
       "format; remove it"},
      {"\"focus_m\": 2.5",
       "\"focus_m\": \"far\"",
       "stations[0].focus_m: is \"far\", wanted a finite number above zero, or \"inf\""},
      {"\"focus_m\": 2.5", "\"focus_m\": 0", "stations[0].focus_m: is 0, wanted"},
      {"\"t_stop\": 5.6", "\"t_stop\": -1", "stations[0].t_stop: is -1, wanted"},
      {"\"focal_y_px\",\n", "", "stations[0].uncertainty.parameters: has 8 names, wanted these 9"},
      {"\"focal_x_px\": 0.8",
       "\"focal_x_px\": 0.9",
       "stations[0].uncertainty.sigma.focal_x_px: is 0.9, but the root of covariance[0][0] is 0.8"},
      {"\"focal_x_px\": 0.8,",
       "",
       "stations[0].uncertainty.sigma.focal_x_px: is missing, wanted a finite number, zero or "
       "more"},
      {"[0.6400000000000001, ",
       "[",
       "stations[0].uncertainty.covariance[0]: has 8 elements, wanted 9 numbers"},
      {"[0.6400000000000001, ",
       "[-1, ",
       "stations[0].uncertainty.covariance[0][0]: is -1, wanted zero or more: it is a variance"},
      {"[0.6400000000000001, -0.03200000000000001,",
       "[0.6400000000000001, 0.1,",
       "stations[0].uncertainty.covariance[1][0]: is -0.03200000000000001, but [0][1] is 0.1; a "
       "covariance is symmetric"},
      {"\"covariance\": [",
       "\"covariance\": [[1], ",
       "stations[0].uncertainty.covariance: has 10 rows, wanted 9 rows of 9 numbers"},
      {"\"num_frames_used\": 2",
       "\"num_frames_used\": 4",
       "stations[0].quality.num_frames_used: is 4, more than num_frames, which is 3"},
      {"\"rms_px\": 0.1234", "\"rms_px\": -0.1", "stations[0].quality.rms_px: is -0.1, wanted"},
      {"\"sha256\": \"e3b0",
       "\"sha256\": \"E3B0",
       "provenance.footage[0].sha256: is \"E3B0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b"
       "7852b855\", wanted 64"},
      {"\"created\": \"2031-05-04T",
       "\"created\": \"2031-02-30T",
       "provenance.created: is \"2031-02-30T10:20:30Z\", wanted a time in UTC"},
      {"\"used\": true", "\"used\": 1", "provenance.footage[0].used: is 1, wanted true or false"},
      {"\"name\": \"grid.1001.exr\"",
       "\"name\": \"\"",
       "provenance.footage[0].name: is \"\", wanted a text"},
      {"\"points\": 54", "\"points\": 1e10", "provenance.footage[0].points: is 1"},
      {"\"value\": 12", "\"value\": \"12\"", "stations[0].warnings[0].value: is \"12\", wanted"},
      {"\"version\": \"0.1.0\"",
       "\"version\": 0.1",
       "provenance.program.version: is 0.1, wanted a "
       "text"},
  }};
  for (const auto& texts : cases) {
    const std::string error = error_of(example_with(texts[0], texts[1]));
    const std::string& message = texts[2];
    CHECK_MESSAGE(
        error.starts_with(fmt::format("lens.json: {}", message)), error, " | wanted: ", message);
    CHECK(error.find('\n') == std::string::npos);
  }
}

TEST_CASE("the format and its version come first") {
  const std::string newer = error_of(
      R"({"format": "trueplate-lens-profile", "format_version": 7, "anything": {"new": 1}})");
  CHECK(newer ==
        "lens.json: format_version: profile format 7 is newer than 5, the newest this version "
        "reads; update trueplate");
  CHECK(error_of(example_with("\"format_version\": 5", "\"format_version\": 0"))
            .starts_with("lens.json: format_version: is 0, wanted a whole number from 1"));
  CHECK(error_of(example_with("\"format_version\": 5", "\"format_version\": 1.5"))
            .starts_with("lens.json: format_version: is 1.5, wanted a whole number from 1"));
  CHECK(error_of(example_with("\"format_version\": 5", "\"format_version\": \"1\""))
            .starts_with("lens.json: format_version: is \"1\""));
  CHECK(error_of(example_with("\"format_version\": 5,", ""))
            .starts_with("lens.json: format_version: is missing"));
  CHECK(error_of(example_with("\"format_version\": 5", "\"format_version\": 1e300"))
            .find("is newer than 5") != std::string::npos);
  for (const char* other : {"{}",
                            "[]",
                            "3",
                            "\"text\"",
                            "null",
                            R"({"format": 3})",
                            R"({"format": "something else", "format_version": 1})"}) {
    CAPTURE(other);
    CHECK(error_of(other).ends_with("this is no lens profile"));
  }
  CHECK(kFormatVersion == 5);
  // Files of the versions before are read.
  for (const char* old : {"\"format_version\": 1",
                          "\"format_version\": 2",
                          "\"format_version\": 3",
                          "\"format_version\": 4"})
    CHECK(parse_profile(example_with("\"format_version\": 5", old), "old"));
}

TEST_CASE("text that is no JSON is refused with line and byte") {
  const std::array<std::array<std::string, 2>, 16> cases{{
      {"", "lens.json:1:1: is empty"},
      {" \n ", "lens.json:1:1: is empty"},
      {"\xEF\xBB\xBF", "lens.json:1:1: is empty"},
      {"hello", "lens.json:1:1: is not JSON"},
      {"{\n  \"a\": nan}", "lens.json:2:9: is not JSON (the value of a)"},
      {"{\n  \"a\": NaN}", "lens.json:2:8: is not JSON"},
      {"{\n  \"a\": Infinity}", "lens.json:2:8: is not JSON"},
      {"{\n  \"a\": 1e999}", "lens.json:2:12: is not JSON (the value of a): number overflow"},
      {"{\"a\": [3, {\"b\": {\"c\": NaN}}]}",
       "lens.json:1:23: is not JSON (the value of a[1].b.c)"},
      {"{\"a\": 01}", "lens.json:1:8: is not JSON"},
      {"{\"a\": 1,}", "lens.json:1:9: is not JSON"},
      {"{\"a\": 1} {", "lens.json:1:10: is not JSON"},
      {"{\"a\": 1, // no\n}", "lens.json:1:10: is not JSON"},
      {"{\"a\": 1,\n\"b\": 2, \"a\": 3}", "lens.json:2:11: the field 'a' is given twice"},
      {"{\n\"a\": \"\xFF\"}", "lens.json:2:7: is not UTF-8 text: byte 0xFF"},
      {"\xFF\xFE{", "lens.json:1:1: is UTF-16"},
  }};
  for (const auto& texts : cases) {
    const std::string error = error_of(texts[0]);
    const std::string& message = texts[1];
    CHECK_MESSAGE(error.starts_with(message), error, " | wanted: ", message);
    CHECK(error.find('\n') == std::string::npos);
  }
  CHECK(error_of(example_with("\"x\": 962.1", "\"x\": 962.1, \"x\": 1"))
            .find("the field 'x' is given twice") != std::string::npos);
}

TEST_CASE("a byte order mark and foreign line ends do not disturb") {
  std::string text = fmt::format("\xEF\xBB\xBF{}", text_of(example_profile()));
  for (std::size_t at = 0; (at = text.find('\n', at)) != std::string::npos; at += 2) {
    text.insert(at, 1, '\r');
  }
  CHECK(error_of(text) == "no error");
}

TEST_CASE("hostile texts end in an error, quickly") {
  const std::string prefix = R"({"format": "trueplate-lens-profile", "format_version": 1, "a": )";
  CHECK(error_of(std::string(1000000, '[')).find("nested deeper") != std::string::npos);
  CHECK(error_of(prefix + std::string(1000000, '[')).find("nested deeper") != std::string::npos);
  std::string deep_objects;
  for (int i = 0; i < 100000; ++i) deep_objects += "{\"a\":";
  CHECK(error_of(deep_objects).find("nested deeper") != std::string::npos);
  std::string many_fields = "{";
  for (int i = 0; i < 100000; ++i) many_fields += fmt::format("\"{}\":0,", i);
  CHECK(error_of(many_fields).find("more than 256 fields") != std::string::npos);
  CHECK(error_of(std::string(trueplate::profile::kMaxProfileBytes + 1, ' ')).find("larger than") !=
        std::string::npos);
  CHECK(error_of(fmt::format("\"{}\"", std::string(1000000, 'a'))).size() < 300);
  CHECK(error_of("{\"format\": \"\\u001b[31m" + std::string(1000, 'a') + "\"}").find('\x1b') ==
        std::string::npos);
  // A million numbers where an object belongs.
  std::string many_numbers = prefix + "[0";
  for (int i = 0; i < 1000000; ++i) many_numbers += ",0";
  CHECK(error_of(many_numbers + "]}").find("is not a field") != std::string::npos);
  CHECK(error_of(std::string("{\"a\0b\": 1}", 10)).starts_with("lens.json:1:"));
}

TEST_CASE("a profile cut off anywhere is refused") {
  const std::string text = text_of(example_profile());
  const std::size_t end = text.find_last_of('}');
  for (std::size_t length = 0; length <= end; ++length) {
    const std::string error = error_of(text.substr(0, length));
    CHECK_MESSAGE(error.starts_with("lens.json:"), error);
    CHECK(error != "no error");
  }
}

TEST_CASE("a profile with damaged bytes is read or refused, never worse") {
  constexpr unsigned kSeed = 4711;
  MESSAGE("seed ", kSeed);
  std::mt19937 random(kSeed);
  const std::string text = text_of(example_profile());
  int refused = 0;
  for (int round = 0; round < 2000; ++round) {
    std::string damaged = text;
    for (unsigned i = 1 + random() % 3; i > 0; --i) {
      const std::size_t at = random() % damaged.size();
      switch (random() % 4) {
        case 0:
          damaged[at] = static_cast<char>(random());
          break;
        case 1:
          damaged.erase(at, 1 + random() % 5);
          break;
        case 2:
          damaged.insert(at, 1, "0-eE.\"{}[]:,n"[random() % 13]);
          break;
        default:
          damaged.insert(at, damaged.substr(random() % damaged.size(), random() % 40));
      }
    }
    const Result<Profile> profile = parse_profile(damaged, "lens.json");
    if (!profile) {
      ++refused;
      continue;
    }
    const Result<std::string> again = profile_text(*profile);
    REQUIRE_MESSAGE(again.has_value(), (again ? "" : again.error().message));
    CHECK(text_of(read_back(*again)) == *again);
  }
  CHECK(refused > 1000);
}

TEST_CASE("a profile that could not be read is not written") {
  CHECK(write_error_of(example_profile()) == "no error");
  Profile profile = example_profile();
  profile.stations.clear();
  CHECK(write_error_of(profile) == "stations: is empty, wanted at least one station");
  profile = example_profile();
  profile.stations[0].lens.focal_px.x() = kNan;
  CHECK(write_error_of(profile) ==
        "stations[0].lens.focal_px.x: is nan, wanted a number from 1 to 10000000");
  profile = example_profile();
  profile.stations[0].lens.principal_point_px.y() = kInfinity;
  CHECK(write_error_of(profile).starts_with("stations[0].lens.principal_point_px.y: is inf"));
  profile = example_profile();
  profile.stations[0].focus_m = -kInfinity;
  CHECK(write_error_of(profile).starts_with("stations[0].focus_m: is -inf"));
  profile = example_profile();
  profile.stations[0].uncertainty->covariance(2, 2) = kNan;
  CHECK(write_error_of(profile).starts_with("stations[0].uncertainty.covariance[2][2]: is nan"));
  profile = example_profile();
  profile.stations[0].uncertainty->covariance.conservativeResize(3, 3);
  CHECK(write_error_of(profile).starts_with("stations[0].uncertainty.covariance: has 3 rows"));
  profile = example_profile();
  profile.stations[0].uncertainty->parameters.pop_back();
  CHECK(write_error_of(profile).starts_with("stations[0].uncertainty.parameters: has 8 names"));
  profile = example_profile();
  profile.provenance.created = "yesterday";
  CHECK(write_error_of(profile).starts_with("provenance.created: is \"yesterday\""));
  profile = example_profile();
  profile.provenance.footage[0].name = std::string(std::size_t{6} << 20, 'x');
  profile.provenance.footage.resize(5, profile.provenance.footage[0]);
  const Result<std::string> text = profile_text(profile);
  REQUIRE_FALSE(text.has_value());
  CHECK(text.error().message.find("more than the") != std::string::npos);
}

TEST_CASE("from file to file") {
  const trueplate::tests::ScratchFolder scratch;
  const auto path = scratch.path() / "lens.json";
  using trueplate::profile::read_profile;
  using trueplate::profile::write_profile;
  REQUIRE(write_profile(path, example_profile(), Overwrite::kRefuse));
  const Result<Profile> read = read_profile(path);
  REQUIRE(read);
  CHECK(text_of(*read) == text_of(example_profile()));
  CHECK(write_profile(path, example_profile(), Overwrite::kRefuse).error().code ==
        ErrorCode::kExists);
  CHECK(write_profile(path, example_profile(), Overwrite::kAllow).has_value());
  CHECK(write_profile(path, Profile{}, Overwrite::kAllow)
            .error()
            .message.starts_with(path.string() + ": "));
  CHECK(read_profile(path).has_value());
  CHECK(read_profile(scratch.path() / "none.json").error().code == ErrorCode::kNotFound);
  CHECK(read_profile(scratch.path()).error().code == ErrorCode::kUnreadable);
}

TEST_CASE("the largest profile there can be stays below 2 MB, and comes back bit for bit") {
  Profile profile = example_profile();
  Station& station = profile.stations[0];
  trueplate::lens::SplineField::Parameters parameters{};
  for (std::size_t i = 0; i < parameters.size(); ++i) {
    parameters[i] = -1.0 / (300.0 + static_cast<double>(i));
  }
  station.lens.model = trueplate::lens::SplineField(parameters);
  station.uncertainty = trueplate::tests::example_uncertainty(station.lens);
  station.channels.reset();
  const std::string one = text_of(profile);
  station.channels = trueplate::tests::example_channels(station.lens);
  const std::string three = text_of(profile);
  MESSAGE("one lens " << one.size() << " bytes, with red and blue " << three.size());
  CHECK(one.size() < 700'000);
  CHECK(three.size() < 2'000'000);
  CHECK(text_of(read_back(three)) == three);
}

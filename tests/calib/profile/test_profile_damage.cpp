// Texts that are no profile, or a damaged one: each is refused with its place, none does harm.

#include "calib/profile/profile.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <random>
#include <string>

#include "tests/calib/profile/example_profile.h"
#include "tests/calib/profile/profile_texts.h"

using trueplate::Result;
using trueplate::profile::kFormatVersion;
using trueplate::profile::parse_profile;
using trueplate::profile::Profile;
using trueplate::profile::profile_text;
using trueplate::tests::error_of;
using trueplate::tests::example_profile;
using trueplate::tests::example_with;
using trueplate::tests::text_of;

namespace {

Profile read_back(const std::string& text) {
  Result<Profile> profile = parse_profile(text, "lens.json");
  REQUIRE_MESSAGE(profile.has_value(), (profile ? "" : profile.error().message));
  return std::move(*profile);
}

}  // namespace

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

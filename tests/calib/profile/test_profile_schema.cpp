// docs/profile.schema.json against the reader. The judge of the schema is python3-jsonschema, an
// independent implementation of JSON Schema draft 2020-12; without it the test is skipped.

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/wait.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/text.h"
#include "calib/profile/profile.h"
#include "tests/calib/profile/example_profile.h"
#include "tests/support/test_data.h"

using trueplate::Overwrite;
using trueplate::Result;
using trueplate::profile::parse_profile;
using trueplate::profile::Profile;
using trueplate::tests::example_profile;
using trueplate::tests::example_uncertainty;
using Json = nlohmann::ordered_json;

namespace {

std::filesystem::path source_folder() {
  return trueplate::tests::test_data_folder().parent_path().parent_path();
}

/// What the schema says to each text: nullopt where it accepts. No value at all, after printing
/// why, where no validator is installed.
std::optional<std::vector<std::optional<std::string>>> schema_verdicts(
    const std::vector<std::string>& texts) {
  const trueplate::tests::ScratchFolder scratch;
  const auto texts_path = scratch.path() / "texts";
  const auto verdicts_path = scratch.path() / "verdicts";
  std::string lines;
  for (const std::string& text : texts) lines += text + '\n';
  REQUIRE(trueplate::write_text_file(texts_path, lines, Overwrite::kRefuse));
  // The system's interpreter is the one that has the Debian package; another may come first on the
  // path.
  for (const char* python : {"python3", "/usr/bin/python3"}) {
    const std::string command =
        fmt::format("{} '{}' '{}' '{}' > '{}'",
                    python,
                    (source_folder() / "tests/calib/profile/validate_profiles.py").string(),
                    (source_folder() / "docs/profile.schema.json").string(),
                    texts_path.string(),
                    verdicts_path.string());
    const int status = std::system(command.c_str());
    const int exit_code = WIFEXITED(status) ? WEXITSTATUS(status) : -1;
    if (exit_code == 77 || exit_code == 127) continue;
    REQUIRE(exit_code == 0);
    const Result<std::string> output = trueplate::read_text_file(verdicts_path);
    REQUIRE(output);
    std::vector<std::optional<std::string>> verdicts;
    for (const std::string_view line : trueplate::split(trueplate::trim(*output), '\n')) {
      verdicts.push_back(line == "ok" ? std::nullopt : std::optional<std::string>(line));
    }
    REQUIRE(verdicts.size() == texts.size());
    return verdicts;
  }
  MESSAGE("skipped: python3-jsonschema is not installed, so the schema has no judge");
  return std::nullopt;
}

std::optional<std::string> reader_verdict(const std::string& text) {
  const Result<Profile> profile = parse_profile(text, "lens.json");
  return profile ? std::nullopt : std::optional(profile.error().message);
}

/// Small coefficients for whatever number of them a model has.
std::vector<double> coefficients(std::size_t count) {
  std::vector<double> values;
  for (std::size_t i = 0; i < count; ++i) values.push_back(1e-3 / static_cast<double>(i + 1));
  return values;
}

/// One full profile for each lens model there is.
std::vector<Json> full_profiles() {
  std::vector<Json> profiles;
  for (const trueplate::lens::ModelInfo& info : trueplate::lens::model_table()) {
    Profile profile = example_profile();
    trueplate::profile::Station& station = profile.stations[0];
    const auto model =
        trueplate::lens::make_model(info.name, coefficients(info.parameter_names.size()));
    REQUIRE(model);
    station.lens.model = *model;
    station.uncertainty = example_uncertainty(station.lens);
    station.channels = trueplate::tests::example_channels(station.lens);
    const Result<std::string> text = trueplate::profile::profile_text(profile);
    REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
    profiles.push_back(Json::parse(*text));
  }
  return profiles;
}

Json minimal_profile() {
  Json json = full_profiles()[0];
  json["labels"] = Json::object();
  json.erase("chart");
  Json& station = json["stations"][0];
  for (const char* key : {"nominal_focal_mm",
                          "focus_m",
                          "t_stop",
                          "entrance_pupil_mm",
                          "uncertainty",
                          "channels",
                          "quality",
                          "without_station",
                          "without_focal_length"}) {
    station.erase(key);
  }
  station["lens"].erase("film_back_mm");
  station["warnings"] = Json::array();
  json["provenance"]["footage"] = Json::array();
  return json;
}

using Pointer = Json::json_pointer;

// Fields of one object that are more than a test of each in turn would have time for.
constexpr std::size_t kMany = 40;

/// Whether a profile's model has so many coefficients.
bool is_large(const Json& profile) {
  return profile["stations"][0]["lens"]["coefficients"].size() > kMany;
}

/// Every place in `json`, but of the covariance only its first row and two numbers, of the colours
/// red without its uncertainty, and of very many fields every twentieth: the others are alike.
void collect_places(const Json& json, const Pointer& here, std::vector<Pointer>& places) {
  if (!here.empty()) places.push_back(here);
  if (here.to_string().ends_with("/channels/blue") ||
      here.to_string().ends_with("/channels/red/uncertainty"))
    return;
  if (!json.is_structured()) return;
  std::size_t count = 0;
  for (const auto& item : json.items()) {
    if (json.size() > kMany && count++ % 20 != 0) continue;
    const bool in_covariance = here.to_string().find("/covariance") != std::string::npos;
    if (in_covariance && item.key() > "1") continue;
    const Pointer next = json.is_object() ? here / item.key() : here / std::stoul(item.key());
    collect_places(item.value(), next, places);
  }
}

void erase(Json& json, const Pointer& place) {
  Json& parent = json[place.parent_pointer()];
  if (parent.is_array()) {
    parent.erase(std::stoul(place.back()));
  } else {
    parent.erase(place.back());
  }
}

/// A changed profile, and what was done to it.
struct Variant {
  std::string change;
  std::string text;
};

/// What fields are replaced with.
const std::vector<Json>& all_replacements() {
  static const std::vector<Json> replacements{nullptr,
                                              true,
                                              "text",
                                              "",
                                              "inf",
                                              0,
                                              -1,
                                              1.5,
                                              2.0,
                                              70000,
                                              3e9,
                                              Json::array(),
                                              Json::array({1}),
                                              Json::object(),
                                              Json::object({{"x", 1}})};
  return replacements;
}

/// The profile with each field in turn changed in several ways, of those whose place begins with
/// one of `prefixes`.
std::vector<Variant> variants_of(const Json& profile,
                                 const std::vector<std::string>& prefixes,
                                 const std::vector<Json>& replacements) {
  std::vector<Pointer> places;
  collect_places(profile, Pointer(), places);
  std::erase_if(places, [&](const Pointer& place) {
    return std::none_of(prefixes.begin(), prefixes.end(), [&](const std::string& prefix) {
      return place.to_string().starts_with(prefix);
    });
  });
  std::vector<Variant> variants;
  const auto add = [&](std::string change, const Json& json) {
    variants.push_back({std::move(change), json.dump()});
  };
  for (const Pointer& place : places) {
    Json changed = profile;
    erase(changed, place);
    add("without " + place.to_string(), changed);
    for (const Json& replacement : replacements) {
      changed = profile;
      changed[place] = replacement;
      add(place.to_string() + " = " + replacement.dump(), changed);
    }
    if (profile[place].is_object()) {
      changed = profile;
      changed[place]["unheard_of"] = 1;
      add(place.to_string() + " with an unknown field", changed);
    }
    if (profile[place].is_array()) {
      changed = profile;
      changed[place].push_back(changed[place].empty() ? Json(1) : changed[place][0]);
      add(place.to_string() + " with one more element", changed);
    }
  }
  Json changed = profile;
  changed["unheard_of"] = 1;
  add("unknown field at the top", changed);
  return variants;
}

/// What a schema cannot say, and the reader alone refuses: how the numbers of the uncertainty hang
/// together, and that the frames used are some of the frames.
bool only_the_reader_can_know(const std::string& complaint) {
  for (const char* known : {"but the root of covariance",
                            "a covariance is symmetric",
                            "it is a variance",
                            "more than the two standard deviations",
                            "more than num_frames"}) {
    if (complaint.find(known) != std::string::npos) return true;
  }
  return false;
}

void check_agreement(const Json& profile,
                     const std::vector<std::string>& prefixes,
                     const std::vector<Json>& replacements) {
  const std::vector<Variant> variants = variants_of(profile, prefixes, replacements);
  std::vector<std::string> texts;
  texts.reserve(variants.size());
  for (const Variant& variant : variants) texts.push_back(variant.text);
  const auto schema = schema_verdicts(texts);
  if (!schema) return;
  int both_accept = 0;
  int both_refuse = 0;
  int reader_alone = 0;
  for (std::size_t i = 0; i < variants.size(); ++i) {
    const std::optional<std::string> reader = reader_verdict(texts[i]);
    const std::optional<std::string>& judge = (*schema)[i];
    if (reader && !judge && only_the_reader_can_know(*reader)) {
      ++reader_alone;
      continue;
    }
    CHECK_MESSAGE(reader.has_value() == judge.has_value(),
                  variants[i].change,
                  " | reader: ",
                  reader.value_or("accepts"),
                  " | schema: ",
                  judge.value_or("accepts"));
    ++(reader ? both_refuse : both_accept);
  }
  MESSAGE(variants.size(),
          " changed profiles: refused by both ",
          both_refuse,
          ", accepted by both ",
          both_accept,
          ", refused by the reader for what a schema cannot say ",
          reader_alone);
  CHECK(both_refuse > 40);
  CHECK(both_accept > 0);
}

}  // namespace

TEST_CASE(
    "profiles of every model, full and minimal, and of the page validate against the schema") {
  std::vector<std::string> texts{minimal_profile().dump()};
  for (const Json& profile : full_profiles()) texts.push_back(profile.dump());
  Json infinite = minimal_profile();
  infinite["stations"][0]["focus_m"] = "inf";
  infinite["stations"][0]["warnings"] = {{{"code", "a"}, {"message", "b"}, {"value", nullptr}}};
  texts.push_back(infinite.dump());
  const Result<std::string> page =
      trueplate::read_text_file(source_folder() / "docs/profile-format.md");
  REQUIRE(page);
  const std::size_t begin = page->find("```json\n") + 8;
  texts.push_back(Json::parse(page->substr(begin, page->find("```", begin) - begin)).dump());
  for (const std::string& text : texts) {
    const auto verdict = reader_verdict(text);
    CHECK_MESSAGE(!verdict, verdict.value_or(""));
  }
  const auto schema = schema_verdicts(texts);
  if (!schema) return;
  for (const auto& verdict : *schema) CHECK_MESSAGE(!verdict, verdict.value_or(""));
}

TEST_CASE("reader and schema agree on every changed field of every model") {
  // What does not depend on the model is tried with the first one only: the validator takes a
  // hundredth of a second for each text.
  std::vector<std::string> prefixes{""};
  std::vector<Json> replacements = all_replacements();
  for (Json profile : full_profiles()) {
    CAPTURE(profile["stations"][0]["lens"]["model"].get<std::string>());
    if (is_large(profile)) {
      // Its covariances make a text of megabytes: see the next test.
      profile["stations"][0].erase("uncertainty");
      profile["stations"][0].erase("channels");
    }
    check_agreement(profile, prefixes, replacements);
    prefixes = {"/stations/0/lens/model",
                "/stations/0/lens/coefficients",
                "/stations/0/uncertainty/parameters",
                "/stations/0/uncertainty/sigma"};
    replacements = {nullptr, "text", 0, -1, 1.5, Json::array()};
  }
}

TEST_CASE("reader and schema agree on the colours and the uncertainty of the largest model") {
  std::vector<std::string> texts;
  for (const Json& profile : full_profiles()) {
    if (!is_large(profile)) continue;
    for (const char* place : {"/stations/0/channels/red/coefficients/sx_9_6",
                              "/stations/0/channels/blue/uncertainty/sigma/sy_9_6",
                              "/stations/0/uncertainty/covariance/150",
                              "/stations/0/uncertainty/parameters/150"}) {
      Json changed = profile;
      erase(changed, Pointer(place));
      texts.push_back(changed.dump());
    }
  }
  REQUIRE(texts.size() == 4);
  const auto schema = schema_verdicts(texts);
  for (std::size_t i = 0; i < texts.size(); ++i) {
    CHECK(reader_verdict(texts[i]).has_value());
    if (schema) CHECK((*schema)[i].has_value());
  }
}

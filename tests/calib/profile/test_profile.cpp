#include "calib/profile/profile.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <bit>
#include <cmath>
#include <limits>
#include <random>
#include <string>

#include "tests/calib/profile/example_profile.h"
#include "tests/calib/profile/profile_texts.h"
#include "tests/support/test_data.h"

using trueplate::ErrorCode;
using trueplate::Overwrite;
using trueplate::Result;
using trueplate::profile::parse_profile;
using trueplate::profile::Profile;
using trueplate::profile::profile_text;
using trueplate::profile::Station;
using trueplate::tests::error_of;
using trueplate::tests::example_profile;
using trueplate::tests::text_of;

namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

Profile read_back(const std::string& text) {
  Result<Profile> profile = parse_profile(text, "lens.json");
  REQUIRE_MESSAGE(profile.has_value(), (profile ? "" : profile.error().message));
  return std::move(*profile);
}

std::string write_error_of(const Profile& profile) {
  const Result<void> valid = trueplate::profile::validate(profile);
  return valid ? "no error" : valid.error().message;
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

TEST_CASE("a byte order mark and foreign line ends do not disturb") {
  std::string text = fmt::format("\xEF\xBB\xBF{}", text_of(example_profile()));
  for (std::size_t at = 0; (at = text.find('\n', at)) != std::string::npos; at += 2) {
    text.insert(at, 1, '\r');
  }
  CHECK(error_of(text) == "no error");
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

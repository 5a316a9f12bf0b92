// `compare` of two profiles: the verdict line, what machines read, the exit status. How often the
// verdict is right is measured in tests/calib/compare.

#include <doctest/doctest.h>

#include <string>

#include "calib/profile/profile.h"
#include "tests/cli/lens_files.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using tests::read_json;
using tests::run_trueplate;

namespace {

/// A profile whose parameters are known to `scale` times usual standard deviations.
void write_profile(const std::string& path, double k1, double scale, const std::string& serial) {
  profile::Profile profile;
  profile.labels.serial = serial;
  profile::Station& station = profile.stations.emplace_back();
  station.lens = tests::make_lens({320, 180}, {300.0, 300.0}, {1.5, -1.0});
  station.lens.model = lens::RadialTangential({k1, 0.0, 0.0, 0.0, 0.0});
  Eigen::VectorXd sigma(9);
  sigma << 0.1, 0.1, 0.1, 0.1, 1e-3, 1e-3, 1e-3, 1e-4, 1e-4;
  station.uncertainty =
      profile::Uncertainty{profile::station_parameter_names(station.lens),
                           (scale * sigma).array().square().matrix().asDiagonal()};
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "test";
  profile.provenance.program_version = "0.1";
  profile.provenance.method = "invented";
  REQUIRE(profile::write_profile(path, profile, Overwrite::kRefuse));
}

}  // namespace

TEST_CASE("compare says whether the lens changed, and exits by it when asked") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  write_profile(path("a.json"), -0.10, 0.1, "0042");
  write_profile(path("same.json"), -0.1001, 0.1, "0042");
  write_profile(path("knocked.json"), -0.13, 0.1, "0042");
  write_profile(path("vague.json"), -0.13, 100.0, "0042");
  write_profile(path("other.json"), -0.10, 0.1, "0043");
  struct Case {
    const char* other;
    const char* verdict;
    int status;
  };
  for (const Case& one : {Case{"same.json", "not-distinguishable", 0},
                          Case{"knocked.json", "changed", 4},
                          Case{"vague.json", "too-uncertain", 5}}) {
    CAPTURE(one.other);
    const std::string json = path("out.json");
    const auto told = run_trueplate(
        {"compare", path("a.json"), path(one.other), "--check", "--json", json, "--overwrite"});
    CHECK(told.status == one.status);
    CHECK(told.output.find("serial 0042") != std::string::npos);
    const auto found = read_json(json);
    CHECK(found["change"]["verdict"] == one.verdict);
    CHECK(found["a"]["serial"] == "0042");
    CHECK(found["change"]["after"]["rms_px"].get<double>() <=
          found["change"]["before"]["rms_px"].get<double>() + 1e-9);
  }
  const auto plain = run_trueplate({"compare", path("a.json"), path("knocked.json")});
  CHECK(plain.status == 0);
  CHECK(plain.output.find("\nchanged: ") != std::string::npos);
  CHECK(plain.output.find("\nin practice: use the one shot nearer in time") != std::string::npos);
  const auto twice = run_trueplate({"compare", path("a.json"), path("a.json")});
  CHECK(twice.output.find("\nin practice: use either") != std::string::npos);
  const auto other = run_trueplate({"compare", path("a.json"), path("other.json")});
  CHECK(other.errors.find("serial numbers differ") != std::string::npos);
  CHECK(run_trueplate({"compare", path("a.json"), path("a.json"), "--matters", "nan"}).status == 2);
}

TEST_CASE("what the calibrations themselves warn of stands beside the verdict") {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  write_profile(path("a.json"), -0.10, 0.1, "0042");
  write_profile(path("b.json"), -0.13, 0.1, "0042");
  auto doubtful = profile::read_profile(path("b.json"));
  REQUIRE(doubtful);
  doubtful->stations[0].warnings = {{"few-frames", "5 frames", 5.0},
                                    {"focal-assumed", "not what a map is judged by", 0.0},
                                    {"few-frames", "said twice", 5.0}};
  REQUIRE(profile::write_profile(path("b.json"), *doubtful, Overwrite::kAllow));
  const auto told =
      run_trueplate({"compare", path("a.json"), path("b.json"), "--json", path("out.json")});
  CHECK(told.errors.find("the calibrations warn, B of few-frames: ") != std::string::npos);
  const auto warnings = read_json(path("out.json")).at("warnings");
  REQUIRE(warnings.size() == 1);
  CHECK(warnings[0].at("code") == "doubtful-calibration");
  CHECK(warnings[0].at("value") == 1.0);
  // A change that is large and explained by nothing needs no more words.
  CHECK(told.output.find("(p asks for") == std::string::npos);
}

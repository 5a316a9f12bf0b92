// `convert` between lens formats on the command line: which format is meant, what is refused, what
// is said. The formats themselves are tested in tests/calib/exchange.

#include <doctest/doctest.h>

#include <nlohmann/json.hpp>
#include <string>

#include "tests/cli/lens_files.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using tests::read_json;
using tests::read_text;
using tests::run_trueplate;
using tests::run_well;

namespace {

struct Files {
  tests::ScratchFolder folder;
  [[nodiscard]] std::string path(const std::string& name) const {
    return (folder.path() / name).string();
  }
  explicit Files(const lens::Model& model) {
    lens::Lens lens = tests::make_lens({640, 360}, {600.0, 600.0}, {4.5, -3.25});
    lens.film_back = lens::FilmBack{.width_mm = 24.0, .height_mm = 13.5};
    lens.model = model;
    tests::write_lens(path("lens.json"), lens);
  }
};

}  // namespace

TEST_CASE("out and in again by every format; the profile comes back") {
  const Files files(lens::RadialTangential({-0.15, 0.02, 0.0, 0.0, 0.0}));
  struct Case {
    std::string name;
    std::vector<std::string> to;
    double worst_px;
  };
  for (const Case& one : {Case{"a.json", {"--to", "opentrackio"}, 1e-6},
                          Case{"b.json", {"--to", "opencv"}, 1e-6},
                          Case{"b.yml", {}, 1e-6},
                          Case{"b.xml", {}, 1e-6},
                          Case{"c.usda", {}, 1e-6},
                          Case{"d.csv", {}, 0.01}}) {
    CAPTURE(one.name);
    std::vector<std::string> out{"convert", files.path("lens.json"), files.path(one.name)};
    out.insert(out.end(), one.to.begin(), one.to.end());
    const auto told = run_well(out);
    CHECK(told.output.find("not carried: how it was calibrated") != std::string::npos);
    const std::string back = files.path(one.name + ".back.json");
    const std::string report = files.path(one.name + ".report.json");
    run_well({"convert", files.path(one.name), back, "--json", report});
    CHECK(read_json(report)["written"]["format"] == "profile");
    run_well({"compare", files.path("lens.json"), back, "--json", files.path(one.name + ".cmp")});
    CHECK(read_json(files.path(one.name + ".cmp"))["largest_px"].get<double>() < one.worst_px);
    // The day of the numbers comes back, not that of the conversion.
    CHECK(read_json(back)["provenance"]["created"] ==
          read_json(files.path("lens.json"))["provenance"]["created"]);
    CHECK(read_json(back)["provenance"]["footage"][0]["sha256"].get<std::string>().size() == 64);
    // What is there is not replaced.
    CHECK(run_trueplate(out).status == 1);
  }
}

TEST_CASE(
    "a lens that the format cannot hold: the miss is printed, refused, and stored when forced") {
  const Files files(*lens::make_model(
      "rational-prism",
      std::vector<double>{-0.1, 0.02, 0.0, 0.0, 0.0, 0.0, 0.001, 0.0, 0.004, 0.0, -0.004, 0.0}));
  const auto refused = run_trueplate(
      {"convert", files.path("lens.json"), files.path("o.json"), "--to", "opentrackio"});
  CHECK(refused.status == 1);
  CHECK(refused.errors.find("px at worst") != std::string::npos);
  CHECK(refused.errors.find("--force") != std::string::npos);
  const auto forced = run_well({"convert",
                                files.path("lens.json"),
                                files.path("o.json"),
                                "--to",
                                "opentrackio",
                                "--force",
                                "--json",
                                files.path("r.json")});
  CHECK(forced.errors.find("warning") != std::string::npos);
  const auto report = read_json(files.path("r.json"));
  CHECK(report["written"]["refitted"] == true);
  CHECK(report["written"]["max_px"].get<double>() > 0.1);
  CHECK(report["warnings"][0]["code"] == "form-missed");
  CHECK(read_text(files.path("o.json")).find("px at worst") != std::string::npos);
  // OpenCV has this form.
  run_well(
      {"convert", files.path("lens.json"), files.path("o.yml"), "--json", files.path("s.json")});
  CHECK(read_json(files.path("s.json"))["written"]["refitted"] == false);
}

TEST_CASE("what is meant has to be clear") {
  const Files files(lens::RadialTangential({-0.15, 0.02, 0.0, 0.0, 0.0}));
  const std::string lens = files.path("lens.json");
  CHECK(run_trueplate({"convert", lens, files.path("x.json")}).status == 2);
  CHECK(run_trueplate({"convert", lens, files.path("x.txt")}).status == 2);
  CHECK(run_trueplate({"convert", lens, files.path("x.exr")}).status == 2);
  CHECK(run_trueplate({"convert", lens, files.path("x.yml"), "--to", "nonsense"}).status == 2);
  CHECK(run_trueplate({"convert", lens, files.path("x.yml"), "--station", "2"}).status == 1);
  CHECK(run_trueplate({"convert", lens, files.path("x.yml"), "--from", "opencv"}).status == 1);
  CHECK(run_trueplate({"convert", lens, files.path("x.yml"), "--size", "0x0"}).status == 2);
  CHECK(run_trueplate({"convert", files.path("none.yml"), files.path("x.json")}).status == 1);
}

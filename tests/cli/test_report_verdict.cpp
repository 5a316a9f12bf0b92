// What a report page says of a lens in a word, and the figures at its top: by the profile alone,
// which may be anybody's. The bands are common practice, no source; what no fit has follows from
// the definitions of root mean square and largest.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/profile/profile.h"
#include "tests/cli/lens_files.h"
#include "tests/cli/report_pages.h"

namespace trueplate::tests {
namespace {

constexpr ImageSize kPlate{480, 270};

}  // namespace

TEST_CASE("the headline counts the domain, the worst place, and what the profile states") {
  const ScratchFolder folder;
  const auto in = [&](const std::string& name) { return (folder.path() / name).string(); };
  profile::Profile profile;
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "trueplate";
  profile.provenance.program_version = "0";
  profile.provenance.method = "invented";
  profile::Station& station = profile.stations.emplace_back();
  station.lens = make_lens(kPlate, {400.0, 400.0}, {2.0, 1.0});
  station.lens.model = lens::RadialTangential({-0.1, 0.0, 0.0, 0.0, 0.0});
  profile::Quality& quality = station.quality.emplace();
  quality.rms_px = 0.1;
  quality.p95_px = 0.2;
  quality.max_px = 0.3;
  quality.num_points = 500;
  quality.num_frames = 10;
  quality.num_frames_used = 10;
  quality.map_sigma_rms_px = 0.01;
  quality.map_sigma_max_px = 0.02;
  const auto verdict = [&](const std::string& name) {
    const Result<void> written =
        profile::write_profile(in(name + ".json"), profile, Overwrite::kRefuse);
    REQUIRE_MESSAGE(written, written.error().message);
    run_well({"report", in(name + ".json"), "-o", in(name + ".html")});
    return data_of(in(name + ".html"))["verdict"];
  };
  const auto headline = [](const nlohmann::json& of) { return of["headline"].get<std::string>(); };
  CHECK(headline(verdict("good")) == "Good");
  CHECK(figure_of(data_of(in("good.html")), "focal length")["text"] == "400.0 px");

  // Of an anamorphic lens the number on the barrel comes first, and heights are told of the plate
  // as it is shown.
  const lens::Lens spherical = station.lens;
  station.lens.pixel_aspect = 2.0;
  station.lens.squeeze = 2.0;
  station.lens.focal_px = {400.0, 800.0};
  station.lens.film_back = lens::FilmBack{24.0, 18.0};
  verdict("squeezed");
  const nlohmann::json squeezed = data_of(in("squeezed.html"));
  const double mm_per_px = 18.0 / kPlate.height;
  CHECK(figure_of(squeezed, "focal length")["text"] == fmt::format("{:.2f} mm", 800.0 * mm_per_px));
  CHECK(holds(figure_of(squeezed, "focal length")["note"], "squeeze "));
  CAPTURE(figure_of(squeezed, "distortion").dump());
  CHECK(holds(figure_of(squeezed, "distortion")["note"], " px unsqueezed in the corner"));
  CHECK(holds(section_of(squeezed, "Distortion over image height")["x_label"], "px unsqueezed"));
  station.lens = spherical;

  // Figures that no residuals have.
  quality.rms_px = 1e30;
  const nlohmann::json impossible = verdict("impossible");
  CHECK(impossible["level"] == "doubt");
  CHECK(headline(impossible) ==
        "Doubtful, these are no fit's figures: an rms of 1e+30 px is more than the largest "
        "residual, 0.3 px");
  CHECK(figure_of(data_of(in("impossible.html")), "residuals")["text"] == "1e+30 px");
  quality.rms_px = 0.01;  // of 500 points: 0.22 px at most
  CHECK(holds(headline(verdict("too_small")), "is more than 500 points of rms 0.01 px can have"));
  quality.rms_px = 0.1;
  quality.held_out_rms_px = 0.04;
  CHECK(holds(headline(verdict("held_out")), "points held out cannot be met to 0.04 px"));
  quality.held_out_rms_px.reset();
  quality.map_sigma_max_px = 0.0;
  CHECK(holds(headline(verdict("certain")), "a predicted error of 0"));
  quality.map_sigma_max_px = 0.02;
  // No lens is like that.
  station.lens.model = lens::RadialTangential({1e6, 0.0, 0.0, 0.0, 0.0});
  CHECK(holds(headline(verdict("pincushion")), "Doubtful: pincushion distortion of"));
  station.lens = spherical;
  station.lens.principal_point_px.x() += 2.0 * kPlate.width;
  CHECK(holds(headline(verdict("beside")), "beside the plate: another plate's lens"));
  station.lens = spherical;

  quality.map_sigma_max_px = 0.8;
  const nlohmann::json parts = verdict("parts");
  CHECK(parts["level"] == "care");
  CHECK(headline(parts).starts_with("Guessed in parts, to 0.800 px at the worst place"));
  quality.map_sigma_max_px = 15.8;
  const nlohmann::json worst = verdict("worst");
  const nlohmann::json guessed = data_of(in("worst.html"));
  CHECK(holds(figure_of(guessed, "distortion")["note"], "\xC2\xB1 16 px in the corner, guessed"));
  CHECK(holds(figure_of(guessed, "overscan")["text"], "\xC2\xB1 0.12x"));
  CHECK(worst["level"] == "doubt");
  CHECK(headline(worst) == "Doubtful where nothing was measured: 15.8 px at the worst place");
  quality.map_sigma_max_px = 0.02;

  // The focal length shifts the corners more than is stated.
  const std::vector<std::string> names = profile::station_parameter_names(station.lens);
  profile::Uncertainty& uncertainty = station.uncertainty.emplace();
  uncertainty.parameters = names;
  const auto count = static_cast<Eigen::Index>(names.size());
  uncertainty.covariance = Eigen::MatrixXd::Zero(count, count);
  uncertainty.covariance(4, 4) = 0.01;  // of k1
  const nlohmann::json other = verdict("other");
  CHECK(other["level"] == "doubt");
  CHECK(headline(other).find("0.020 px stated at the worst place") != std::string::npos);
  CHECK(figure_of(data_of(in("other.html")), "predicted error")["text"] == "not known");
  uncertainty.covariance(4, 4) = 1e-10;
  CHECK(headline(verdict("known")) == "Good");
  // d(percent) = 100 r^2 d(k1), with r = 0.58 and d(k1) = 1e-4: 0.003, which two digits do not
  // show.
  CHECK_FALSE(holds(figure_of(data_of(in("known.html")), "distortion")["text"], "\xC2\xB1"));
  uncertainty.covariance(4, 4) = 1e-6;
  quality.map_sigma_max_px = 0.2;
  CHECK(headline(verdict("seen")) == "Good");
  const nlohmann::json seen = figure_of(data_of(in("seen.html")), "distortion");
  CAPTURE(seen.dump());
  CHECK(holds(seen["text"], "\xC2\xB1 0.0"));
  CHECK_FALSE(holds(seen["note"], "guessed"));
  station.uncertainty.reset();
  quality.map_sigma_max_px = 0.02;

  station.lens.model = lens::RadialTangential({-50.0, 0.0, 0.0, 0.0, 0.0});
  const nlohmann::json folds = verdict("folds");
  CHECK(folds["level"] == "doubt");
  CHECK(headline(folds) == "Doubtful: only 0.0 % of the frame's border can be straightened");
  for (const nlohmann::json& line : folds["lines"]) {
    CHECK(line != "No warnings.");
    CHECK_FALSE(holds(line, "predicted error"));
  }
  CHECK(figure_of(data_of(in("folds.html")), "predicted error")["text"] == "not known");
}

}  // namespace trueplate::tests

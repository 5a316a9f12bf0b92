// The radial curve as a CSV table, out and in.

#include "calib/exchange/radial_table.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <string>

#include "calib/base/csv.h"
#include "tests/calib/exchange/lenses.h"

using namespace trueplate;
using exchange::Known;
using exchange::lens_from_radial_table;
using exchange::radial_table_of;
using exchange::Taken;
using exchange::Written;
using tests::hd_lens;
using tests::worst_px;
using tests::written_by;

namespace {

Taken taken_of(const std::string& text, const Known& known = {}) {
  const Result<Taken> taken = lens_from_radial_table(text, known, "curve.csv");
  REQUIRE_MESSAGE(taken.has_value(), (taken ? "" : taken.error().message));
  return *taken;
}

}  // namespace

// A plain polynomial: actual height = h (1 + k1 (h / f)^2), distortion 100 k1 (h / f)^2 percent.
TEST_CASE("the rows are the lens's own formula") {
  const Written written =
      written_by(radial_table_of, hd_lens(lens::RadialTangential({-0.05, 0, 0, 0, 0})));
  const auto table = CsvTable::parse(written.text, "curve.csv");
  REQUIRE(table);
  CHECK(table->num_rows() == exchange::kRadialTableRows);
  for (const std::size_t row : {1, 50, 100, 200}) {
    const double ideal = *table->number(row, 0);
    const double share = -0.05 * ideal * ideal / (1800.0 * 1800.0);
    CHECK(*table->number(row, 1) == doctest::Approx(ideal * (1.0 + share)).epsilon(1e-12));
    CHECK(*table->number(row, 2) == doctest::Approx(100.0 * share).epsilon(1e-9));
    CHECK(*table->number(row, 3) == doctest::Approx(ideal * 20.25 / 1080.0).epsilon(1e-12));
  }
  CHECK(written.fidelity.max_px < 1e-3);
}

TEST_CASE("there and back: what is not radial is measured, and the rest comes back") {
  for (const lens::Lens& lens : tests::lens_of_each_model()) {
    CAPTURE(lens::model_name(lens.model));
    const Written written = written_by(radial_table_of, lens);
    const Taken taken = taken_of(written.text);
    const double error = worst_px(lens, taken.profile.stations.front().lens);
    MESSAGE(lens::model_name(lens.model)
            << ": " << error << " px, stated " << written.fidelity.max_px << " + "
            << taken.fidelity.max_px);
    CHECK(error <= 1.05 * (written.fidelity.max_px + taken.fidelity.max_px) + 2e-3);
    CHECK(taken.profile.stations.front().lens.film_back == lens.film_back);
    CHECK(taken.profile.labels.serial == "0042");
  }
  // Tangential terms of a millimetre's worth: refused unless forced.
  const Written bent =
      written_by(radial_table_of, hd_lens(lens::RadialTangential({-0.1, 0, 0, 0.002, 0.0})));
  CHECK_FALSE(exchange::check_fidelity(bent.fidelity));
}

TEST_CASE("a maker's table: percent over image height in mm") {
  std::string text = "ideal_height_mm,distortion_percent\n";
  for (int i = 0; i <= 24; ++i) text += fmt::format("{},{}\n", i, -0.004 * i * i);
  Known known;
  known.plate_size = ImageSize{1920, 1080};
  known.film_back = lens::FilmBack{36.0, 20.25};
  known.nominal_focal_mm = 35.0;
  const Taken taken = taken_of(text, known);
  CHECK(taken.fidelity.max_px < 0.01);
  const lens::Lens& lens = taken.profile.stations.front().lens;
  // 10 mm off the axis, -0.4 %.
  const double px = 1080.0 / 20.25;
  const Point2d p = *lens::distort_px(lens, {960.0 + 10.0 * px, 540.0});
  CHECK((p.x() - 960.0) / px == doctest::Approx(10.0 * (1.0 - 0.004)).epsilon(1e-5));
  CHECK(lens.focal_px.x() == doctest::Approx(35.0 * 1920 / 36.0).epsilon(1e-6));
}

TEST_CASE("tables that are damaged or hostile") {
  const std::string head = "# image: 1920x1080\n# focal_px: 1800,1800\n";
  for (const std::string& bad :
       {std::string(),
        std::string("ideal_height_px,actual_height_px\n0,0\n"),
        head + "ideal_height_px,actual_height_px\n0,0\n1,1\n",
        head + "ideal_height_px,actual_height_px\n0,0\n200,190\n100,95\n300,290\n1200,1100\n",
        head + "ideal_height_px,actual_height_px\n0,0\n100,95\n200,nan\n1200,1100\n",
        head + "ideal_height_px,actual_height_px\n-5,0\n100,95\n200,180\n1200,1100\n",
        head + "ideal_height_px,actual_height_px\n0,0\n100,95\n1e308,1e308\n1.5e308,1.6e308\n",
        head + "ideal_height_px\n0\n100\n200\n300\n",
        head + "height,percent\n0,0\n",
        std::string("# image: 0x0\n# focal_px: x\nideal_height_px,actual_height_px\n0,0\n"),
        std::string(
            "# image: 1920x1080\n# focal_px: -1,0\nideal_height_px,actual_height_px\n0,0\n"),
        std::string(100000, ',')}) {
    CAPTURE(bad.substr(0, 120));
    tests::check_refusal(lens_from_radial_table(bad, {}, "curve.csv"));
  }
  const std::string good =
      written_by(radial_table_of, hd_lens(lens::RadialTangential({-0.1, 0, 0, 0, 0}))).text;
  for (std::size_t end = 0; end < good.size(); end += good.size() / 12) {
    const auto taken = lens_from_radial_table(good.substr(0, end), {}, "curve.csv");
    if (!taken) tests::check_refusal(taken);
  }
}

// The lens sheet: its figures by published definitions, and its words as another program reads them
// off the page (pdftotext of poppler-utils).

#include "charts/draw/lens_sheet.h"

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/wait.h>

#include <array>
#include <cmath>
#include <cstdlib>
#include <numbers>
#include <optional>
#include <string>

#include "calib/base/atomic_file.h"
#include "charts/draw/vector.h"
#include "tests/charts/draw/page_picture.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using draw::HeightRow;
using draw::LensSheetOptions;

namespace {

profile::Profile profile_of(const lens::Lens& lens) {
  profile::Profile profile;
  profile.labels = {
      .body = "Body A", .lens = "Invented prime", .serial = "0042", .owner = "", .notes = ""};
  profile::Station station;
  station.focus_m = 2.5;
  station.lens = lens;
  profile.stations.push_back(station);
  profile.provenance.created = "2031-05-04T10:20:30Z";
  profile.provenance.program = "trueplate";
  profile.provenance.program_version = "0.1.0";
  return profile;
}

std::string pdf_of(const profile::Profile& profile, const LensSheetOptions& options) {
  const auto document = draw::lens_sheet(profile, profile.stations.front(), options);
  REQUIRE_MESSAGE(document.has_value(), (document ? "" : document.error().message));
  CHECK(document->pages.size() == 1);
  const auto pdf = draw::pdf_of(*document);
  REQUIRE(pdf);
  return *pdf;
}

/// The words of the page in lines; nullopt without the program.
std::optional<std::string> words_of(const std::string& pdf) {
  const tests::ScratchFolder folder;
  const auto in = folder.path() / "sheet.pdf";
  const auto out = folder.path() / "sheet.txt";
  REQUIRE(write_text_file(in, pdf, Overwrite::kRefuse));
  const std::string command =
      fmt::format("pdftotext -layout '{}' '{}' 2>/dev/null", in.string(), out.string());
  const int status = std::system(command.c_str());
  if (WEXITSTATUS(status) == 127) {
    MESSAGE("skipped: pdftotext (poppler-utils) is not installed");
    return std::nullopt;
  }
  REQUIRE(status == 0);
  return *read_text_file(out);
}

/// What stands at the end of the line that holds `what`.
std::string value_beside(const std::string& words, const std::string& what) {
  const std::size_t at = words.find(what);
  REQUIRE_MESSAGE(at != std::string::npos, what);
  const std::string line = words.substr(at, words.find('\n', at) - at);
  return line.substr(line.rfind("  ") + 2);
}

lens::Lens worked_example() {
  lens::Lens lens;
  lens.plate_size = {1920, 1080};
  lens.film_back = lens::FilmBack{36.0, 20.25};
  lens.focal_px = {1800.0, 1800.0};
  lens.principal_point_px = {960.0, 540.0};
  lens.model = lens::RadialTangential({-0.05, 0.0, 0.0, 0.0, 0.0});
  return lens;
}

}  // namespace

// Worked example: k1 = -0.05, f = 1800 px, 1920 x 1080. Calculated from the definitions: ISO 9039
// at the corner -1.94733 %, picture height distortion -0.74279 % (EBU) and -1.48559 % (SMIA),
// overscan 1.0198600 (OpenLensIO 1.0.0, equation 24).
TEST_CASE("the figures of the worked example, each under its name") {
  const std::string pdf =
      pdf_of(profile_of(worked_example()), {.program = "test", .date = "2031-05-05"});
  const std::optional<std::string> words = words_of(pdf);
  if (!words) return;
  CHECK(value_beside(*words, "ISO 9039") == "-1.947 %");
  CHECK(value_beside(*words, "EBU Tech 3249") == "-0.743 %");
  CHECK(value_beside(*words, "SMIA") == "-1.486 %");
  CHECK(value_beside(*words, "OpenLensIO") == "1.0199");
  for (const char* word : {"Invented prime",
                           "0042",
                           "Body A",
                           "2031-05-04",
                           "2031-05-05",
                           "2.5 m",
                           "radial-tangential",
                           "not stated: the numbers were not fitted here"}) {
    CAPTURE(word);
    CHECK(words->find(word) != std::string::npos);
  }
}

TEST_CASE("nothing but black on white, and no ink in the margin") {
  const auto page = tests::render_pdf(pdf_of(profile_of(worked_example()), {}), 1);
  if (!page) return;
  CHECK(page->width_mm() == doctest::Approx(210.0).epsilon(1e-3));
  CHECK(page->height_mm() == doctest::Approx(297.0).epsilon(1e-3));
  const auto edge = static_cast<int>(10.0 * page->px_per_mm);
  double ink = 0.0;
  for (int y = 0; y < page->pixels.height(); ++y) {
    for (int x = 0; x < edge; ++x) {
      ink += 1.0 - page->pixels.at(x, y);
      ink += 1.0 - page->pixels.at(page->pixels.width() - 1 - x, y);
    }
  }
  CHECK(ink == 0.0);
}

// USGS, reports of calibration of aerial mapping cameras OSL/2985 (2003), OSL/3030 (2004) and
// OSL/3221 (2006): calibrated focal length, K0, K1, K2, and the radial distortion printed in whole
// um at six angles. By the reports' formula the distortion is -(K0 r + K1 r^3 + K2 r^5) at
// r = CFL tan(angle); as a lens of ours, f = CFL (1 - K0) with the terms divided by 1 - K0.
TEST_CASE("certificate values of three aerial cameras, on the sheet") {
  struct Certificate {
    double cfl_mm;
    double k0;
    double k1;
    double k2;
    std::array<int, 6> printed_um;
  };
  const std::array<Certificate, 3> certificates{
      {{153.743, 0.2616e-4, -0.2295e-8, 0.1454e-13, {-1, -1, -1, -1, 0, 1}},
       {153.247, 0.3285e-4, -0.5215e-8, 0.1642e-12, {-1, -1, -1, 0, 1, 1}},
       {153.527, 0.6404e-4, -0.3587e-8, -0.9784e-13, {-1, -2, -3, -3, -1, 3}}}};
  const std::vector<double> angles{7.5, 15.0, 22.7, 30.0, 35.0, 40.0};
  for (const Certificate& one : certificates) {
    lens::Lens lens;
    lens.plate_size = {23000, 23000};
    lens.film_back = lens::FilmBack{230.0, 230.0};  // 0.01 mm a pixel
    const double focal_mm = one.cfl_mm * (1.0 - one.k0);
    lens.focal_px = Point2d::Constant(focal_mm * 100.0);
    lens.principal_point_px = {11500.0, 11500.0};
    const double f2 = one.cfl_mm * one.cfl_mm;
    lens.model = lens::RadialTangential(
        {-one.k1 * f2 / (1.0 - one.k0), -one.k2 * f2 * f2 / (1.0 - one.k0), 0.0, 0.0, 0.0});
    const LensSheetOptions options{.angles_deg = angles, .reference_focal_mm = one.cfl_mm};
    const auto rows = draw::height_rows(lens, options);
    REQUIRE(rows);
    REQUIRE(rows->size() == angles.size());
    for (std::size_t i = 0; i < rows->size(); ++i) {
      const HeightRow& row = (*rows)[i];
      CHECK(std::lround(10.0 * (row.actual_px - row.ideal_px)) == one.printed_um[i]);
      const double r = one.cfl_mm * std::tan(angles[i] * std::numbers::pi / 180.0);
      CHECK(row.ideal_px / 100.0 == doctest::Approx(r).epsilon(1e-12));
    }
    const std::optional<std::string> words = words_of(pdf_of(profile_of(lens), options));
    if (!words) return;
    for (const HeightRow& row : *rows) {
      const std::string shift = fmt::format("{:+.1f}", 10.0 * (row.actual_px - row.ideal_px));
      const std::size_t at = words->find(fmt::format("{:.3f}", row.ideal_px / 100.0));
      REQUIRE(at != std::string::npos);
      CHECK(words->substr(at, words->find('\n', at) - at).find(shift) != std::string::npos);
    }
    CHECK(words->find(fmt::format("{:.6g} mm", one.cfl_mm)) != std::string::npos);
  }
}

TEST_CASE("what cannot be: angles, reference focal lengths, hostile words, lenses that fold") {
  const lens::Lens lens = worked_example();
  CHECK_FALSE(draw::height_rows(lens, {.angles_deg = {90.0}}));
  CHECK_FALSE(draw::height_rows(lens, {.angles_deg = {std::nan("")}}));
  CHECK_FALSE(draw::height_rows(lens, {.reference_focal_mm = -3.0}));
  lens::Lens bare = lens;
  bare.film_back.reset();
  CHECK_FALSE(draw::height_rows(bare, {.reference_focal_mm = 35.0}));
  profile::Profile hostile = profile_of(bare);
  hostile.labels.lens = std::string(5000, 'W').append("\x1b[31m\n\xff");
  hostile.stations.front().focus_m = std::numeric_limits<double>::infinity();
  CHECK_FALSE(pdf_of(hostile, {}).empty());
  bare.model = lens::RadialTangential({-2.0, 0.0, 0.0, 0.0, 0.0});  // folds inside the plate
  CHECK_FALSE(pdf_of(profile_of(bare), {}).empty());
  bare.model = lens::RadialTangential();
  CHECK_FALSE(pdf_of(profile_of(bare), {}).empty());
}

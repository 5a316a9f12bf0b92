// Lenses whose distortion is certified: USGS reports of calibration of aerial mapping cameras,
// multicollimator, SMAC adjustment (OSL/2985, 2003; OSL/3030, 2004; OSL/3221, 2006). Each prints a
// calibrated focal length, the corrections K0 to K2, P1 and P2 of D. C. Brown's model, and the
// distortion at six field angles in whole micrometres. A chart is photographed through the
// certified lens, the fit has to give back the printed distortion.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/Dense>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;

namespace {

struct Certificate {
  const char* report;
  double focal_mm;
  double k0, k1, k2;  // mm^-2n
  double p1, p2;      // mm^-1
  Point2d principal_mm;
  std::array<int, 6> radial_um;  // as printed
};

constexpr std::array<double, 6> kAnglesDeg = {7.5, 15.0, 22.7, 30.0, 35.0, 40.0};
constexpr double kPixelMm = 0.02;  // of a plate of 230 mm, the format of these cameras
constexpr int kSidePx = 11500;

const Certificate kCertificates[] = {
    {"OSL/2985",
     153.743,
     0.2616e-4,
     -0.2295e-8,
     0.1454e-13,
     -0.3015e-7,
     0.1668e-7,
     {-0.009, 0.002},
     {-1, -1, -1, -1, 0, 1}},
    {"OSL/3030",
     153.247,
     0.3285e-4,
     -0.5215e-8,
     0.1642e-12,
     -0.1218e-7,
     -0.4426e-7,
     {0.006, -0.001},
     {-1, -1, -1, 0, 1, 1}},
    {"OSL/3221",
     153.527,
     0.6404e-4,
     -0.3587e-8,
     -0.9784e-13,
     -0.5780e-7,
     0.1873e-7,
     {-0.013, 0.008},
     {-1, -2, -3, -3, -1, 3}},
};

/// What Brown's corrections do to a measured point, mm from the principal point, y up.
Point2d corrected(const Certificate& c, const Point2d& p) {
  const double r2 = p.squaredNorm();
  const double radial = c.k0 + r2 * (c.k1 + r2 * c.k2);
  return {p.x() + p.x() * radial + c.p1 * (r2 + 2.0 * p.x() * p.x()) + 2.0 * c.p2 * p.x() * p.y(),
          p.y() + p.y() * radial + c.p2 * (r2 + 2.0 * p.y() * p.y()) + 2.0 * c.p1 * p.x() * p.y()};
}

/// The plate pixel of a point of z = 1: corrected() turned round by fixed points.
Point2d plate_px(const Certificate& c, const Point2d& p_ideal) {
  const Point2d wanted(c.focal_mm * p_ideal.x(), -c.focal_mm * p_ideal.y());
  Point2d p = wanted;
  constexpr int kSteps = 8;  // each shrinks the error by some 1e-5
  for (int i = 0; i < kSteps; ++i) p += wanted - corrected(c, p);
  p += c.principal_mm;
  return Point2d(0.5 * kSidePx, 0.5 * kSidePx) + Point2d(p.x(), -p.y()) / kPixelMm;
}

/// Image height less focal length times tangent, mean over the azimuths, micrometres.
double radial_um(const lens::Lens& lens, double focal_mm, double angle_deg) {
  constexpr int kAzimuths = 36;
  const double slope = std::tan(angle_deg * std::numbers::pi / 180.0);
  double sum = 0.0;
  for (int i = 0; i < kAzimuths; ++i) {
    const double azimuth = 2.0 * std::numbers::pi * i / kAzimuths;
    const Point2d direction(std::cos(azimuth), std::sin(azimuth));
    const auto distorted = lens::distort(lens.model, Point2d(slope * direction));
    REQUIRE(distorted);
    sum += lens.focal_px.cwiseProduct(*distorted).dot(direction) / kAzimuths;
  }
  return 1e3 * (sum * kPixelMm - focal_mm * slope);
}

}  // namespace

TEST_CASE("the printed distortion of three certified lenses comes back") {
  for (const Certificate& certificate : kCertificates) {
    CAPTURE(certificate.report);
    const double focal_px = certificate.focal_mm / kPixelMm;
    const auto data =
        tests::synthetic_views({.plate_size = {kSidePx, kSidePx},
                                .focal_px = {focal_px, focal_px},
                                .plate_px = [&](const Point2d& p) -> std::optional<Point2d> {
                                  return plate_px(certificate, p);
                                }},
                               {.num_views = 12,
                                .columns = 12,
                                .rows = 12,
                                .noise_px = 0.0,
                                .max_tilt_deg = 30.0,
                                .fill = 0.9,
                                .whole_chart = false,
                                .seed = 20});
    const auto fitted =
        fit::fit_lens(data.views, {.chart_shape = fit::ChartShape::kFlat, .held_out_folds = 0});
    REQUIRE_MESSAGE(fitted.has_value(), fitted.error().message);
    const Point2d centre(0.5 * kSidePx, 0.5 * kSidePx);
    const Point2d principal_mm =
        kPixelMm * (fitted->lens.principal_point_px - centre).cwiseProduct(Point2d(1.0, -1.0));
    std::string found;
    for (std::size_t i = 0; i < kAnglesDeg.size(); ++i) {
      const double um = radial_um(fitted->lens, certificate.focal_mm, kAnglesDeg[i]);
      found += fmt::format(" {:.3f}", um);
      CHECK(std::lround(um) == certificate.radial_um[i]);
    }
    MESSAGE(fmt::format(
        "{}: radial distortion{} um, principal point {:.4f}, {:.4f} mm; fit rms {:.1e} px",
        certificate.report,
        found,
        principal_mm.x(),
        principal_mm.y(),
        fitted->rms_px));
    CHECK((principal_mm - certificate.principal_mm).norm() < 1e-3);
    // P1 and P2 change places and sign, and the unit is the focal length; y is down here.
    const auto k = lens::parameters(fitted->lens.model);
    CHECK(k[3] == doctest::Approx(certificate.p2 * certificate.focal_mm).epsilon(0.01));
    CHECK(k[4] == doctest::Approx(-certificate.p1 * certificate.focal_mm).epsilon(0.01));
  }
}

// The maps of every lens model beside something outside: OpenCV 4.6's own maps for the models it
// has (cv::initUndistortRectifyMap, cv::fisheye::initUndistortRectifyMap), the closed form for the
// one-parameter division model, and for the others their formulas as docs/lens-models.md states
// them, written down here a second time and evaluated in double precision.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <functional>
#include <opencv2/calib3d.hpp>
#include <string>
#include <vector>

#include "calib/lens/model.h"
#include "warp/st_map.h"

using namespace trueplate;

namespace {

constexpr ImageSize kPlate{640, 400};
/// Where a model images a point of the plane at distance 1.
using Formula = std::function<Point2d(const Point2d&)>;

lens::Lens lens_of(const lens::Model& model, double focal_share = 0.9) {
  lens::Lens lens;
  lens.plate_size = kPlate;
  lens.focal_px = Point2d(1.0, 0.997) * focal_share * kPlate.width;
  lens.principal_point_px = {331.7, 194.4};
  lens.model = model;
  return lens;
}

Point2d position(const warp::StMap& map, int i, int j) {
  return warp::position_from_st(
      {map.st.at(i, j, 0), map.st.at(i, j, 1)}, map.source_display.size(), map.t_origin);
}

cv::Matx33d camera_of(const lens::Lens& lens) {
  // The library has pixel centres at whole numbers.
  return {lens.focal_px.x(),
          0,
          lens.principal_point_px.x() - 0.5,
          0,
          lens.focal_px.y(),
          lens.principal_point_px.y() - 0.5,
          0,
          0,
          1};
}

/// Largest difference of the undistort map from the library's, in pixels.
double from_library_px(const warp::StMap& map, const cv::Mat& map_x, const cv::Mat& map_y) {
  double worst = 0.0;
  for (int j = 0; j < kPlate.height; ++j) {
    for (int i = 0; i < kPlate.width; ++i) {
      const Point2d library(map_x.at<float>(j, i) + 0.5, map_y.at<float>(j, i) + 0.5);
      const double distance = (position(map, i, j) - library).norm();
      worst = std::isnan(distance) ? HUGE_VAL : std::max(worst, distance);
    }
  }
  return worst;
}

struct Worst {
  double undistort_px = 0.0;
  double redistort_px = 0.0;
};

/// Of both maps from the formula: the undistort map holds what it gives, the redistort map what it
/// gives the pixel's own place for.
Worst from_formula_px(const lens::Lens& lens, const Formula& formula) {
  const auto imaged = [&](const Point2d& p_straight_px) {
    const Point2d ideal = (p_straight_px - lens.principal_point_px).cwiseQuotient(lens.focal_px);
    return Point2d(lens.focal_px.cwiseProduct(formula(ideal)) + lens.principal_point_px);
  };
  const auto undistort = warp::make_undistort_map(lens);
  const auto redistort = warp::make_redistort_map(lens);
  REQUIRE(undistort);
  REQUIRE(redistort);
  Worst worst;
  const auto take = [](double& most, double distance) {
    most = std::isnan(distance) ? HUGE_VAL : std::max(most, distance);
  };
  for (int j = 0; j < kPlate.height; ++j) {
    for (int i = 0; i < kPlate.width; ++i) {
      const Point2d here(i + 0.5, j + 0.5);
      take(worst.undistort_px, (position(*undistort, i, j) - imaged(here)).norm());
      take(worst.redistort_px, (imaged(position(*redistort, i, j)) - here).norm());
    }
  }
  return worst;
}

// A float near 1 is rounded to 2^-25, 2e-5 px of 640; the straight picture's values reach 1.3.
constexpr double kRoundingPx = 5e-5;
// The library computes in double as well and rounds to float pixels up to 640: 3e-5.
constexpr double kLibraryPx = 1e-4;

void check(std::string_view name, const lens::Lens& lens, const Formula& formula) {
  const Worst worst = from_formula_px(lens, formula);
  MESSAGE(fmt::format("{}: undistort map off by {:.1e} px at most, redistort map by {:.1e} px",
                      name,
                      worst.undistort_px,
                      worst.redistort_px));
  CHECK(worst.undistort_px < kRoundingPx);
  CHECK(worst.redistort_px < 2.0 * kRoundingPx);
}

/// Cox and de Boor's recursion (C. de Boor, A Practical Guide to Splines, 1978): the B-spline of
/// degree `degree` over the knots i, i + 1, ..
double b_spline(int i, int degree, double t) {
  if (degree == 0) return t >= i && t < i + 1 ? 1.0 : 0.0;
  return (t - i) / degree * b_spline(i, degree - 1, t) +
         (i + degree + 1 - t) / degree * b_spline(i + 1, degree - 1, t);
}

Point2d radial_tangential(const Point2d& p, const double* k) {
  const double x = p.x();
  const double y = p.y();
  const double r2 = x * x + y * y;
  const double radial = 1.0 + k[0] * r2 + k[1] * r2 * r2 + k[2] * r2 * r2 * r2;
  return {x * radial + 2.0 * k[3] * x * y + k[4] * (r2 + 2.0 * x * x),
          y * radial + k[3] * (r2 + 2.0 * y * y) + 2.0 * k[4] * x * y};
}

}  // namespace

TEST_CASE("radial-tangential to tilted: the maps of cv::initUndistortRectifyMap") {
  struct Case {
    std::string_view model;
    std::vector<double> ours;
    std::vector<double> opencv;  // k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4 tau_x tau_y
  };
  const std::vector<double> eight{0.25, 0.06, 0.0006, -0.0004, 0.004, 0.52, 0.16, 0.012};
  const auto with = [](std::vector<double> values, std::initializer_list<double> more) {
    values.insert(values.end(), more);
    return values;
  };
  const std::vector<double> ours{0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 0.0006, -0.0004};
  const std::initializer_list<double> prism{2e-3, -1e-3, -3e-3, 1e-3};
  const Case cases[] = {
      {"radial-tangential", {-0.18, 0.09, -0.02, 6e-4, -4e-4}, {-0.18, 0.09, 6e-4, -4e-4, -0.02}},
      {"rational", ours, eight},
      {"rational-prism", with(ours, prism), with(eight, prism)},
      {"rational-prism-tilt",
       with(with(ours, prism), {0.03, -0.02}),
       with(with(eight, prism), {0.03, -0.02})}};
  for (const Case& c : cases) {
    CAPTURE(c.model);
    const auto model = lens::make_model(c.model, c.ours);
    REQUIRE(model);
    const lens::Lens lens = lens_of(*model);
    cv::Mat map_x;
    cv::Mat map_y;
    cv::initUndistortRectifyMap(camera_of(lens),
                                c.opencv,
                                cv::noArray(),
                                camera_of(lens),
                                {kPlate.width, kPlate.height},
                                CV_32FC1,
                                map_x,
                                map_y);
    const auto map = warp::make_undistort_map(lens);
    REQUIRE(map);
    const double worst = from_library_px(*map, map_x, map_y);
    MESSAGE(fmt::format("{}: {:.1e} px from the library's map", c.model, worst));
    CHECK(worst < kLibraryPx);
    // The library has no redistort map; the undistort map, exact by now, judges ours.
    const auto redistort = warp::make_redistort_map(lens);
    REQUIRE(redistort);
    double back = 0.0;
    for (int j = 0; j < kPlate.height; j += 7) {
      for (int i = 0; i < kPlate.width; i += 7) {
        const auto p = lens::distort_px(lens, position(*redistort, i, j));
        REQUIRE(p);
        back = std::max(back, (*p - Point2d(i + 0.5, j + 0.5)).norm());
      }
    }
    CHECK(back < 2.0 * kRoundingPx);
  }
}

TEST_CASE("equidistant: the map of cv::fisheye::initUndistortRectifyMap") {
  const std::array k{0.03, -0.012, 0.004, -0.0008};
  const lens::Lens lens = lens_of(lens::Equidistant(k), 0.45);  // 120 degrees across
  cv::Mat map_x;
  cv::Mat map_y;
  cv::fisheye::initUndistortRectifyMap(camera_of(lens),
                                       cv::Vec4d(k[0], k[1], k[2], k[3]),
                                       cv::Matx33d::eye(),
                                       camera_of(lens),
                                       {kPlate.width, kPlate.height},
                                       CV_32FC1,
                                       map_x,
                                       map_y);
  const auto map = warp::make_undistort_map(lens);
  REQUIRE(map);
  const double worst = from_library_px(*map, map_x, map_y);
  MESSAGE(fmt::format("equidistant: {:.1e} px from the library's map", worst));
  CHECK(worst < kLibraryPx);
  check("equidistant", lens, [&](const Point2d& p) {
    const double t = std::atan(p.norm());
    const double t2 = t * t;
    const double height = t * (1.0 + t2 * (k[0] + t2 * (k[1] + t2 * (k[2] + t2 * k[3]))));
    return p.norm() > 0.0 ? Point2d(height / p.norm() * p) : p;
  });
}

TEST_CASE("division: closed form for one term, bisection for two") {
  constexpr double kLambda = -0.16;
  check("division-1", lens_of(lens::DivisionOneTerm({kLambda}), 0.6), [](const Point2d& p) {
    const double r = p.norm();
    // r (1 + lambda s^2) = s for the distorted radius s.
    const double s = 2.0 * r / (1.0 + std::sqrt(1.0 - 4.0 * kLambda * r * r));
    return r > 0.0 ? Point2d(s / r * p) : p;
  });
  check("division-2", lens_of(lens::DivisionTwoTerms({-0.16, 0.012}), 0.6), [](const Point2d& p) {
    const double r = p.norm();
    double low = 0.0;
    double high = r;  // barrel: the image is nearer to the axis
    for (int i = 0; i < 60; ++i) {
      const double s = 0.5 * (low + high);
      const double straight = s / (1.0 + s * s * (-0.16 + 0.012 * s * s));
      (straight < r ? low : high) = s;
    }
    return r > 0.0 ? Point2d(low / r * p) : p;
  });
}

TEST_CASE("radial-free-centre and anamorphic: their formulas") {
  const Point2d centre(0.012, -0.007);
  check("radial-free-centre",
        lens_of(lens::RadialFreeCentre({-0.18, 0.09, -0.02, centre.x(), centre.y()})),
        [&](const Point2d& p) {
          const Point2d d = p - centre;
          const double r2 = d.squaredNorm();
          return Point2d(centre + d * (1.0 + r2 * (-0.18 + r2 * (0.09 - 0.02 * r2))));
        });

  // Coefficients by the exponents of u and v.
  struct Term {
    int u;
    int v;
  };
  const std::vector<Term> terms{
      {2, 0}, {0, 2}, {4, 0}, {2, 2}, {0, 4}, {6, 0}, {4, 2}, {2, 4}, {0, 6}};
  const std::vector<double> six{-0.06, 0.03,  0.012, 0.02,  0.05,  -0.002, 0.01,   -0.02,
                                0.03,  -0.02, -0.09, 0.01,  0.03,  0.06,   -0.004, 0.02,
                                0.01,  -0.05, 4e-4,  -3e-4, 0.006, -0.018};
  const std::vector<double> four{
      -0.06, 0.03, 0.012, 0.02, 0.05, -0.02, -0.09, 0.01, 0.03, 0.06, 4e-4, -3e-4, 0.006, -0.018};
  for (const auto* k : {&four, &six}) {
    const std::size_t n = (k->size() - 4) / 2;
    const auto model = lens::make_model(n == 5 ? "cylindrical-2" : "cylindrical-3", *k);
    REQUIRE(model);
    lens::Lens lens = lens_of(*model);
    lens.focal_px.y() *= 2.0;  // a squeeze of 2
    check(lens::model_name(*model), lens, [&](const Point2d& p) {
      const double p1 = (*k)[2 * n];
      const double p2 = (*k)[2 * n + 1];
      const double phi = (*k)[2 * n + 2];
      const double skew = (*k)[2 * n + 3];
      const double u = p.x() * std::cos(phi) + p.y() * std::sin(phi);
      const double v = -p.x() * std::sin(phi) + p.y() * std::cos(phi);
      double a = 1.0;
      double b = 1.0;
      for (std::size_t i = 0; i < n; ++i) {
        const double power = std::pow(u, terms[i].u) * std::pow(v, terms[i].v);
        a += (*k)[i] * power;
        b += (*k)[n + i] * power;
      }
      const double u2 = u * a + 2.0 * p1 * u * v + p2 * (3.0 * u * u + v * v);
      const double v2 = v * b + p1 * (u * u + 3.0 * v * v) + 2.0 * p2 * u * v;
      const double x = u2 * std::cos(phi) - v2 * std::sin(phi);
      const double y = u2 * std::sin(phi) + v2 * std::cos(phi);
      return Point2d(x + skew * y, y);
    });
  }
}

TEST_CASE("spline field: Cox and de Boor's recursion over the base") {
  using lens::SplineField;
  SplineField::Parameters k{-0.18, 0.09, -0.02, 6e-4, -4e-4, 0.66, 0.42};
  for (int control = 0; control < SplineField::kNumControls; ++control) {
    k[SplineField::kFirstX + control] = 0.004 * std::sin(1.7 * control);
    k[SplineField::kFirstY + control] = 0.003 * std::cos(0.9 * control);
  }
  for (int m = 0; m < SplineField::kNumRound; ++m) {
    k[SplineField::kFirstRound + m] = 0.01 * std::sin(1.3 * m);
  }
  const double reach = 0.66 * 0.66 + 0.42 * 0.42;
  // Seven cells along the square of the radius.
  const auto along_radius = [&](double u) {
    double result = 0.0;
    for (int m = 0; m < SplineField::kNumRound; ++m) {
      result += k[SplineField::kFirstRound + m] * b_spline(m, 3, 7.0 * u / reach + 3.0);
    }
    return result;
  };
  constexpr double kStep = 1e-4;
  const double at_end = along_radius(reach - 1e-12);
  const double before = along_radius(reach - kStep);
  const double slope =
      (1.5 * at_end - 2.0 * before + 0.5 * along_radius(reach - 2.0 * kStep)) / kStep;
  check("spline-field", lens_of(SplineField(k)), [&](const Point2d& p) {
    Point2d result = radial_tangential(p, k.data());
    const double u = p.squaredNorm();
    const double t_of_u = u < reach ? along_radius(u) : at_end + slope * (u - reach);
    result += (t_of_u - along_radius(0.0)) * p;
    // Seven cells over the width and four over the height; the first knot of a spline is its index.
    const double s = (p.x() + 0.66) / (2.0 * 0.66 / 7.0) + 3.0;
    const double t = (p.y() + 0.42) / (2.0 * 0.42 / 4.0) + 3.0;
    for (int j = 0; j < SplineField::kRows; ++j) {
      const double along_y = b_spline(j, 3, t);
      if (along_y == 0.0) continue;
      for (int i = 0; i < SplineField::kColumns; ++i) {
        const int control = j * SplineField::kColumns + i;
        result += along_y * b_spline(i, 3, s) *
                  Point2d(k[SplineField::kFirstX + control], k[SplineField::kFirstY + control]);
      }
    }
    return result;
  });
}

TEST_CASE("no model is left out") {
  // The cases above, by name; a new model needs one.
  const std::vector<std::string_view> cases{"radial-tangential",
                                            "rational",
                                            "rational-prism",
                                            "rational-prism-tilt",
                                            "radial-free-centre",
                                            "division-1",
                                            "division-2",
                                            "cylindrical-2",
                                            "cylindrical-3",
                                            "equidistant",
                                            "spline-field"};
  for (const lens::ModelInfo& info : lens::model_table()) {
    CAPTURE(info.name);
    CHECK(std::find(cases.begin(), cases.end(), info.name) != cases.end());
  }
}

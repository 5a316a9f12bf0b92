// Every lens model's maps against the same lens evaluated in double, point by point. The models
// themselves are checked against published values in tests/calib/lens.

#include <doctest/doctest.h>

#include <cmath>
#include <iterator>
#include <limits>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

#include "calib/lens/rows.h"
#include "calib/lens/spline_field.h"
#include "tests/warp/support.h"
#include "warp/st_map.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

struct Case {
  const char* model;
  std::vector<double> coefficients;
  Point2d focal_share;  // over the plate's width
};

const Case kCases[] = {
    {"radial-tangential", {-0.18, 0.09, -0.02, 0.0006, -0.0004}, {0.9, 0.9003}},
    {"rational", {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 0.0006, -0.0004}, {0.55, 0.5503}},
    {"rational-prism",
     {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 6e-4, -4e-4, 2e-3, -1e-3, -3e-3, 1e-3},
     {0.75, 0.7503}},
    {"rational-prism-tilt",
     {0.25, 0.06, 0.004, 0.52, 0.16, 0.012, 6e-4, -4e-4, 2e-3, -1e-3, -3e-3, 1e-3, 0.03, -0.02},
     {0.75, 0.7503}},
    {"radial-free-centre", {-0.18, 0.09, -0.02, 0.012, -0.007}, {0.9, 0.9003}},
    {"division-1", {-0.16}, {0.6, 0.6003}},
    {"division-2", {-0.16, 0.012}, {0.6, 0.6003}},
    {"cylindrical-2",
     {-0.06, 0.03, 0.012, 0.02, 0.05, -0.02, -0.09, 0.01, 0.03, 0.06, 4e-4, -3e-4, 0.006, -0.018},
     {0.9, 1.8}},
    {"cylindrical-3",
     {-0.06, 0.03, 0.012, 0.02,   0.05, -0.002, 0.01,  -0.02, 0.03,  -0.02, -0.09,
      0.01,  0.03, 0.06,  -0.004, 0.02, 0.01,   -0.05, 4e-4,  -3e-4, 0.006, -0.018},
     {0.9, 1.8}},
    {"equidistant", {0.03, -0.012, 0.004, -0.0008}, {0.38, 0.3802}},
};

Case spline_case() {
  std::vector<double> coefficients{-0.18, 0.09, -0.02, 0.0006, -0.0004, 0.56, 0.37};
  coefficients.resize(lens::SplineField::kNumParameters);
  for (std::size_t i = lens::SplineField::kFirstX; i < coefficients.size(); ++i) {
    coefficients[i] = 1e-3 * std::sin(1.7 * static_cast<double>(i));
  }
  return {"spline-field", coefficients, {0.9, 0.9003}};
}

std::vector<Case> all_cases() {
  std::vector<Case> cases(std::begin(kCases), std::end(kCases));
  cases.push_back(spline_case());
  return cases;
}

constexpr ImageSize kPlate{203, 131};
constexpr EdgePixels kEdges{23, 11, 9, 17};

lens::Lens lens_of(const Case& c) {
  lens::Lens lens;
  lens.plate_size = kPlate;
  lens.focal_px = c.focal_share * kPlate.width;
  lens.principal_point_px = {0.5 * kPlate.width + 3.25, 0.5 * kPlate.height - 1.7};
  const Result<lens::Model> model = lens::make_model(c.model, c.coefficients);
  REQUIRE_MESSAGE(model.has_value(), (model ? "" : model.error().message));
  lens.model = *model;
  return lens;
}

/// Half the distance of a float to the next: what rounding a double to it may cost.
double half_step(float value) {
  const float size = std::abs(value);
  return 0.5 * (std::nextafter(size, std::numeric_limits<float>::infinity()) - size);
}

struct Comparison {
  long values = 0;
  long none = 0;
  long wrong_none = 0;
  long beyond_rounding = 0;
};

/// Compares the map at one pixel with what double precision says.
void compare(const StMap& map, int i, int j, const std::optional<Point2d>& wanted, Comparison& c) {
  const float s = map.st.at(i, j, 0);
  const float t = map.st.at(i, j, 1);
  const bool none = std::isnan(s) && std::isnan(t);
  if (none || !wanted) {
    ++c.none;
    if (none == wanted.has_value()) ++c.wrong_none;
    return;
  }
  ++c.values;
  const Point2d found = position_from_st({s, t}, map.source_display.size(), map.t_origin);
  // kRowTolerancePx: rows of pixels against single points, both in double.
  const Point2d allowed(half_step(s) * kPlate.width + lens::kRowTolerancePx,
                        half_step(t) * kPlate.height + lens::kRowTolerancePx);
  const Point2d difference = (found - *wanted).cwiseAbs();
  if (!(difference.x() <= allowed.x() && difference.y() <= allowed.y())) ++c.beyond_rounding;
}

Comparison compare_all(const lens::Lens& lens, MapDirection direction, TOrigin origin) {
  const bool undistort = direction == MapDirection::kUndistort;
  const MapOptions options{.display_window = Window{-40, 1001, kPlate.width, kPlate.height},
                           .overscan_px = kEdges,
                           .t_origin = origin};
  const Result<StMap> map =
      undistort ? make_undistort_map(lens, options) : make_redistort_map(lens, options);
  REQUIRE(map);
  Comparison result;
  for (int j = 0; j < map->st.height(); ++j) {
    for (int i = 0; i < map->st.width(); ++i) {
      const Point2d p_px(i - kEdges.left + 0.5, j - kEdges.top + 0.5);
      compare(*map,
              i,
              j,
              undistort ? lens::distort_px(lens, p_px) : lens::undistort_px(lens, p_px),
              result);
    }
  }
  return result;
}

}  // namespace

TEST_CASE("maps of every model are double precision, rounded once to float") {
  std::set<std::string_view> covered;
  const std::vector<Case> cases = all_cases();
  for (const Case& c : cases) covered.insert(c.model);
  for (const lens::ModelInfo& info : lens::model_table()) {
    CAPTURE(std::string(info.name));
    CHECK(covered.contains(info.name));
  }
  tests::on_every_target([&cases](const std::string& target) {
    CAPTURE(target);
    for (const Case& c : cases) {
      CAPTURE(std::string(c.model));
      const lens::Lens lens = lens_of(c);
      for (const MapDirection direction : {MapDirection::kUndistort, MapDirection::kRedistort}) {
        for (const TOrigin origin : {TOrigin::kBottomLeft, TOrigin::kTopLeft}) {
          const Comparison found = compare_all(lens, direction, origin);
          CHECK(found.beyond_rounding == 0);
          CHECK(found.wrong_none == 0);
          CHECK(found.values > found.none);
        }
      }
    }
  });
}

// The lens from points along straight lines: known lenses are found, curved lines are told apart,
// and what lines cannot tell is refused. Truth: tests/support/line_scene, whose formulas are its
// own.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>

#include "calib/plate/line_fit.h"
#include "tests/support/field.h"
#include "tests/support/line_scene.h"
#include "tests/support/warnings.h"

namespace {

using namespace trueplate;
using tests::field_error;
using tests::PlumbLens;
using tests::sample_lines;

plate::LineFit fitted(const plate::LineSet& lines, const plate::LineFitOptions& options = {}) {
  const auto fit = plate::fit_lens_to_lines(lines, options);
  INFO((fit ? std::string() : fit.error().message));
  REQUIRE(fit.has_value());
  return *fit;
}

double coefficient(const plate::LineFit& fit, std::string_view name) {
  const auto names = lens::parameter_names(fit.lens.model);
  const auto place = std::find(names.begin(), names.end(), name);
  REQUIRE(place != names.end());
  return lens::parameters(fit.lens.model)[static_cast<std::size_t>(place - names.begin())];
}

double sigma_of(const plate::LineFit& fit, const std::string& name) {
  const auto& names = fit.parameter_names;
  return fit.sigma[std::find(names.begin(), names.end(), name) - names.begin()];
}

std::string refusal(const plate::LineSet& lines, const plate::LineFitOptions& options = {}) {
  const auto fit = plate::fit_lens_to_lines(lines, options);
  return fit ? std::string() : fit.error().message;
}

/// Points along a circle of the plate.
plate::LineChain arc(
    const std::string& name, const Point2d& middle, double radius, double from_rad, double to_rad) {
  plate::LineChain chain{.name = name, .frame = "", .points_px = {}};
  for (int i = 0; i < 40; ++i) {
    const double angle = from_rad + (to_rad - from_rad) * i / 39.0;
    chain.points_px.emplace_back(middle + radius * Point2d(std::cos(angle), std::sin(angle)));
  }
  return chain;
}

plate::LineSet straight_chain(const Point2d& from, const Point2d& to, int count) {
  plate::LineSet lines{.plate_size = {960, 540},
                       .chains = {{.name = "a", .frame = "", .points_px = {}}}};
  for (int i = 0; i < count; ++i) {
    lines.chains.front().points_px.push_back(from + (to - from) * i / std::max(count - 1, 1));
  }
  return lines;
}

}  // namespace

TEST_CASE("a lens without noise comes back, coefficients, centre and all") {
  std::mt19937 random(11);
  for (const double k1 : {-0.3, -0.1, 0.15}) {
    const PlumbLens truth{.centre_px = {490.0, 262.0}, .k1 = k1, .k2 = 0.05};
    const plate::LineSet lines = sample_lines(truth, {.num_lines = 30, .noise_px = 0.0}, random);
    const plate::LineFit fit = fitted(
        lines,
        {.model = "radial-tangential", .radial_terms = 2, .focal_px = Point2d(900.0, 900.0)});
    CHECK(fit.num_lines == 30);
    CHECK(coefficient(fit, "k1") == doctest::Approx(k1).epsilon(1e-5));
    CHECK(coefficient(fit, "k2") == doctest::Approx(0.05).epsilon(1e-3));
    CHECK((fit.lens.principal_point_px - truth.centre_px).norm() < 1e-2);
    CHECK(field_error(fit.lens, truth.as_lens()).max_px < 1e-3);
    CHECK_FALSE(tests::has_warning(fit.warnings, "focal-assumed"));
  }
}

TEST_CASE("the straightening does not depend on the focal length that is assumed") {
  std::mt19937 random(3);
  const PlumbLens truth{.k1 = -0.12};
  const plate::LineSet lines = sample_lines(truth, {.num_lines = 25, .noise_px = 0.2}, random);
  const plate::LineFit a = fitted(lines, {.model = "radial-tangential", .radial_terms = 1});
  const plate::LineFit b = fitted(
      lines,
      {.model = "radial-tangential", .radial_terms = 1, .focal_px = Point2d(2500.0, 2500.0)});
  CHECK(tests::has_warning(a.warnings, "focal-assumed"));
  CHECK(a.lens.focal_px.x() == doctest::Approx(plate::kAssumedFocal * 960));
  CHECK(a.rms_px == doctest::Approx(b.rms_px).epsilon(1e-6));
  const double ratio = std::pow(2500.0 / a.lens.focal_px.x(), 2);
  CHECK(coefficient(b, "k1") == doctest::Approx(ratio * coefficient(a, "k1")).epsilon(1e-4));
  for (const Point2d& p : {Point2d(0, 0), Point2d(960, 0), Point2d(300, 500)}) {
    CHECK((*lens::undistort_px(a.lens, p) - *lens::undistort_px(b.lens, p)).norm() < 1e-3);
  }
}

TEST_CASE("residuals are orthogonal distances from the image of the line") {
  // The image of the fitted line is walked in steps of a hundredth of a pixel: no lens code of the
  // fit, no derivative.
  std::mt19937 random(5);
  const PlumbLens truth{.k1 = -0.25};
  plate::LineSet lines = sample_lines(truth, {.num_lines = 12, .noise_px = 2.0}, random);
  const plate::LineFit fit = fitted(lines,
                                    {.model = "radial-tangential",
                                     .radial_terms = 1,
                                     .focal_px = Point2d(900.0, 900.0),
                                     .rejection = plate::LineRejection::kOff});
  const PlumbLens found{.plate_size = truth.plate_size,
                        .focal_px = 900.0,
                        .centre_px = fit.lens.principal_point_px,
                        .k1 = coefficient(fit, "k1")};
  // Least squares over two parameters by hand: no line near the fitted one is nearer.
  for (std::size_t i = 0; i < 3; ++i) {
    const auto& points = lines.chains[i].points_px;
    const auto rms_of = [&](const Point2d& a, const Point2d& b) {
      double sum = 0.0;
      for (const Point2d& p : points) {
        // Nearest place: golden section on the line's parameter.
        double low = -0.5;
        double high = 1.5;
        const auto distance = [&](double t) { return (found.bent(a + t * (b - a)) - p).norm(); };
        for (int step = 0; step < 60; ++step) {
          const double m = low + 0.382 * (high - low);
          const double n = high - 0.382 * (high - low);
          (distance(m) < distance(n) ? high : low) = distance(m) < distance(n) ? n : m;
        }
        sum += std::pow(distance(0.5 * (low + high)), 2);
      }
      return std::sqrt(sum / static_cast<double>(points.size()));
    };
    // The best line by coordinate search from the straightened end points.
    Point2d a = found.straight(points.front());
    Point2d b = found.straight(points.back());
    double best = rms_of(a, b);
    const Point2d way = (b - a).normalized();
    const Point2d across(-way.y(), way.x());
    for (double step = 2.0; step > 1e-4;) {
      bool improved = false;
      for (Point2d* end : {&a, &b}) {
        for (const double sign : {-1.0, 1.0}) {
          *end += sign * step * across;
          const double here = rms_of(a, b);
          if (here < best) {
            best = here;
            improved = true;
          } else {
            *end -= sign * step * across;
          }
        }
      }
      if (!improved) step *= 0.5;
    }
    CHECK(*fit.lines[i].residual_rms_px == doctest::Approx(best).epsilon(2e-4));
  }
}

TEST_CASE("curved and broken lines are told from straight ones, each with its reason") {
  std::mt19937 random(17);
  const PlumbLens truth{.k1 = -0.15};
  plate::LineSet lines = sample_lines(truth, {.num_lines = 20, .noise_px = 0.15}, random);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  // 16 arcs that bend by 3 to 30 px, and two lines that kink or jump.
  for (int i = 0; i < 16; ++i) {
    const double radius = 300.0 + 2000.0 * share(random);
    const double angle = 2.0 * std::numbers::pi * share(random);
    const Point2d middle = Point2d(150 + 660 * share(random), 100 + 340 * share(random)) -
                           radius * Point2d(std::cos(angle), std::sin(angle));
    const double half = 130.0 / radius;
    lines.chains.push_back(
        arc(fmt::format("arc {}", i), middle, radius, angle - half, angle + half));
  }
  plate::LineSet broken = sample_lines(truth, {.num_lines = 2, .noise_px = 0.15}, random);
  for (std::size_t i = 0; i < 20; ++i) broken.chains[0].points_px[i].y() += 4.0;
  for (std::size_t i = 0; i < 20; ++i) {
    broken.chains[1].points_px[i].x() += 0.4 * static_cast<double>(20 - i);
  }
  broken.chains[0].name = "jump";
  broken.chains[1].name = "kink";
  lines.chains.insert(lines.chains.end(), broken.chains.begin(), broken.chains.end());
  const plate::LineFit fit = fitted(lines, {.focal_px = Point2d(900.0, 900.0)});
  int wrongly_kept = 0;
  for (std::size_t i = 0; i < fit.lines.size(); ++i) {
    const plate::LineResult& line = fit.lines[i];
    CAPTURE(line.name);
    CHECK(line.used == line.reason.empty());
    if (i < 20) CHECK(line.used);
    if (i >= 20 && line.used) ++wrongly_kept;
  }
  CHECK(wrongly_kept <= 1);  // an arc that happens to bend as the lens does cannot be told
  const tests::FieldError error = field_error(fit.lens, truth.as_lens());
  MESSAGE(fmt::format("18 of 38 lines not straight: {} kept, field error {:.3f} px rms, {:.3f} max",
                      wrongly_kept,
                      error.rms_px,
                      error.max_px));
  CHECK(error.rms_px < 0.3);
  // Straightness in px, before and after.
  for (std::size_t i = 0; i < 20; ++i) {
    REQUIRE(fit.lines[i].after.has_value());
    CHECK(fit.lines[i].after->rms_px < 0.3);
  }
}

TEST_CASE("arcs alone make a lens that is told as one that hardly exists") {
  plate::LineSet arcs{.plate_size = {960, 540}, .chains = {}};
  for (int i = 0; i < 8; ++i) {
    const double turn = std::numbers::pi * i / 4.0;
    const Point2d side(std::cos(turn), std::sin(turn));
    // Bent about the plate's middle, as lines are by a barrel.
    arcs.chains.push_back(arc(fmt::format("arc {}", i),
                              Point2d(480.0, 270.0) - 130.0 * side,
                              350.0,
                              turn - 0.55,
                              turn + 0.55));
  }
  CHECK(tests::has_warning(fitted(arcs).warnings, "strong-bend"));
}

TEST_CASE("curved things alone are no lens, unless their straightness is the user's word") {
  // Rims of round things seen from the side, and letters: ellipses and circles of many sizes.
  std::mt19937 random(77);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  std::normal_distribution<double> noise(0.0, 0.05);
  int num_refused = 0;
  constexpr int kSets = 12;
  for (int set = 0; set < kSets; ++set) {
    CAPTURE(set);
    plate::LineSet curves{.plate_size = {960, 540}, .chains = {}};
    for (int i = 0; i < 18; ++i) {
      const double turn = 2.0 * std::numbers::pi * share(random);
      plate::LineChain chain =
          arc(fmt::format("rim {}", i),
              Point2d(200.0 + 560.0 * share(random), 150.0 + 240.0 * share(random)),
              60.0 + 340.0 * share(random) * share(random),
              turn,
              turn + 0.4 + 0.4 * share(random));
      std::erase_if(chain.points_px, [](const Point2d& p) {
        return p.x() < 0.0 || p.y() < 0.0 || p.x() > 960.0 || p.y() > 540.0;
      });
      for (Point2d& p : chain.points_px) p += Point2d(noise(random), noise(random));
      if (chain.points_px.size() > 15) curves.chains.push_back(std::move(chain));
    }
    const std::string message = refusal(curves);
    num_refused += message.empty() ? 0 : 1;
    const auto kept = plate::fit_lens_to_lines(curves, {.rejection = plate::LineRejection::kOff});
    if (kept) CHECK(tests::has_warning(kept->warnings, "lines-bow"));
  }
  CHECK(num_refused == kSets);
}

TEST_CASE("the model is chosen: k2 where the lines show it, one term where they do not") {
  std::mt19937 random(23);
  const PlumbLens simple{.k1 = -0.1};
  const plate::LineFit one =
      fitted(sample_lines(simple, {.num_lines = 30, .noise_px = 0.2}, random));
  REQUIRE(one.trials.size() == 4);
  for (const plate::LineTrial& trial : one.trials) {
    if (trial.chosen) CHECK(trial.num_coefficients == 1);
    CHECK(trial.chosen == trial.reason.empty());
  }
  const PlumbLens moustache{.k1 = -0.25, .k2 = 0.35};
  const plate::LineFit two =
      fitted(sample_lines(moustache, {.num_lines = 40, .noise_px = 0.1}, random));
  for (const plate::LineTrial& trial : two.trials) {
    if (trial.chosen) CHECK(trial.num_coefficients == 2);
  }
  CHECK(field_error(two.lens, moustache.as_lens()).rms_px < 0.3);
}

TEST_CASE("the centre moves as far as the lines determine it, or stays where it is told to") {
  std::mt19937 random(29);
  const PlumbLens strong{.centre_px = {492.0, 263.0}, .k1 = -0.2};
  const plate::LineSet lines = sample_lines(strong, {.num_lines = 40, .noise_px = 0.1}, random);
  const plate::LineFit free = fitted(lines);
  CHECK(std::abs(free.lens.principal_point_px.x() - 492.0) <
        4.0 * sigma_of(free, "principal_x_px"));
  CHECK(std::abs(free.lens.principal_point_px.y() - 263.0) <
        4.0 * sigma_of(free, "principal_y_px"));
  CHECK_FALSE(tests::has_warning(free.warnings, "centre-not-determined"));
  const plate::LineFit held = fitted(lines, {.centre_px = Point2d(480.0, 270.0)});
  CHECK(held.lens.principal_point_px == Point2d(480.0, 270.0));
  CHECK(sigma_of(held, "principal_x_px") == 0.0);
  CHECK(held.rms_px > free.rms_px);
  CHECK_FALSE(tests::has_warning(fitted(lines, {.centre_px = strong.centre_px}).warnings,
                                 "centre-contradicted"));
  const plate::LineFit wrong = fitted(lines, {.centre_px = Point2d(400.0, 200.0)});
  CHECK(tests::has_warning(wrong.warnings, "centre-contradicted"));

  const PlumbLens weak{.centre_px = {492.0, 263.0}, .k1 = -0.002};
  const plate::LineFit open =
      fitted(sample_lines(weak, {.num_lines = 40, .noise_px = 0.2}, random));
  CHECK(tests::has_warning(open.warnings, "centre-not-determined"));
  CHECK((open.lens.principal_point_px - Point2d(480.0, 270.0)).norm() < 20.0);
  CHECK(sigma_of(open, "principal_x_px") > 0.4 * plate::kCentreDoubt * 960.0);
  // That bends no line, though a solve that believes the centre would be wrong by it.
  CHECK(open.bend_sigma_rms_px < 0.5 * open.map_sigma_rms_px);
  CHECK(free.bend_sigma_rms_px <= free.map_sigma_rms_px);
  CHECK(tests::field_error(open.lens, weak.as_lens()).rms_px < 3.0 * open.bend_sigma_rms_px);
}

TEST_CASE("the uncertainty grows where neighbouring points share their noise") {
  // Moving averages over 9 points: a ninth as many independent ones.
  std::mt19937 random(31);
  const PlumbLens truth{.k1 = -0.1};
  plate::LineSet lines =
      sample_lines(truth, {.num_lines = 30, .points_per_line = 120, .noise_px = 0.0}, random);
  std::normal_distribution<double> gauss(0.0, 0.3);
  for (plate::LineChain& chain : lines.chains) {
    std::vector<Point2d> noise(chain.points_px.size() + 8);
    for (Point2d& n : noise) n = {gauss(random), gauss(random)};
    for (std::size_t i = 0; i < chain.points_px.size(); ++i) {
      for (std::size_t k = 0; k < 9; ++k) chain.points_px[i] += noise[i + k] / 9.0;
    }
  }
  const plate::LineFit fit = fitted(lines, {.model = "radial-tangential", .radial_terms = 1});
  MESSAGE(fmt::format("noise {:.3f} px, structure {:.3f} px, {:.0f} of {} points independent",
                      fit.noise_px,
                      fit.structure_px,
                      fit.independent_points,
                      fit.num_points));
  // Averages of 9 have a third of the deviation, 0.1; their slow parts keep 0.3.
  CHECK(fit.structure_px > 0.25);
  // As 30 lines happen to scatter.
  CHECK(fit.structure_px < 0.7);
  CHECK(fit.independent_points < 0.25 * fit.num_points);
}

TEST_CASE("lines that cannot tell the lens are refused, and say why") {
  std::mt19937 random(37);
  CHECK(refusal({.plate_size = {960, 540}, .chains = {}}).find("no lines") != std::string::npos);
  // Two points each; one point.
  CHECK(refusal(straight_chain({10, 10}, {900, 20}, 2)).find("3 or more") != std::string::npos);
  CHECK(refusal(straight_chain({10, 10}, {10, 10}, 1)).find("3 or more") != std::string::npos);
  // A point many times over.
  CHECK(refusal(straight_chain({10, 10}, {10, 10}, 50)).find("3 or more") != std::string::npos);
  // All through the middle.
  plate::LineSet radial{.plate_size = {960, 540}, .chains = {}};
  std::normal_distribution<double> gauss(0.0, 0.2);
  for (int k = 0; k < 12; ++k) {
    plate::LineChain chain{.name = std::to_string(k), .frame = "", .points_px = {}};
    const double angle = k * std::numbers::pi / 12.0;
    for (int i = -20; i <= 20; ++i) {
      chain.points_px.emplace_back(480.0 + 13.0 * i * std::cos(angle) + gauss(random),
                                   270.0 + 13.0 * i * std::sin(angle) + gauss(random));
    }
    radial.chains.push_back(std::move(chain));
  }
  CHECK(refusal(radial).find("middle of the frame") != std::string::npos);
  // One short line.
  plate::LineSet shorty = straight_chain({300, 100}, {340, 102}, 12);
  for (Point2d& p : shorty.chains.front().points_px) p.y() += gauss(random);
  CHECK(refusal(shorty).find("leave the distortion open") != std::string::npos);
}

TEST_CASE("one long line near the edge is little, but it is something") {
  const PlumbLens truth{.k1 = -0.2};
  std::mt19937 random(41);
  std::normal_distribution<double> gauss(0.0, 0.1);
  plate::LineSet lines{.plate_size = {960, 540},
                       .chains = {{.name = "top", .frame = "", .points_px = {}}}};
  for (int i = 0; i <= 60; ++i) {
    lines.chains.front().points_px.push_back(truth.bent({20.0 + 15.3 * i, 20.0}) +
                                             Point2d(gauss(random), gauss(random)));
  }
  const plate::LineFit fit = fitted(lines, {.focal_px = Point2d(900.0, 900.0)});
  CHECK(tests::has_warning(fit.warnings, "few-lines"));
  CHECK(std::abs(coefficient(fit, "k1") + 0.2) < 5.0 * sigma_of(fit, "k1") + 0.02);
}

TEST_CASE("numbers that make no sense are refused") {
  std::mt19937 random(43);
  const plate::LineSet lines = sample_lines({.k1 = -0.1}, {}, random);
  plate::LineSet bad = lines;
  bad.chains[3].points_px[5].x() = std::numeric_limits<double>::quiet_NaN();
  CHECK(refusal(bad).find("line 4: a point is not a finite number") != std::string::npos);
  bad = lines;
  bad.plate_size = {0, 540};
  CHECK(refusal(bad).find("0x540") != std::string::npos);
  CHECK(refusal(lines, {.model = "equidistant"}).find("equidistant") != std::string::npos);
  CHECK(refusal(lines, {.focal_px = Point2d(0.0, 900.0)}).find("focal") != std::string::npos);
  CHECK(refusal(lines, {.focal_ratio = std::nan("")}).find("ratio") != std::string::npos);
  CHECK(refusal(lines, {.centre_px = Point2d(-5.0, 3.0)}).find("centre") != std::string::npos);
}

TEST_CASE("the same edge seen again by a camera that stands still counts once") {
  std::mt19937 random(47);
  plate::LineSet lines = sample_lines({.k1 = -0.1}, {.num_lines = 15, .noise_px = 0.1}, random);
  for (plate::LineChain& chain : lines.chains) chain.frame = "a.png";
  const std::size_t count = lines.chains.size();
  for (std::size_t i = 0; i < count; ++i) {
    plate::LineChain again = lines.chains[i];
    again.frame = "b.png";
    for (Point2d& p : again.points_px) p.x() += 0.05;
    lines.chains.push_back(std::move(again));
  }
  const plate::LineFit fit = fitted(lines);
  CHECK(fit.num_lines == 15);
  CHECK(fit.lines.back().reason.find("repeats") != std::string::npos);
}

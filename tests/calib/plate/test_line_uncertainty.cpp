// Whether the stated uncertainty is honest: over random lenses and lines the true k1 lies within
// the 95 % interval about 95 times in 100. Truth: tests/support/line_scene.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <random>

#include "calib/plate/line_fit.h"
#include "tests/support/line_scene.h"

namespace {

using namespace trueplate;

constexpr int kTrials = 200;

struct Coverage {
  int inside = 0;
  int centre_inside = 0;
  double mean_square = 0.0;  // of the error in standard deviations
};

/// The share of trials whose k1 interval holds the truth. `share` neighbouring points share noise.
Coverage coverage(int num_lines, std::size_t share, std::uint32_t seed) {
  Coverage result;
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> strength(-0.25, 0.1);
  std::normal_distribution<double> gauss;
  for (int trial = 0; trial < kTrials; ++trial) {
    // Centres lie about the middle, as is believed of lenses.
    const tests::PlumbLens truth{
        .centre_px = {480.0 + 8.0 * gauss(random), 270.0 + 8.0 * gauss(random)},
        .k1 = strength(random)};
    plate::LineSet lines = tests::sample_lines(
        truth, {.num_lines = num_lines, .points_per_line = 60, .noise_px = 0.0}, random);
    for (plate::LineChain& chain : lines.chains) {
      std::vector<Point2d> noise(chain.points_px.size() + share);
      for (Point2d& n : noise) n = 0.2 * Point2d(gauss(random), gauss(random));
      for (std::size_t i = 0; i < chain.points_px.size(); ++i) {
        for (std::size_t k = 0; k < share; ++k) {
          chain.points_px[i] += noise[i + k] / std::sqrt(static_cast<double>(share));
        }
      }
    }
    const auto fit = plate::fit_lens_to_lines(lines,
                                              {.model = "radial-tangential",
                                               .radial_terms = 1,
                                               .focal_px = Point2d(900.0, 900.0),
                                               .held_out_folds = 0});
    REQUIRE(fit.has_value());
    const double error = (lens::parameters(fit->lens.model)[0] - truth.k1) / fit->sigma[4];
    result.mean_square += error * error / kTrials;
    if (std::abs(error) < 1.96) ++result.inside;
    const double off = (fit->lens.principal_point_px.x() - truth.centre_px.x()) / fit->sigma[2];
    if (std::abs(off) < 1.96) ++result.centre_inside;
  }
  return result;
}

}  // namespace

TEST_CASE("k1 lies within its 95 % interval") {
  struct Kind {
    const char* name;
    int num_lines;
    std::size_t share;
  };
  for (const Kind& kind : {Kind{"15 lines, independent points", 15, 1},
                           Kind{"15 lines, noise shared by 5 points", 15, 5},
                           Kind{"6 lines, independent points", 6, 1}}) {
    const Coverage found = coverage(kind.num_lines, kind.share, 101);
    MESSAGE(
        fmt::format("{}: k1 within the 95 % interval in {:.1f} % of {}, centre x {:.1f} %, mean "
                    "square error {:.2f} of the stated",
                    kind.name,
                    100.0 * found.inside / kTrials,
                    kTrials,
                    100.0 * found.centre_inside / kTrials,
                    found.mean_square));
    // Of 200 trials at 95 %, fewer than 181 or more than 198 happen once in 500 each.
    CHECK(found.inside >= 181);
    CHECK(found.inside <= 199);
  }
}

namespace {

/// Lines towards the middle, which say nothing of the lens, and four long edges beside it that are
/// bowed in the world, each seen in three pieces: what most pictures of streets are like.
plate::LineSet street(const tests::PlumbLens& truth, double bow_px, std::mt19937& random) {
  std::normal_distribution<double> gauss;
  std::uniform_real_distribution<double> share(0.0, 1.0);
  plate::LineSet lines{.plate_size = {960, 540}, .chains = {}};
  const auto add =
      [&](const Point2d& from, const Point2d& to, double bow, double begin, double end) {
        plate::LineChain chain{
            .name = fmt::format("{}", lines.chains.size()), .frame = "", .points_px = {}};
        const Point2d across = Point2d(from.y() - to.y(), to.x() - from.x()).normalized();
        for (int i = 0; i < 40; ++i) {
          const double t = begin + (end - begin) * i / 39.0;
          const Point2d p = from + t * (to - from) + 4.0 * bow * t * (1.0 - t) * across;
          chain.points_px.push_back(truth.bent(p) + 0.2 * Point2d(gauss(random), gauss(random)));
        }
        lines.chains.push_back(std::move(chain));
      };
  for (int i = 0; i < 15; ++i) {
    const double angle = 6.28 * share(random);
    const Point2d way(std::cos(angle), std::sin(angle));
    const Point2d off = 10.0 * Point2d(gauss(random), gauss(random));
    add(truth.centre_px + off + 40.0 * way, truth.centre_px + off + 250.0 * way, 0.0, 0.0, 1.0);
  }
  for (int edge = 0; edge < 4; ++edge) {
    const double y = edge % 2 == 0 ? 40.0 + 80.0 * share(random) : 420.0 + 80.0 * share(random);
    const double x = 60.0 + 300.0 * share(random);
    const double bow = bow_px * gauss(random);
    const Point2d to(x + 450.0, y + 30.0 * gauss(random));
    for (int piece = 0; piece < 3; ++piece) {
      add({x, y}, to, bow, piece / 3.0, piece / 3.0 + 0.3);
    }
  }
  return lines;
}

}  // namespace

TEST_CASE(
    "few edges that say nearly everything and are not straight: the interval still holds k1") {
  // The bow of an edge is no noise of its points: all its pieces show it.
  std::mt19937 random(7);
  int inside = 0;
  int given = 0;
  double mean_square = 0.0;
  for (int trial = 0; trial < kTrials; ++trial) {
    const tests::PlumbLens truth{.k1 = -0.1};
    const auto fit = plate::fit_lens_to_lines(street(truth, 0.5, random),
                                              {.model = "radial-tangential",
                                               .radial_terms = 1,
                                               .focal_px = Point2d(900.0, 900.0),
                                               .rejection = plate::LineRejection::kOff,
                                               .held_out_folds = 0});
    if (!fit) continue;  // refused for its uncertainty
    ++given;
    const double error = (lens::parameters(fit->lens.model)[0] - truth.k1) / fit->sigma[4];
    mean_square += error * error;
    if (std::abs(error) < 1.96) ++inside;
  }
  MESSAGE(
      fmt::format("4 bowed edges: k1 within the 95 % interval in {:.1f} % of {}, mean square "
                  "error {:.2f} of the stated",
                  100.0 * inside / given,
                  given,
                  mean_square / given));
  CHECK(given > kTrials / 2);
  CHECK(inside >= 0.9 * given);
}

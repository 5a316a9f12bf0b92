// Edges in pictures whose edges are known: where they are found, to a fraction of a pixel, and that
// both sides of a painted line are lines of their own.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <numbers>
#include <random>

#include "calib/plate/edge_chains.h"
#include "tests/support/line_scene.h"

namespace {

using namespace trueplate;
using tests::photograph;
using tests::PlateLook;
using tests::PlumbLens;
using tests::Slab;
using tests::World;

using Chains = std::vector<std::vector<Point2d>>;

/// Signed distance of points from a slab's long edges: which one, and how far outside.
struct Errors {
  double mean_px = 0.0;
  double rms_px = 0.0;
  std::size_t count = 0;
};

Errors errors_of(const Chains& chains, const Slab& slab, double outside_grey) {
  Errors errors;
  double squares = 0.0;
  const Point2d way(std::cos(slab.angle_rad), std::sin(slab.angle_rad));
  CHECK(slab.grey != outside_grey);
  for (const auto& chain : chains) {
    for (const Point2d& p : chain) {
      const Point2d off = p - slab.middle;
      const double outside = std::abs(way.x() * off.y() - way.y() * off.x()) - 0.5 * slab.width;
      if (std::abs(off.dot(way)) > 0.5 * slab.length - 8.0 || std::abs(outside) > 3.0) continue;
      errors.mean_px += outside;
      squares += outside * outside;
      ++errors.count;
    }
  }
  const auto n = static_cast<double>(errors.count);
  errors.mean_px /= n;
  errors.rms_px = std::sqrt(squares / n);
  return errors;
}

const PlumbLens kNoLens{.plate_size = {320, 240}, .focal_px = 300.0, .centre_px = {160.0, 120.0}};

}  // namespace

TEST_CASE("edges are found without bias at any angle, place and blur") {
  // Sigma 0.5 to 1.5 px; eight directions, each at another place within the pixel.
  for (const double blur : {0.5, 0.8, 1.5}) {
    double worst_mean = 0.0;
    double worst_rms = 0.0;
    for (int k = 0; k < 8; ++k) {
      const Slab slab{.middle = {160.0 + 0.13 * k, 120.0 + 0.29 * k},
                      .length = 200.0,
                      .width = 60.0,
                      .angle_rad = k * std::numbers::pi / 8.0 + 0.05,
                      .grey = 0.85};
      const World world{.grey = 0.25, .slabs = {slab}, .rounds = {}};
      const Image<float> picture = photograph(world, kNoLens, {.blur_px = blur, .bits = 8});
      const Chains chains = plate::find_edge_chains(picture.view(), {.least_length_px = 40.0});
      const Errors errors = errors_of(chains, slab, world.grey);
      CHECK(errors.count > 150);
      worst_mean = std::max(worst_mean, std::abs(errors.mean_px));
      worst_rms = std::max(worst_rms, errors.rms_px);
    }
    MESSAGE(fmt::format("blur {} px: bias {:.4f} px, rms {:.4f} px at the worst direction",
                        blur,
                        worst_mean,
                        worst_rms));
    CHECK(worst_mean < 0.005);
    CHECK(worst_rms < 0.03);
  }
}

TEST_CASE(
    "both edges of a painted line are found apart, the brighter side on the left of the way") {
  const Slab stripe{
      .middle = {160.0, 120.0}, .length = 220.0, .width = 8.0, .angle_rad = 0.3, .grey = 0.9};
  const World world{.grey = 0.3, .slabs = {stripe}, .rounds = {}};
  const Image<float> picture = photograph(world, kNoLens, {});
  const Chains chains = plate::find_edge_chains(picture.view(), {.least_length_px = 100.0});
  REQUIRE(chains.size() == 2);
  const Errors errors = errors_of(chains, stripe, world.grey);
  CHECK(std::abs(errors.mean_px) < 0.03);
  for (const auto& chain : chains) {
    const Point2d way = chain.back() - chain.front();
    const Point2d to_middle = stripe.middle - chain[chain.size() / 2];
    CHECK(Point2d(way.y(), -way.x()).dot(to_middle) > 0.0);
  }
}

TEST_CASE("a chain ends at a corner, and continues across a gap") {
  World world{.grey = 0.3,
              .slabs = {{.middle = {160.0, 120.0},
                         .length = 200.0,
                         .width = 120.0,
                         .angle_rad = 0.1,
                         .grey = 0.8}},
              .rounds = {}};
  Image<float> picture = photograph(world, kNoLens, {});
  Chains chains = plate::find_edge_chains(picture.view(), {.least_length_px = 40.0});
  CHECK(chains.size() == 4);
  // Something narrow in front of both long edges.
  world.slabs.push_back(
      {.middle = {150.0, 120.0}, .length = 10.0, .width = 240.0, .angle_rad = 0.0, .grey = 0.55});
  picture = photograph(world, kNoLens, {});
  chains = plate::find_edge_chains(picture.view(), {.least_length_px = 40.0});
  std::size_t num_long = 0;
  for (const auto& chain : chains) {
    if ((chain.back() - chain.front()).norm() > 170.0) ++num_long;
  }
  CHECK(num_long >= 2);
}

TEST_CASE("pictures without edges, tiny ones and missing pixels are no trouble") {
  CHECK(plate::find_edge_chains({}, {}).empty());
  Image<float> picture(200, 100, 1);
  picture.fill(0.4F);
  CHECK(plate::find_edge_chains(picture.view(), {}).empty());
  picture.fill(std::numeric_limits<float>::quiet_NaN());
  CHECK(plate::find_edge_chains(picture.view(), {}).empty());
  picture.fill(std::numeric_limits<float>::infinity());
  CHECK(plate::find_edge_chains(picture.view(), {}).empty());
  std::mt19937 random(4);
  std::normal_distribution<float> gauss(0.5F, 0.1F);
  for (std::size_t i = 0; i < picture.size(); ++i) picture.data()[i] = gauss(random);
  CHECK(plate::find_edge_chains(picture.view(), {.least_length_px = 40.0}).empty());
  // An edge against pixels that do not exist is none.
  for (int y = 0; y < 100; ++y) {
    for (int x = 0; x < 200; ++x) {
      picture.at(x, y) = x < 90 ? 0.5F : std::numeric_limits<float>::quiet_NaN();
    }
  }
  CHECK(plate::find_edge_chains(picture.view(), {}).empty());
  Image<float> tiny(4, 4, 1);
  tiny.fill(0.0F);
  CHECK(plate::find_edge_chains(tiny.view(), {}).empty());
}

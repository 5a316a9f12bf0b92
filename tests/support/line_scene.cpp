#include "tests/support/line_scene.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "calib/plate/edge_chains.h"

namespace trueplate::tests {
namespace {

constexpr int kSamples = 3;  // a pixel side

/// How much of a sample `inside` px within an edge is covered; a sample is a third of a pixel wide.
double covered(double inside_px) { return std::clamp(kSamples * inside_px + 0.5, 0.0, 1.0); }

double shade(const World& world, const Point2d& p) {
  double grey = world.grey;
  for (const Slab& slab : world.slabs) {
    const Point2d off = p - slab.middle;
    const Point2d way(std::cos(slab.angle_rad), std::sin(slab.angle_rad));
    const double along = 0.5 * slab.length - std::abs(off.dot(way));
    const double across = 0.5 * slab.width - std::abs(way.x() * off.y() - way.y() * off.x());
    const double share = covered(along) * covered(across);
    grey += share * (slab.grey - grey);
  }
  for (const Round& round : world.rounds) {
    const double share = covered(round.radius - (p - round.middle).norm());
    grey += share * (round.grey - grey);
  }
  return grey;
}

/// Gaussian and pixel area together: weights of samples beside a pixel's middle.
std::vector<double> pixel_weights(double blur_px) {
  const int reach = static_cast<int>(std::ceil((4.5 * blur_px + 0.5) * kSamples));
  std::vector<double> weights;
  double sum = 0.0;
  for (int i = -reach; i <= reach; ++i) {
    const double x = static_cast<double>(i) / kSamples;
    const double s = blur_px * std::numbers::sqrt2;
    weights.push_back(std::erf((x + 0.5) / s) - std::erf((x - 0.5) / s));
    sum += weights.back();
  }
  for (double& weight : weights) weight /= sum;
  return weights;
}

}  // namespace

Point2d PlumbLens::bent(const Point2d& p_straight_px) const {
  const Point2d d = (p_straight_px - centre_px) / focal_px;
  const double r2 = d.squaredNorm();
  return centre_px + focal_px * (1.0 + r2 * (k1 + k2 * r2)) * d;
}

Point2d PlumbLens::straight(const Point2d& p_bent_px) const {
  const Point2d d = (p_bent_px - centre_px) / focal_px;
  const double wanted = d.norm();
  double r = wanted;
  for (int i = 0; i < 30; ++i) {
    const double r2 = r * r;
    r -= (r * (1.0 + r2 * (k1 + k2 * r2)) - wanted) / (1.0 + r2 * (3.0 * k1 + 5.0 * k2 * r2));
  }
  return wanted > 0.0 ? Point2d(centre_px + focal_px * (r / wanted) * d) : p_bent_px;
}

lens::Lens PlumbLens::as_lens() const {
  lens::Lens lens;
  lens.plate_size = plate_size;
  lens.focal_px = {focal_px, focal_px};
  lens.principal_point_px = centre_px;
  lens.model = lens::RadialTangential({k1, k2, 0.0, 0.0, 0.0});
  return lens;
}

Image<float> photograph(const World& world, const PlumbLens& lens, const PlateLook& look) {
  const std::vector<double> weights = pixel_weights(look.blur_px);
  const int reach = static_cast<int>(weights.size() / 2);
  const auto [width, height] = lens.plate_size;
  const int wide = width * kSamples + 2 * reach;
  const int tall = height * kSamples + 2 * reach;
  // Rows of samples, blurred along x at once; then along y.
  Image<float> across(width, tall, 1);
  std::vector<double> row(static_cast<std::size_t>(wide));
  for (int j = 0; j < tall; ++j) {
    for (int i = 0; i < wide; ++i) {
      const Point2d p((i - reach + 0.5) / kSamples, (j - reach + 0.5) / kSamples);
      row[static_cast<std::size_t>(i)] = shade(world, lens.straight(p));
    }
    for (int x = 0; x < width; ++x) {
      // The middle sample of pixel x is number kSamples x + kSamples / 2.
      const double* first = row.data() + kSamples * x + kSamples / 2;
      double sum = 0.0;
      for (std::size_t k = 0; k < weights.size(); ++k) sum += weights[k] * first[k];
      across.at(x, j) = static_cast<float>(sum);
    }
  }
  Image<float> picture(width, height, 1);
  std::mt19937 random(look.seed);
  std::normal_distribution<double> gauss;
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      double sum = 0.0;
      for (std::size_t k = 0; k < weights.size(); ++k) {
        sum += weights[k] * across.at(x, kSamples * y + kSamples / 2 + static_cast<int>(k));
      }
      sum += look.noise * gauss(random);
      if (look.bits > 0) {
        const double top = std::ldexp(1.0, look.bits) - 1.0;
        sum = std::round(std::clamp(sum, 0.0, 1.0) * top) / top;
      }
      picture.at(x, y) = static_cast<float>(sum);
    }
  }
  return picture;
}

World world_of(ImageSize plate, const WorldPlan& plan) {
  const double reach = plan.reach;
  std::mt19937 random(plan.seed);
  std::uniform_real_distribution<double> share(0.0, 1.0);
  const auto place = [&] {
    const double y = plate.height * (0.02 + 0.96 * share(random));
    const double x = plate.width * (0.02 + 0.96 * share(random));
    const Point2d middle(0.5 * plate.width, 0.5 * plate.height);
    return Point2d(middle + reach * (Point2d(x, y) - middle));
  };
  World world{.grey = 0.4, .slabs = {}, .rounds = {}};
  for (int i = 0; i < 14; ++i) {
    const double turn = (share(random) - 0.5) * 0.5 + (i % 2 == 0 ? 0.0 : std::numbers::pi / 2.0);
    world.slabs.push_back(
        {.middle = place(),
         .length = reach * plate.width * (0.4 + 0.6 * share(random)),
         .width = reach * (12.0 + 50.0 * share(random)),
         .angle_rad = turn,
         .grey = i % 3 == 0 ? 0.1 + 0.2 * share(random) : 0.6 + 0.35 * share(random)});
  }
  for (int i = 0; i < plan.num_rounds; ++i) {
    world.rounds.push_back({.middle = place(),
                            .radius = reach * (25.0 + 75.0 * share(random)),
                            .grey = i % 2 == 0 ? 0.15 : 0.85});
  }
  return world;
}

plate::LineSet lines_in(const Image<float>& picture) {
  plate::LineSet lines{.plate_size = {picture.width(), picture.height()}, .chains = {}};
  for (auto& chain : plate::find_edge_chains(picture.view())) {
    lines.chains.push_back({.name = std::to_string(lines.chains.size() + 1),
                            .frame = "",
                            .points_px = std::move(chain)});
  }
  return lines;
}

plate::LineSet sample_lines(const PlumbLens& lens,
                            const SampledLines& wanted,
                            std::mt19937& random) {
  std::uniform_real_distribution<double> share(0.0, 1.0);
  std::normal_distribution<double> gauss;
  const auto place = [&] {
    return Point2d(lens.plate_size.width * share(random), lens.plate_size.height * share(random));
  };
  plate::LineSet lines{.plate_size = lens.plate_size, .chains = {}};
  while (static_cast<int>(lines.chains.size()) < wanted.num_lines) {
    const Point2d begin = place();
    const Point2d end = place();
    if ((end - begin).norm() < wanted.least_length_px) continue;
    const Point2d from = lens.straight(begin);
    const Point2d to = lens.straight(end);
    plate::LineChain chain{
        .name = std::to_string(lines.chains.size() + 1), .frame = "", .points_px = {}};
    for (int i = 0; i < wanted.points_per_line; ++i) {
      const double t = static_cast<double>(i) / (wanted.points_per_line - 1);
      chain.points_px.push_back(lens.bent(from + t * (to - from)) +
                                wanted.noise_px * Point2d(gauss(random), gauss(random)));
    }
    lines.chains.push_back(std::move(chain));
  }
  return lines;
}

std::string fit_text(const plate::LineFit& fit) {
  return std::to_string(fit.num_lines) + " of " + std::to_string(fit.lines.size()) + " lines, " +
         std::string(lens::model_name(fit.lens.model));
}

}  // namespace trueplate::tests

#include "charts/synth/detail/board_pattern.h"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace trueplate::synth::detail {
namespace {

constexpr double kNothing = -1.0;  // off the board

struct Vertex {
  double s = 0.0, t = 0.0;                      // place in the cell, 0..1
  Eigen::Vector3d h = Eigen::Vector3d::Zero();  // homogeneous place on the board
};

/// A convex polygon. Four corners, cut by at most two lines along each axis and by the horizon.
struct Polygon {
  std::array<Vertex, 16> vertices;
  std::size_t size = 0;

  void add(const Vertex& vertex) {
    assert(size < vertices.size());
    vertices[size++] = vertex;
  }
  /// Area and its moments about the centre of the cell.
  [[nodiscard]] Moments moments() const {
    Moments sum;
    for (std::size_t i = 0; i < size; ++i) {
      const Vertex& a = vertices[i];
      const Vertex& b = vertices[i + 1 == size ? 0 : i + 1];
      const double as = a.s - 0.5;
      const double at = a.t - 0.5;
      const double bs = b.s - 0.5;
      const double bt = b.t - 0.5;
      const double cross = as * bt - bs * at;
      sum.mean += 0.5 * cross;
      sum.x += cross * (as + bs) / 6.0;
      sum.y += cross * (at + bt) / 6.0;
    }
    return sum;
  }
};

/// Cuts the polygon where f, linear along its edges, changes sign.
template <class F>
void split(const Polygon& polygon, F f, Polygon* negative, Polygon* positive) {
  negative->size = 0;
  positive->size = 0;
  for (std::size_t i = 0; i < polygon.size; ++i) {
    const Vertex& a = polygon.vertices[i];
    const Vertex& b = polygon.vertices[i + 1 == polygon.size ? 0 : i + 1];
    const double fa = f(a.h);
    const double fb = f(b.h);
    (fa < 0.0 ? negative : positive)->add(a);
    if ((fa < 0.0) == (fb < 0.0)) continue;
    const double k = fa / (fa - fb);
    const Vertex cut{a.s + k * (b.s - a.s), a.t + k * (b.t - a.t), a.h + k * (b.h - a.h)};
    negative->add(cut);
    positive->add(cut);
  }
}

std::vector<double> lines_of(int num_corners, double border_squares) {
  std::vector<double> lines;
  lines.reserve(static_cast<std::size_t>(num_corners) + 4);
  lines.push_back(-1.0 - border_squares);
  for (int i = -1; i <= num_corners; ++i) lines.push_back(i);
  lines.push_back(num_corners + border_squares);
  return lines;
}

void add(double factor, const Moments& moments, Moments* sum) {
  sum->mean += factor * moments.mean;
  sum->x += factor * moments.x;
  sum->y += factor * moments.y;
}

std::size_t band_of(const std::vector<double>& lines, double place) {
  return static_cast<std::size_t>(std::upper_bound(lines.begin(), lines.end(), place) -
                                  lines.begin());
}

}  // namespace

BoardPlane::BoardPlane(const Eigen::Isometry3d& camera_from_chart, double pitch_mm) {
  const Eigen::Matrix3d chart_from_camera = camera_from_chart.linear().transpose();
  const Eigen::Vector3d centre = -(chart_from_camera * camera_from_chart.translation());
  // The ray centre + k chart_from_camera (x, y, 1) meets z = 0 at k = -centre_z / direction_z;
  // the sign makes w positive exactly where k is.
  const double sign = centre.z() < 0.0 ? 1.0 : -1.0;
  printed_side = centre.z() < 0.0;
  h_from_ideal.row(0) =
      sign / pitch_mm *
      (centre.x() * chart_from_camera.row(2) - centre.z() * chart_from_camera.row(0));
  h_from_ideal.row(1) =
      sign / pitch_mm *
      (centre.y() * chart_from_camera.row(2) - centre.z() * chart_from_camera.row(1));
  h_from_ideal.row(2) = sign * chart_from_camera.row(2);
}

BoardPattern::BoardPattern(const target::Chart& chart,
                           double border_squares,
                           double white,
                           double black)
    : lines_x_(lines_of(chart.columns, border_squares)),
      lines_y_(lines_of(chart.rows, border_squares)),
      white_(white),
      black_(black) {}

double BoardPattern::value(std::size_t band_x, std::size_t band_y) const {
  const std::size_t last_x = lines_x_.size();
  const std::size_t last_y = lines_y_.size();
  if (band_x == 0 || band_y == 0 || band_x == last_x || band_y == last_y) return kNothing;
  if (band_x == 1 || band_y == 1 || band_x == last_x - 1 || band_y == last_y - 1) {
    return white_;
  }
  return (band_x + band_y) % 2 == 0 ? black_ : white_;
}

bool BoardPattern::is_uniform(const std::array<Eigen::Vector3d, 4>& corners,
                              BoardLight* light) const {
  std::size_t band_x = 0;
  std::size_t band_y = 0;
  for (std::size_t i = 0; i < 4; ++i) {
    const Eigen::Vector3d& h = corners[i];
    if (!(h.z() > 0.0)) return false;
    const std::size_t x = band_of(lines_x_, h.x() / h.z());
    const std::size_t y = band_of(lines_y_, h.y() / h.z());
    if (i > 0 && (x != band_x || y != band_y)) return false;
    band_x = x;
    band_y = y;
  }
  const double here = value(band_x, band_y);
  *light = {};
  if (here != kNothing) *light = {.share = {.mean = 1.0}, .light = {.mean = here}};
  return true;
}

BoardLight BoardPattern::integrate(const std::array<Eigen::Vector3d, 4>& corners) const {
  Polygon cell;
  cell.add({0.0, 0.0, corners[0]});
  cell.add({1.0, 0.0, corners[1]});
  cell.add({1.0, 1.0, corners[2]});
  cell.add({0.0, 1.0, corners[3]});

  // Beyond the horizon of the plane there is no board. The cut stays a hair in front of it, where
  // places are finite and far outside every chart.
  double largest_w = 0.0;
  double smallest_w = 0.0;
  for (const Eigen::Vector3d& h : corners) {
    largest_w = std::max(largest_w, h.z());
    smallest_w = std::min(smallest_w, h.z());
  }
  if (!(largest_w > 0.0)) return {};
  Polygon rest = cell;
  Polygon part;
  if (smallest_w <= 0.0) {
    const double horizon = 1e-12 * largest_w;
    split(
        cell, [&](const Eigen::Vector3d& h) { return h.z() - horizon; }, &part, &rest);
  }
  // Cut off one column of squares after the other, and each column into squares.
  const auto range = [](const Polygon& polygon, const Lines& lines, int axis) {
    double low = polygon.vertices[0].h[axis] / polygon.vertices[0].h.z();
    double high = low;
    for (std::size_t i = 1; i < polygon.size; ++i) {
      const double place = polygon.vertices[i].h[axis] / polygon.vertices[i].h.z();
      low = std::min(low, place);
      high = std::max(high, place);
    }
    return std::pair(band_of(lines, low), band_of(lines, high));
  };
  BoardLight sum;
  if (rest.size < 3) return sum;
  const auto [x_first, x_last] = range(rest, lines_x_, 0);
  Polygon column;
  Polygon square;
  for (std::size_t x = x_first; x <= x_last && rest.size >= 3; ++x) {
    if (x < x_last) {
      const double line = lines_x_[x];
      split(
          rest, [&](const Eigen::Vector3d& h) { return h.x() - line * h.z(); }, &column, &part);
      std::swap(rest, part);
    } else {
      column = rest;
    }
    if (x == 0 || x == lines_x_.size() || column.size < 3) continue;
    const auto [y_first, y_last] = range(column, lines_y_, 1);
    for (std::size_t y = y_first; y <= y_last && column.size >= 3; ++y) {
      if (y < y_last) {
        const double line = lines_y_[y];
        split(
            column, [&](const Eigen::Vector3d& h) { return h.y() - line * h.z(); }, &square, &part);
        std::swap(column, part);
      } else {
        square = column;
      }
      const double here = value(x, y);
      if (here == kNothing) continue;
      const Moments area = square.moments();
      add(1.0, area, &sum.share);
      add(here, area, &sum.light);
    }
  }
  return sum;
}

}  // namespace trueplate::synth::detail

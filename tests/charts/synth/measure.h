#pragma once

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "calib/base/image.h"

namespace trueplate::tests {

/// Saddle point of the picture smoothed with a Gaussian of `sigma_px`, found with Newton's method
/// from `start`. Plate pixels. A blurred crossing of two edges is point-symmetric about the
/// crossing, so the saddle lies there whatever the blur; the sum over pixels stands for the
/// integral to exp(-2 pi^2 sigma^2).
inline Point2d saddle(const Image<float>& picture, Point2d start, double sigma_px) {
  const double s2 = sigma_px * sigma_px;
  const int reach = static_cast<int>(std::ceil(6.0 * sigma_px));
  Point2d p = start;
  for (int step = 0; step < 50; ++step) {
    Point2d gradient(0.0, 0.0);
    Eigen::Matrix2d hessian = Eigen::Matrix2d::Zero();
    const int cx = static_cast<int>(std::floor(p.x()));
    const int cy = static_cast<int>(std::floor(p.y()));
    for (int y = std::max(0, cy - reach); y <= std::min(picture.height() - 1, cy + reach); ++y) {
      for (int x = std::max(0, cx - reach); x <= std::min(picture.width() - 1, cx + reach); ++x) {
        const Point2d d = p - Point2d(x + 0.5, y + 0.5);
        const double w = std::exp(-0.5 * d.squaredNorm() / s2) * picture.at(x, y);
        gradient -= w * d;
        hessian += w * (d * d.transpose() / s2 - Eigen::Matrix2d::Identity());
      }
    }
    const Point2d move = -hessian.inverse() * gradient;
    if (!move.allFinite() || move.norm() > 2.0) return {NAN, NAN};
    p += move;
    if (move.norm() < 1e-9) break;
  }
  return p;
}

/// Centre of gravity of one channel inside the square of half side `reach_px` around `start`.
inline Point2d centroid(const Image<float>& picture, int channel, Point2d start, int reach_px) {
  const int cx = static_cast<int>(std::floor(start.x()));
  const int cy = static_cast<int>(std::floor(start.y()));
  double sum = 0.0;
  Point2d moment(0.0, 0.0);
  for (int y = std::max(0, cy - reach_px); y <= std::min(picture.height() - 1, cy + reach_px);
       ++y) {
    for (int x = std::max(0, cx - reach_px); x <= std::min(picture.width() - 1, cx + reach_px);
         ++x) {
      const double w = picture.at(x, y, channel);
      sum += w;
      moment += w * Point2d(x + 0.5, y + 0.5);
    }
  }
  return moment / sum;
}

}  // namespace trueplate::tests

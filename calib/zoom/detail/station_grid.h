#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <vector>

#include "calib/zoom/detail/monotone_spline.h"

namespace trueplate::zoom::detail {

/// Where a station stands. Focal lengths in mm; `nearness` is f / (s - f) with the focus distance
/// s: in it the distortion of a thin lens changes linearly (Magill 1955, Brown 1971), and by nearly
/// as much at every focal length. 0 is infinity. NaN: the focus distance is not known.
struct StationPlace {
  double focal_mm = 0.0;
  double nearness = 0.0;
};

/// f / (s - f) for a focus distance in m; nullopt where the focus would be within the focal length.
[[nodiscard]] std::optional<double> nearness_of(double focal_mm, double focus_m);

/// What comes out between stations, and how far from them that is.
struct Blend {
  Eigen::VectorXd numbers;
  Eigen::VectorXd weights;  // of all stations, as long as nothing is limited; the sum is 1

  /// The two focal lengths between which it is, or next to which; the same with one alone.
  std::size_t lower = 0;
  std::size_t upper = 0;
  double upper_share = 0.0;  // 0 .. 1
  /// |t (1 - t)| h^2 of the interval of logarithms of the focal length: what the error of an
  /// interpolation grows with between stations, and beyond.
  double focal_bow = 0.0;
  double focal_beyond = 0.0;  // logarithm of the focal length beyond the outermost

  /// The same of the focus, at `lower` and at `upper`.
  struct Focus {
    double bow = 0.0;
    /// By how much the nearness lies beyond the stations of this focal length, and whether on the
    /// near side. There the line through the two next stations goes on, and how much the lens
    /// departs from it is taken from other focal lengths; of a single station, or beyond by more
    /// than the two are apart, the whole change is. Where no other focal length knows, it goes on.
    double lent = 0.0;
    bool nearer = false;
    bool from_others = false;
  };
  Focus focus_lower;
  Focus focus_upper;
  bool focus_beyond = false;  // no focal length has stations this near, or this far
};

/// Stations by focal length and focus distance: a grid with places missing. Interpolates numbers
/// along focus at each focal length by itself, and what comes out along the logarithm of the focal
/// length; both by MonotoneSpline.
class StationGrid {
 public:
  /// places   at least one; those of focal lengths within kSameFocal of each other stand in one
  ///          column; no two at one place
  /// numbers   of the stations, a column each
  /// num_free  of the numbers, the last ones: noisy, along MonotoneSpline::calm_weights
  StationGrid(const std::vector<StationPlace>& places,
              Eigen::MatrixXd numbers,
              Eigen::Index num_free);
  static constexpr double kSameFocal = 1e-3;  // relative

  /// focus_m  NaN: not asked for; what the stations have must then not depend on it
  [[nodiscard]] Blend at(double focal_mm, double focus_m) const;

  struct Column {
    double focal_mm = 0.0;
    std::vector<std::size_t> stations;  // by growing nearness
    std::vector<double> nearness;       // of them; one NaN where the focus is not known
  };
  [[nodiscard]] const std::vector<Column>& columns() const { return columns_; }
  [[nodiscard]] const Eigen::MatrixXd& numbers() const { return numbers_; }
  [[nodiscard]] Eigen::Index num_free() const { return num_free_; }

 private:
  struct Mix {
    Eigen::VectorXd numbers;
    Eigen::VectorXd weights;
  };
  [[nodiscard]] Eigen::VectorXd along(const MonotoneSpline& spline,
                                      const Eigen::MatrixXd& values,
                                      double x) const;
  [[nodiscard]] bool covers(const Column& column, double focus_m) const;
  [[nodiscard]] Mix within(const Column& column, double nearness) const;
  [[nodiscard]] Mix at_focus(const Column& column, double focus_m, Blend::Focus& focus) const;
  [[nodiscard]] Mix beyond(const Column& column, double focus_m, Blend::Focus& focus) const;
  [[nodiscard]] Mix divided_difference(const Column& column,
                                       const std::vector<double>& nearness) const;
  [[nodiscard]] std::optional<Mix> lent_difference(double focal_mm,
                                                   const std::vector<double>& focus_m) const;

  std::vector<Column> columns_;
  Eigen::MatrixXd numbers_;
  Eigen::Index num_free_;
};

}  // namespace trueplate::zoom::detail

#include "charts/synth/chart_footage.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <string_view>

#include "calib/base/parallel.h"
#include "charts/synth/detail/board_pattern.h"
#include "charts/synth/detail/checks.h"
#include "charts/synth/detail/gather.h"
#include "charts/synth/detail/inverse_rows.h"
#include "charts/synth/detail/noise.h"

namespace trueplate::synth {
namespace {

using detail::BoardLight;
using detail::BoardPattern;
using detail::BoardPlane;
using detail::CellRow;
using detail::Gather;
using detail::InverseCell;
using detail::InverseRows;
using detail::Projection;

constexpr int kMinRowsPerCall = 16;

Result<void> check_options(const ChartFootageOptions& options) {
  struct Range {
    std::string_view name;
    double value, low, high;
  };
  const ChartLook& look = options.look;
  constexpr double kMaxLight = 1e6;
  const Range ranges[] = {{"border in squares", look.border_squares, 0.0, 1000.0},
                          {"white", look.white, 0.0, kMaxLight},
                          {"black", look.black, 0.0, kMaxLight},
                          {"surroundings", look.surroundings, 0.0, kMaxLight},
                          {"surroundings gradient", look.surroundings_gradient, -1.0, 1.0},
                          {"blur sigma in pixels", options.blur_sigma_px, 0.0, kMaxBlurSigmaPx},
                          {"noise sigma", options.noise_sigma, 0.0, kMaxLight},
                          {"vignetting", options.vignetting, 0.0, 1.0},
                          {"light slope", options.light_slope, -1.0, 1.0}};
  for (const Range& range : ranges) {
    Result<void> checked =
        detail::check_range("chart footage", range.name, range.value, range.low, range.high);
    if (!checked) return checked;
  }
  return {};
}

/// One row of cells: the light, its moments, and the share of it that can be traced back.
struct Cells {
  Cells(int num_pixels, int cells_per_pixel)
      : light(num_pixels, cells_per_pixel),
        moment_x(num_pixels, cells_per_pixel),
        moment_y(num_pixels, cells_per_pixel),
        share(num_pixels, cells_per_pixel) {}

  CellRow light, moment_x, moment_y, share;
  bool has_moments = false;
};

/// The cells after gathering along x: `width` pixels wide, cells_per_pixel rows per pixel row.
struct Columns {
  Image<float> light;
  Image<float> moment_y;
  Image<float> share;
};

/// The board and its surroundings as the lens shows them.
struct Scene {
  const lens::Lens& lens;
  BoardPlane plane;
  BoardPattern pattern;

  [[nodiscard]] Eigen::Vector3d h_of(const Point2d& p_px) const {
    const Point2d p = lens::ideal_from_px(lens, p_px);
    return plane.h_from_ideal * Eigen::Vector3d(p.x(), p.y(), 1.0);
  }
};

/// Fills the cells of one pixel; rows[k] is the k-th row of cells.
void render_pixel(const InverseCell& inverse,
                  const Scene& scene,
                  double surroundings,
                  int pixel,
                  std::vector<Cells>* rows) {
  const int n = static_cast<int>(rows->size());
  const auto store_all = [&](double light, double share) {
    for (Cells& row : *rows) {
      for (int column = 0; column < n; ++column) {
        row.light.at(pixel, column) = static_cast<float>(light);
        row.share.at(pixel, column) = static_cast<float>(share);
      }
    }
  };
  if (!inverse.valid) {
    store_all(0.0, 0.0);
    return;
  }
  BoardLight whole;
  if (scene.pattern.is_uniform({scene.h_of(inverse.at_00),
                                scene.h_of(inverse.at_10),
                                scene.h_of(inverse.at_11),
                                scene.h_of(inverse.at_01)},
                               &whole)) {
    store_all(whole.light.mean + (1.0 - whole.share.mean) * surroundings, 1.0);
    return;
  }
  const double size = 1.0 / n;
  // A cell is taken as linear between its corners. The mean of what is left out, 1/12 of the second
  // derivatives, is added to the corners, so that edges keep their mean place.
  const Point2d mean_bend = size * size / 12.0 * (inverse.bend_x + inverse.bend_y);
  for (int r = 0; r < n; ++r) {
    Cells& row = (*rows)[static_cast<std::size_t>(r)];
    row.has_moments = true;
    for (int c = 0; c < n; ++c) {
      const auto corner = [&](int x, int y) {
        return scene.h_of(inverse.at((c + x) * size, (r + y) * size) - mean_bend);
      };
      const BoardLight cell =
          scene.pattern.integrate({corner(0, 0), corner(1, 0), corner(1, 1), corner(0, 1)});
      // The surroundings fill what the board leaves; the moments of a full cell are zero.
      row.light.at(pixel, c) =
          static_cast<float>(cell.light.mean + (1.0 - cell.share.mean) * surroundings);
      row.moment_x.at(pixel, c) =
          static_cast<float>(size * (cell.light.x - cell.share.x * surroundings));
      row.moment_y.at(pixel, c) =
          static_cast<float>(size * (cell.light.y - cell.share.y * surroundings));
      row.share.at(pixel, c) = 1.0F;
    }
  }
}

Columns render_columns(const lens::Lens& lens,
                       const target::Chart& chart,
                       const Eigen::Isometry3d& camera_from_chart,
                       const ChartFootageOptions& options,
                       const Gather& gather) {
  const ImageSize size = lens.plate_size;
  const int margin = gather.margin_px();
  const int n = gather.cells_per_pixel();
  const ChartLook& look = options.look;
  const BoardPlane plane(camera_from_chart, chart.pitch_mm);
  const double black = plane.printed_side ? look.black : look.white;
  const Scene scene{lens, plane, BoardPattern(chart, look.border_squares, look.white, black)};
  const int rows = size.height + 2 * margin;
  Columns result{Image<float>(size.width, rows * n, 1),
                 Image<float>(size.width, rows * n, 1),
                 Image<float>(size.width, rows * n, 1)};
  result.light.fill(0.0F);
  result.moment_y.fill(0.0F);
  result.share.fill(0.0F);
  const auto body = [&](int begin, int end) {
    const int num_pixels = size.width + 2 * margin;
    InverseRows inverse(lens, Projection::kLens, -margin, num_pixels);
    std::vector<Cells> cells(static_cast<std::size_t>(n), Cells(num_pixels, n));
    for (int row = begin; row < end; ++row) {
      inverse.move_to(row - margin);
      for (Cells& line : cells) {
        if (!line.has_moments) continue;
        line.moment_x.fill(0.0F);
        line.moment_y.fill(0.0F);
        line.has_moments = false;
      }
      const double down = (row - margin + 0.5) / size.height - 0.5;
      const double surroundings =
          std::max(0.0, look.surroundings * (1.0 + look.surroundings_gradient * down));
      for (int i = 0; i < num_pixels; ++i) {
        render_pixel(inverse.cell(i), scene, surroundings, i, &cells);
      }
      for (int k = 0; k < n; ++k) {
        const Cells& line = cells[static_cast<std::size_t>(k)];
        float* light = result.light.row(row * n + k);
        float* moment_y = result.moment_y.row(row * n + k);
        float* share = result.share.row(row * n + k);
        add_along_row(gather, gather.mean_weights(), line.light, size.width, light);
        add_along_row(gather, gather.mean_weights(), line.share, size.width, share);
        if (!line.has_moments) continue;
        add_along_row(gather, gather.slope_weights(), line.moment_x, size.width, light);
        add_along_row(gather, gather.mean_weights(), line.moment_y, size.width, moment_y);
      }
    }
  };
  parallel_rows(rows, options.threads, body, kMinRowsPerCall);
  return result;
}

/// Vignetting and slope of the light at the centre of a pixel.
double light_at(const ChartFootageOptions& options, ImageSize size, int x, int y) {
  const double u = (x + 0.5) / size.width;
  const double dx = x + 0.5 - 0.5 * size.width;
  const double dy = y + 0.5 - 0.5 * size.height;
  const double corner2 = 0.25 * (static_cast<double>(size.width) * size.width +
                                 static_cast<double>(size.height) * size.height);
  const double slope = options.light_slope;
  return (1.0 - options.vignetting * (dx * dx + dy * dy) / corner2) *
         (1.0 - slope * (slope >= 0.0 ? u : u - 1.0));
}

}  // namespace

Result<ChartFootage> render_chart(const lens::Lens& lens,
                                  const target::Chart& chart,
                                  const Eigen::Isometry3d& camera_from_chart,
                                  const ChartFootageOptions& options) {
  if (Result<void> checked = lens::validate(lens); !checked) return fail(checked.error());
  if (Result<void> checked = detail::check_chart(chart); !checked) return fail(checked.error());
  if (Result<void> checked = detail::check_rigid("camera_from_chart", camera_from_chart);
      !checked) {
    return fail(checked.error());
  }
  if (Result<void> checked = check_options(options); !checked) return fail(checked.error());

  const ImageSize size = lens.plate_size;
  const Gather gather(options.blur_sigma_px);
  const Columns columns = render_columns(lens, chart, camera_from_chart, options, gather);
  ChartFootage result{
      Image<float>(size.width, size.height, 1), Image<float>(size.width, size.height, 1), {}};
  result.truth.plate_size = size;
  parallel_rows(
      size.height,
      options.threads,
      [&](int begin, int end) {
        for (int y = begin; y < end; ++y) {
          float* luminance = result.luminance.row(y);
          float* alpha = result.alpha.row(y);
          std::fill(luminance, luminance + size.width, 0.0F);
          std::fill(alpha, alpha + size.width, 0.0F);
          add_across_rows(gather, gather.mean_weights(), columns.light, y, luminance);
          add_across_rows(gather, gather.slope_weights(), columns.moment_y, y, luminance);
          add_across_rows(gather, gather.mean_weights(), columns.share, y, alpha);
          for (int x = 0; x < size.width; ++x) {
            double value = luminance[x] * light_at(options, size, x, y);
            if (options.noise_sigma > 0.0 && alpha[x] > 0.0F) {
              const auto index = static_cast<std::uint64_t>(y) * size.width + x;
              value += options.noise_sigma * detail::gaussian(options.seed, index);
            }
            luminance[x] = static_cast<float>(value);
          }
        }
      },
      kMinRowsPerCall);

  const std::vector<std::optional<Point2d>> corners =
      project_corners(lens, chart, camera_from_chart);
  for (std::size_t k = 0; k < corners.size(); ++k) {
    if (!corners[k]) continue;
    const Point2d& p = *corners[k];
    if (p.x() < 0.0 || p.y() < 0.0 || p.x() > size.width || p.y() > size.height) continue;
    const auto columns_per_row = static_cast<std::size_t>(chart.columns);
    result.truth.corners.push_back(
        {.p_chart_mm = {static_cast<double>(k % columns_per_row) * chart.pitch_mm,
                        static_cast<double>(k / columns_per_row) * chart.pitch_mm,
                        0.0},
         .p_plate_px = p});
  }
  return result;
}

std::vector<std::optional<Point2d>> project_corners(const lens::Lens& lens,
                                                    const target::Chart& chart,
                                                    const Eigen::Isometry3d& camera_from_chart) {
  std::vector<std::optional<Point2d>> corners;
  const bool printed_side = BoardPlane(camera_from_chart, chart.pitch_mm).printed_side;
  for (int j = 0; j < chart.rows; ++j) {
    for (int i = 0; i < chart.columns; ++i) {
      const Eigen::Vector3d p =
          camera_from_chart * Eigen::Vector3d(i * chart.pitch_mm, j * chart.pitch_mm, 0.0);
      const bool visible = printed_side && p.z() > 0.0;
      corners.push_back(visible
                            ? lens::distort_px(lens, lens::px_from_ideal(lens, p.head<2>() / p.z()))
                            : std::nullopt);
    }
  }
  return corners;
}

}  // namespace trueplate::synth

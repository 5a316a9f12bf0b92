#include "charts/synth/set.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>

#include "calib/base/interrupt.h"
#include "calib/base/parallel.h"
#include "charts/synth/detail/checks.h"
#include "charts/synth/detail/gather.h"
#include "charts/synth/detail/inverse_rows.h"
#include "charts/synth/detail/noise.h"
#include "charts/synth/detail/set_view.h"

namespace trueplate::synth {
namespace {

using detail::CellRow;
using detail::Gather;
using detail::InverseCell;
using detail::InverseRows;
using detail::Projection;
using detail::Sample;
using detail::SetView;

/// Cells per pixel along each axis.
constexpr int kCells = 3;
/// Samples per cell along each axis where an edge runs through it. CG covers little of the picture
/// and its rings are measured, so it can have more.
constexpr int kPlateSamples = 4;
constexpr int kCgSamples = 8;
constexpr int kPixelsPerGroup = 32;  // that share a list of what they may see
constexpr std::uint32_t kMixed = 0xfffffffeU;
constexpr int kMinRowsPerCall = 16;
constexpr double kMinBlurSigmaPx = 0.3;
constexpr double kMaxSetBlurSigmaPx = 3.0;

/// One row of pixels: the inverse lens and the sample at the centre of every cell.
class PixelRow {
 public:
  PixelRow(int num_pixels)
      : inverse_(static_cast<std::size_t>(num_pixels)),
        near_(static_cast<std::size_t>(num_pixels / kPixelsPerGroup + 1)),
        ids_(static_cast<std::size_t>(num_pixels)),
        cells_(static_cast<std::size_t>(num_pixels) * kCells * kCells) {}

  std::vector<InverseCell>& inverse() { return inverse_; }
  /// What all cells of a pixel show, or kMixed.
  std::vector<std::uint32_t>& ids() { return ids_; }
  SetView::Candidates& near(int pixel) {
    return near_[static_cast<std::size_t>(pixel / kPixelsPerGroup)];
  }
  /// Cell column x (kCells per pixel) of cell row y (0 .. kCells - 1).
  Sample& cell(int x, int y) {
    return cells_[static_cast<std::size_t>(y) * inverse_.size() * kCells +
                  static_cast<std::size_t>(x)];
  }

 private:
  std::vector<InverseCell> inverse_;
  std::vector<SetView::Candidates> near_;
  std::vector<std::uint32_t> ids_;
  std::vector<Sample> cells_;
};

class SetRenderer {
 public:
  SetRenderer(SetPicture picture,
              const lens::Lens& lens,
              const Eigen::Isometry3d& camera_from_set,
              const Window& window,
              const SetRenderOptions& options)
      : picture_(picture),
        lens_(lens),
        view_(lens, camera_from_set),
        window_(window),
        options_(options),
        gather_(options.blur_sigma_px, kCells),
        margin_(gather_.margin_px()),
        num_pixels_(window.width + 2 * margin_),
        num_channels_(picture == SetPicture::kPlate ? 3 : 4) {}

  Image<float> render() {
    const int rows = window_.height + 2 * margin_;
    std::vector<Image<float>> columns;  // one plane per channel
    for (int c = 0; c < num_channels_; ++c) {
      columns.emplace_back(window_.width, rows * kCells, 1);
      columns.back().fill(0.0F);
    }
    parallel_rows(
        rows,
        options_.threads,
        [&](int begin, int end) { render_rows(begin, end, &columns); },
        kMinRowsPerCall);
    return finish(columns);
  }

 private:
  [[nodiscard]] Sample sample(const Point2d& p_px,
                              double size_px,
                              const SetView::Candidates& near) const {
    return picture_ == SetPicture::kPlate ? view_.set_at(p_px, size_px, near)
                                          : view_.cg_at(p_px, size_px, near);
  }

  void load(InverseRows* inverse, int row, PixelRow* out) const {
    inverse->move_to(window_.y + row - margin_);
    for (int i = 0; i < num_pixels_; ++i) {
      out->inverse()[static_cast<std::size_t>(i)] = inverse->cell(i);
    }
    for (int first = 0; first < num_pixels_; first += kPixelsPerGroup) {
      const int last = std::min(num_pixels_, first + kPixelsPerGroup);
      Point2d low = Point2d::Constant(1e300);
      Point2d high = -low;
      for (int i = first; i < last; ++i) {
        const InverseCell& cell = out->inverse()[static_cast<std::size_t>(i)];
        if (!cell.valid) continue;
        for (const Point2d& p : {cell.at_00, cell.at_10, cell.at_01, cell.at_11}) {
          low = low.cwiseMin(p);
          high = high.cwiseMax(p);
        }
      }
      // One pixel more for what bends out of the quadrilateral of a cell.
      const Point2d one = Point2d::Ones();
      SetView::Candidates& near = out->near(first);
      view_.find_candidates(low - one, high + one, &near);
      const bool empty = picture_ != SetPicture::kPlate && !near.has_cg();
      for (int i = first; i < last; ++i) load_pixel(i, empty, near, out);
    }
  }

  void load_pixel(int pixel, bool empty, const SetView::Candidates& near, PixelRow* out) const {
    const InverseCell& inverse = out->inverse()[static_cast<std::size_t>(pixel)];
    const bool blank = empty || !inverse.valid;
    std::uint32_t& id = out->ids()[static_cast<std::size_t>(pixel)];
    for (int y = 0; y < kCells; ++y) {
      for (int x = 0; x < kCells; ++x) {
        Sample& at = out->cell(pixel * kCells + x, y);
        at = blank ? Sample{}
                   : sample(inverse.at((x + 0.5) / kCells, (y + 0.5) / kCells), 1.0 / kCells, near);
        if (x == 0 && y == 0) id = at.id;
        if (at.id != id) id = kMixed;
      }
    }
  }

  /// The mean over a cell through which an edge may run. The samples form a jittered grid in which
  /// no two share a row or a column of the finer grid of n^2, so that upright and level
  /// edges are met as finely as slanted ones (multi-jittered sampling; Chiu, Shirley and Wang,
  /// 1994).
  [[nodiscard]] Sample fine_sample(const InverseCell& inverse,
                                   int x,
                                   int y,
                                   const SetView::Candidates& near) const {
    const int n = picture_ == SetPicture::kPlate ? kPlateSamples : kCgSamples;
    constexpr double kSize = 1.0 / kCells;
    std::array<double, 4> sum{};
    for (int j = 0; j < n; ++j) {
      for (int i = 0; i < n; ++i) {
        const double s = (i + (j + 0.5) / n) / n;
        const double t = (j + (n - 1 - i + 0.5) / n) / n;
        const Sample one = sample(inverse.at((x + s) * kSize, (y + t) * kSize), kSize / n, near);
        sum[0] += one.red;
        sum[1] += one.green;
        sum[2] += one.blue;
        sum[3] += one.alpha;
      }
    }
    const double share = 1.0 / (n * n);
    return {.red = static_cast<float>(sum[0] * share),
            .green = static_cast<float>(sum[1] * share),
            .blue = static_cast<float>(sum[2] * share),
            .alpha = static_cast<float>(sum[3] * share)};
  }

  void render_rows(int begin, int end, std::vector<Image<float>>* columns) const {
    const Projection projection =
        picture_ == SetPicture::kCg ? Projection::kPinhole : Projection::kLens;
    InverseRows inverse(lens_, projection, window_.x - margin_, num_pixels_);
    std::array<PixelRow, 3> storage{
        PixelRow(num_pixels_), PixelRow(num_pixels_), PixelRow(num_pixels_)};
    std::array<PixelRow*, 3> rows{&storage[0], &storage[1], &storage[2]};
    load(&inverse, begin - 1, rows[0]);
    load(&inverse, begin, rows[1]);
    const std::vector<CellRow> one_line(static_cast<std::size_t>(num_channels_),
                                        CellRow(num_pixels_, kCells));
    std::vector<std::vector<CellRow>> channels(kCells, one_line);
    for (int row = begin; row < end && !is_interrupted(options_.interrupt); ++row) {
      load(&inverse, row + 1, rows[2]);
      for (int i = 0; i < num_pixels_; ++i) {
        const bool plain = is_plain(rows, i);
        for (int k = 0; k < kCells * kCells; ++k) {
          const int x = k % kCells;
          const int y = k / kCells;
          const Sample value =
              plain ? rows[1]->cell(i * kCells + x, y) : cell_value(rows, i * kCells + x, y);
          std::vector<CellRow>& line = channels[static_cast<std::size_t>(y)];
          line[0].at(i, x) = value.red;
          line[1].at(i, x) = value.green;
          line[2].at(i, x) = value.blue;
          if (num_channels_ == 4) line[3].at(i, x) = value.alpha;
        }
      }
      for (int y = 0; y < kCells; ++y) {
        for (std::size_t c = 0; c < columns->size(); ++c) {
          add_along_row(gather_,
                        gather_.mean_weights(),
                        channels[static_cast<std::size_t>(y)][c],
                        window_.width,
                        (*columns)[c].row(row * kCells + y));
        }
      }
      std::rotate(rows.begin(), rows.begin() + 1, rows.end());
    }
  }

  /// Whether a pixel and its neighbours all show one thing.
  [[nodiscard]] bool is_plain(const std::array<PixelRow*, 3>& rows, int pixel) const {
    const std::uint32_t id = rows[1]->ids()[static_cast<std::size_t>(pixel)];
    if (id == kMixed) return false;
    for (PixelRow* row : rows) {
      for (int i = std::max(0, pixel - 1); i <= std::min(num_pixels_ - 1, pixel + 1); ++i) {
        if (row->ids()[static_cast<std::size_t>(i)] != id) return false;
      }
    }
    return true;
  }

  /// A cell that sees the same as its eight neighbours is taken from its centre, others are sampled
  /// finely: no straight edge crosses a cell without parting it from a neighbour's centre.
  [[nodiscard]] Sample cell_value(const std::array<PixelRow*, 3>& rows, int x, int y) const {
    PixelRow& row = *rows[1];
    const InverseCell& inverse = row.inverse()[static_cast<std::size_t>(x / kCells)];
    if (!inverse.valid) return {};
    const Sample& centre = row.cell(x, y);
    bool edge = false;
    for (int dy = -1; dy <= 1 && !edge; ++dy) {
      PixelRow& other = y + dy < 0 ? *rows[0] : (y + dy >= kCells ? *rows[2] : row);
      const int other_y = (y + dy + kCells) % kCells;
      for (int dx = -1; dx <= 1 && !edge; ++dx) {
        const int other_x = std::clamp(x + dx, 0, num_pixels_ * kCells - 1);
        edge = other.cell(other_x, other_y).id != centre.id;
      }
    }
    return edge ? fine_sample(inverse, x % kCells, y, row.near(x / kCells)) : centre;
  }

  Image<float> finish(const std::vector<Image<float>>& columns) const {
    Image<float> result(window_.width, window_.height, num_channels_);
    parallel_rows(
        window_.height,
        options_.threads,
        [&](int begin, int end) {
          std::vector<float> line(static_cast<std::size_t>(window_.width));
          for (int y = begin; y < end; ++y) {
            for (int c = 0; c < num_channels_; ++c) {
              std::fill(line.begin(), line.end(), 0.0F);
              add_across_rows(gather_,
                              gather_.mean_weights(),
                              columns[static_cast<std::size_t>(c)],
                              y,
                              line.data());
              for (int x = 0; x < window_.width; ++x) {
                result.at(x, y, c) = line[static_cast<std::size_t>(x)] + noise(x, y, c);
              }
            }
          }
        },
        kMinRowsPerCall);
    return result;
  }

  [[nodiscard]] float noise(int x, int y, int channel) const {
    if (picture_ != SetPicture::kPlate || options_.noise_sigma <= 0.0) return 0.0F;
    const auto index = (static_cast<std::uint64_t>(y) * static_cast<std::uint64_t>(window_.width) +
                        static_cast<std::uint64_t>(x)) *
                           3 +
                       static_cast<std::uint64_t>(channel);
    return static_cast<float>(options_.noise_sigma * detail::gaussian(options_.seed, index));
  }

  SetPicture picture_;
  const lens::Lens& lens_;
  SetView view_;
  Window window_;
  SetRenderOptions options_;
  Gather gather_;
  int margin_;
  int num_pixels_;
  int num_channels_;
};

Result<void> check_window(const Window& window) {
  if (window.width >= 1 && window.height >= 1 && window.width <= kMaxImageSide &&
      window.height <= kMaxImageSide && std::abs(static_cast<double>(window.x)) <= kMaxImageSide &&
      std::abs(static_cast<double>(window.y)) <= kMaxImageSide) {
    return {};
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("set: data window is {}x{} at ({}, {}), wanted 1 to {} pixels a side and "
                          "an origin no farther away than that",
                          window.width,
                          window.height,
                          window.x,
                          window.y,
                          kMaxImageSide));
}

}  // namespace

Eigen::Isometry3d demo_camera_from_set(double distance_m) {
  constexpr double kRad = std::numbers::pi / 180.0;
  const Eigen::Vector3d eye(0.3, 1.52, distance_m);
  // The set's y points up and its z towards the camera; the camera's y points down, its z away.
  Eigen::Matrix3d flip;
  flip << 1, 0, 0, 0, -1, 0, 0, 0, -1;
  Eigen::Isometry3d result = Eigen::Isometry3d::Identity();
  result.linear() = (Eigen::AngleAxisd(0.6 * kRad, Eigen::Vector3d::UnitZ()) *
                     Eigen::AngleAxisd(-0.8 * kRad, Eigen::Vector3d::UnitX()) *
                     Eigen::AngleAxisd(2.2 * kRad, Eigen::Vector3d::UnitY()))
                        .toRotationMatrix() *
                    flip;
  result.translation() = -(result.linear() * eye);
  return result;
}

Result<Image<float>> render_set(SetPicture picture,
                                const lens::Lens& lens,
                                const Eigen::Isometry3d& camera_from_set,
                                const Window& data_window,
                                const SetRenderOptions& options) {
  Result<void> checked = lens::validate(lens);
  if (checked) checked = detail::check_rigid("camera_from_set", camera_from_set);
  if (checked) checked = check_window(data_window);
  if (checked) {
    checked = detail::check_range(
        "set", "blur sigma in pixels", options.blur_sigma_px, kMinBlurSigmaPx, kMaxSetBlurSigmaPx);
  }
  if (checked) checked = detail::check_range("set", "noise sigma", options.noise_sigma, 0.0, 1e6);
  if (!checked) return fail(checked.error());
  Image<float> image = SetRenderer(picture, lens, camera_from_set, data_window, options).render();
  if (is_interrupted(options.interrupt)) return interruption();
  return image;
}

Window straightened_window(const lens::Lens& lens, int margin_px) {
  const int width = lens.plate_size.width;
  const int height = lens.plate_size.height;
  Point2d low(0.0, 0.0);
  Point2d high(width, height);
  const auto include = [&](double x, double y) {
    const std::optional<Point2d> p = lens::undistort_px(lens, {x, y});
    if (!p) return;
    low = low.cwiseMin(*p);
    high = high.cwiseMax(*p);
  };
  for (int x = 0; x <= width; ++x) {
    include(x, 0.0);
    include(x, height);
  }
  for (int y = 0; y <= height; ++y) {
    include(0.0, y);
    include(width, y);
  }
  // A lens near its fold sends the border arbitrarily far away.
  const auto clamped = [](double value) {
    return static_cast<int>(std::clamp(value, -kMaxImageSide / 4.0, kMaxImageSide / 2.0));
  };
  const int x0 = clamped(std::floor(low.x())) - margin_px;
  const int y0 = clamped(std::floor(low.y())) - margin_px;
  return {.x = x0,
          .y = y0,
          .width = clamped(std::ceil(high.x())) + margin_px - x0,
          .height = clamped(std::ceil(high.y())) + margin_px - y0};
}

std::vector<SetMarker> set_markers(const lens::Lens& lens,
                                   const Eigen::Isometry3d& camera_from_set) {
  return SetView(lens, camera_from_set).markers();
}

}  // namespace trueplate::synth

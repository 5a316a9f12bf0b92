#include "calib/footage/detail/planar_rows.h"

#include <algorithm>
#include <atomic>

#include "calib/base/parallel.h"

namespace trueplate::footage::detail {
namespace {

constexpr int kRowsPerThread = 32;
constexpr int kMostRows = 256;

Imf::PixelType type_of(SampleFormat format) {
  return format == SampleFormat::kHalf    ? Imf::HALF
         : format == SampleFormat::kFloat ? Imf::FLOAT
                                          : Imf::UINT;
}

std::size_t sample_size(const Channel& channel) {
  return channel.format == SampleFormat::kHalf ? sizeof(std::uint16_t) : sizeof(float);
}

int capacity_for(int height, int threads) {
  const int num_threads = std::min(resolve_threads(threads), kMostRows);
  return std::min(std::min(kRowsPerThread * num_threads, kMostRows), height);
}

/// Fewer rows are not worth another thread.
constexpr int kRowsPerCall = 16;

}  // namespace

PlanarRows::PlanarRows(std::span<const Channel> channels, int width, int height, int threads)
    : width_(width), capacity_(capacity_for(height, threads)) {
  planes_.reserve(channels.size());
  for (const Channel& channel : channels) {
    const auto bytes = static_cast<int>(sample_size(channel));
    planes_.push_back({channel, Image<std::byte>(width, capacity_, bytes)});
  }
}

Imf::FrameBuffer PlanarRows::frame_buffer(const Window& window) {
  const Imath::Box2i box{{window.x, window.y},
                         {window.x + window.width - 1, window.y + window.height - 1}};
  Imf::FrameBuffer buffer;
  for (Plane& plane : planes_) {
    const std::size_t size = sample_size(plane.channel);
    buffer.insert(plane.channel.name,
                  Imf::Slice::Make(type_of(plane.channel.format),
                                   plane.samples.data(),
                                   box,
                                   size,
                                   size * static_cast<std::size_t>(width_)));
  }
  return buffer;
}

std::vector<PlaneRow> PlanarRows::planes_of_row(int row) const {
  std::vector<PlaneRow> rows;
  rows.reserve(planes_.size());
  for (Plane& plane : planes_) {
    rows.push_back({plane.samples.row(row), plane.channel.format == SampleFormat::kHalf});
  }
  return rows;
}

void PlanarRows::merge_into(ImageView<float> pixels, int threads) const {
  const auto merge_rows = [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      merge_planes(planes_of_row(y), static_cast<std::size_t>(width_), pixels.row(y));
    }
  };
  parallel_rows(pixels.height, threads, merge_rows, kRowsPerCall);
}

std::int64_t PlanarRows::split_from(ImageView<const float> pixels, int threads) {
  std::atomic<std::int64_t> num_clipped{0};
  const auto split_rows = [&](int begin, int end) {
    std::int64_t clipped = 0;
    for (int y = begin; y < end; ++y) {
      clipped += split_planes(pixels.row(y), static_cast<std::size_t>(width_), planes_of_row(y));
    }
    if (clipped > 0) num_clipped.fetch_add(clipped);
  };
  parallel_rows(pixels.height, threads, split_rows, kRowsPerCall);
  return num_clipped.load();
}

}  // namespace trueplate::footage::detail

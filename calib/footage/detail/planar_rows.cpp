#include "calib/footage/detail/planar_rows.h"

#include <algorithm>
#include <atomic>

#include "calib/base/parallel.h"

namespace trueplate::footage::detail {
namespace {

constexpr int kRowsAtATime = 256;

Imf::PixelType type_of(SampleFormat format) {
  return format == SampleFormat::kHalf    ? Imf::HALF
         : format == SampleFormat::kFloat ? Imf::FLOAT
                                          : Imf::UINT;
}

std::size_t sample_size(const Channel& channel) {
  return channel.format == SampleFormat::kHalf ? sizeof(std::uint16_t) : sizeof(float);
}

/// Fewer rows are not worth another thread.
constexpr int kRowsPerCall = 16;

}  // namespace

PlanarRows::PlanarRows(std::span<const Channel> channels, int width, int height)
    : width_(width), capacity_(std::min(kRowsAtATime, height)) {
  const std::size_t num_samples =
      static_cast<std::size_t>(width) * static_cast<std::size_t>(capacity_);
  planes_.reserve(channels.size());
  for (const Channel& channel : channels) {
    planes_.push_back({channel, std::vector<std::byte>(num_samples * sample_size(channel))});
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
  const std::size_t first = static_cast<std::size_t>(row) * static_cast<std::size_t>(width_);
  std::vector<PlaneRow> rows;
  rows.reserve(planes_.size());
  for (Plane& plane : planes_) {
    rows.push_back({plane.samples.data() + first * sample_size(plane.channel),
                    plane.channel.format == SampleFormat::kHalf});
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

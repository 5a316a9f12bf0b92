#include "calib/footage/repeats.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

namespace trueplate::footage {
namespace {

constexpr int kSamplesPerSide = 64;
static_assert(kSamplesPerSide * kSamplesPerSide == kRepeatSamples);

/// Pixels spread evenly but not in columns and rows, which those of a chart could dodge.
std::vector<float> sampled(ImageView<const float> luma) {
  std::vector<float> levels;
  levels.reserve(kRepeatSamples);
  for (int j = 0; j < kSamplesPerSide; ++j) {
    for (int i = 0; i < kSamplesPerSide; ++i) {
      const double shift_x = std::fmod(0.618 * j, 1.0);
      const double shift_y = std::fmod(0.618 * i, 1.0);
      const int x = static_cast<int>((i + shift_x) * luma.width / kSamplesPerSide);
      const int y = static_cast<int>((j + shift_y) * luma.height / kSamplesPerSide);
      levels.push_back(luma.at(x, y));
    }
  }
  return levels;
}

/// Between the darkest and the lightest twentieth of the levels that are numbers.
double contrast_of(std::vector<float> levels) {
  std::erase_if(levels, [](float level) { return !std::isfinite(level); });
  if (levels.empty()) return 0.0;
  std::sort(levels.begin(), levels.end());
  const std::size_t twentieth = levels.size() / 20;
  return static_cast<double>(levels[levels.size() - 1 - twentieth]) - levels[twentieth];
}

}  // namespace

RepeatFinder::RepeatFinder(std::size_t num_frames)
    : has_come_(num_frames, 0),
      differences_(num_frames, std::numeric_limits<double>::quiet_NaN()) {}

void RepeatFinder::add(std::size_t index, ImageView<const float> luma) {
  take(index, {luma.size(), sampled(luma)});
}

void RepeatFinder::skip(std::size_t index) { take(index, {}); }

double RepeatFinder::difference(const Samples& before, const Samples& after) {
  if (before.levels.empty() || before.size != after.size) {
    return std::numeric_limits<double>::quiet_NaN();
  }
  double sum = 0.0;
  int count = 0;
  for (std::size_t i = 0; i < before.levels.size(); ++i) {
    const double step = static_cast<double>(after.levels[i]) - before.levels[i];
    if (!std::isfinite(step)) continue;
    sum += step * step;
    ++count;
  }
  if (sum == 0.0) return 0.0;
  return std::sqrt(sum / count) / std::max(contrast_of(before.levels), contrast_of(after.levels));
}

void RepeatFinder::take(std::size_t index, Samples samples) {
  const std::lock_guard lock(mutex_);
  waiting_[index] = std::move(samples);
  has_come_[index] = 1;
  const auto come = [&](std::size_t i) { return i >= has_come_.size() || has_come_[i] != 0; };
  // index - 1 wraps for the first frame, which has no predecessor to wait for.
  for (const std::size_t i : {index, index + 1}) {
    if (i == 0 || i >= has_come_.size() || !come(i) || !come(i - 1)) continue;
    differences_[i] = difference(waiting_[i - 1], waiting_[i]);
  }
  for (const std::size_t i : {index - 1, index, index + 1}) {
    if (come(i) && come(i + 1) && come(i - 1)) waiting_.erase(i);
  }
}

std::vector<std::optional<std::size_t>> RepeatFinder::repeats() const {
  std::vector<std::optional<std::size_t>> result(differences_.size());
  const auto count = static_cast<std::ptrdiff_t>(differences_.size());
  for (std::ptrdiff_t i = 1; i < count; ++i) {
    const auto at = [&](std::ptrdiff_t k) { return differences_[static_cast<std::size_t>(k)]; };
    double largest = 0.0;
    for (std::ptrdiff_t k = std::max<std::ptrdiff_t>(1, i - kRepeatReach);
         k <= std::min(count - 1, i + kRepeatReach);
         ++k) {
      if (at(k) > largest) largest = at(k);
    }
    const bool is_repeat =
        at(i) == 0.0 || (at(i) <= kRepeatDifference && at(i) <= kRepeatShare * largest);
    if (!is_repeat) continue;
    const auto before = static_cast<std::size_t>(i - 1);
    result[before + 1] = result[before].value_or(before);
  }
  return result;
}

}  // namespace trueplate::footage

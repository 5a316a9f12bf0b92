#pragma once

#include <algorithm>
#include <vector>

#include "calib/fit/detail/view_points.h"

namespace trueplate::fit::detail {

/// A view cut into pieces whose derivatives stay in the processor's cache; most views are one
/// piece, which is not copied. The view must outlive it.
class ViewPieces {
 public:
  explicit ViewPieces(const ViewPoints& view) {
    if (view.size() <= kMostCorners) {
      pieces_.push_back(&view);
      return;
    }
    for (std::size_t begin = 0; begin < view.size(); begin += kMostCorners) {
      const std::size_t end = std::min(view.size(), begin + kMostCorners);
      ViewPoints& piece = copies_.emplace_back();
      for (std::size_t i = begin; i < end; ++i) piece.append(view, i);
    }
    for (const ViewPoints& piece : copies_) pieces_.push_back(&piece);
  }
  ViewPieces(const ViewPieces&) = delete;
  ViewPieces& operator=(const ViewPieces&) = delete;

  [[nodiscard]] auto begin() const { return pieces_.begin(); }
  [[nodiscard]] auto end() const { return pieces_.end(); }

 private:
  static constexpr std::size_t kMostCorners = 512;

  std::vector<ViewPoints> copies_;
  std::vector<const ViewPoints*> pieces_;
};

}  // namespace trueplate::fit::detail

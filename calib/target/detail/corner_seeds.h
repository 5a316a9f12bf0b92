#pragma once

#include <array>
#include <memory>
#include <optional>
#include <vector>

#include "calib/base/image.h"
#include "calib/target/detail/corner_candidates.h"

namespace trueplate::target::detail {

/// Finds candidates that are the corners of one square: neighbours along each other's edges, with
/// the colours changing sides from one to the next.
class CornerSeeds {
 public:
  /// `toned` and `candidates` must outlive the object; see corner_candidates.h.
  CornerSeeds(ImageView<const float> toned, const std::vector<CornerCandidate>& candidates);
  ~CornerSeeds();

  /// Candidate `p`, its neighbours along its edges `ray` and `ray` + 1 (0 to 3, clockwise), and the
  /// one opposite `p`; nullopt where they do not form a square.
  std::optional<std::array<int, 4>> square(int p, int ray);

 private:
  class Search;
  std::unique_ptr<Search> search_;
};

}  // namespace trueplate::target::detail

#pragma once

#include <functional>
#include <string_view>

#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/target/detail/blobs.h"
#include "calib/target/detail/grow.h"
#include "calib/target/detail/lattice.h"
#include "calib/target/detection.h"

namespace trueplate::target::detail {

/// A kind of chart that is a square grid of marks, all of one colour.
struct MarkKind {
  Regions regions = Regions::kMarks;  // kFields: the nodes lie between four regions
  std::function<Probe(ImageView<const float> image, Effort effort)> probe;
  std::string_view noun;  // of several nodes, for messages
  /// A node whose sigma is above `plain_sigma_px` and this many times that of the nodes around it
  /// is left out: something covers a part of it.
  double most_sigma_ratio = 5.0;
  double plain_sigma_px = 0.04;
};

/// What was found of such a chart, measured on the full image.
struct FoundMarks {
  Lattice lattice;  // may be empty
  int num_dropped_pieces = 0;
  std::vector<Point2d> dropped_px;  // the nodes of those
};

/// Searches reduced copies of the image for regions that form grids (blob_lattice.h), measures
/// what they suggest on the image itself and grows from there. Nothing counts that the kind's
/// probe has not confirmed on the image. Ends early with a grid of `enough` nodes.
FoundMarks search_marks(ImageView<const float> luma,
                        const MarkKind& kind,
                        int search_side_px,
                        int enough);

/// The finished detection: turned and checked against the chart's grid where that is known. Of a
/// staggered chart the lattice's rows and columns are the diagonals.
Result<Detection> finish_marks(const FoundMarks& found,
                               const MarkKind& kind,
                               const Chart& chart,
                               const DetectOptions& options);

}  // namespace trueplate::target::detail

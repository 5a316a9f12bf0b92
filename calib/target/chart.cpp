#include "calib/target/chart.h"

namespace trueplate::target {

std::string_view chart_kind_name(ChartKind kind) {
  switch (kind) {
    case ChartKind::kCheckerboard:
      return "checkerboard";
  }
  return "unknown";
}

}  // namespace trueplate::target

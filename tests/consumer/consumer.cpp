#include <cstdio>

#include "calib/lens/lens.h"
#include "warp/overscan.h"

int main() {
  const trueplate::lens::Lens lens{
      .plate_size = {1920, 1080},
      .focal_px = {1800.0, 1800.0},
      .principal_point_px = {960.0, 540.0},
      .model = trueplate::lens::RadialTangential({-0.05, 0.0, 0.0, 0.0, 0.0})};
  const auto p = trueplate::lens::undistort_px(lens, {0.0, 0.0});
  if (!p) return 1;
  std::printf("the plate's corner straightens to (%.3f, %.3f)\n", p->x(), p->y());
  return p->x() < 0.0 && p->y() < 0.0 ? 0 : 1;
}

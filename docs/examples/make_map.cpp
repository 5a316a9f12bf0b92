// make_map lens.json redistort.exr: the ST-map that bends straight CG back to match the plate.
#include <iostream>

#include "calib/profile/profile.h"
#include "warp/io/st_map_file.h"

int failed(const trueplate::Error& error) {
  std::cerr << error.message << '\n';
  return 1;
}

int main(int argc, char** argv) {
  if (argc != 3) return 2;
  const auto profile = trueplate::profile::read_profile(argv[1]);
  if (!profile) return failed(profile.error());
  const auto map = trueplate::warp::make_redistort_map(profile->stations.front().lens);
  if (!map) return failed(map.error());
  const auto written = trueplate::warp::write_st_map(argv[2], *map);
  return written ? 0 : failed(written.error());
}

// straighten lens.json plate.exr straight.exr: a frame with all its channels, through a lens.
#include <iostream>

#include "calib/footage/frame.h"
#include "calib/profile/profile.h"
#include "warp/io/frame_writer.h"
#include "warp/io/lens_warp.h"

int failed(const trueplate::Error& error) {
  std::cerr << error.message << '\n';
  return 1;
}

int main(int argc, char** argv) {
  if (argc != 4) return 2;
  const auto profile = trueplate::profile::read_profile(argv[1]);
  if (!profile) return failed(profile.error());
  auto plate = trueplate::footage::read_frame(argv[2], {.parts = trueplate::footage::Parts::kAll});
  if (!plate) return failed(plate.error());
  const trueplate::warp::LensWarp lens(profile->stations.front().lens, {});
  const auto straight = lens.apply(*std::move(plate), 0);
  if (!straight) return failed(straight.error());
  const auto written = trueplate::warp::write_frame(argv[3], *straight);
  return written ? 0 : failed(written.error());
}

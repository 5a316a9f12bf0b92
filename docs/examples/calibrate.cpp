// calibrate observations.csv lens.json: fits a lens to the points of a chart.
#include "calib/calibrate.h"

#include <iostream>

int failed(const trueplate::Error& error) {
  std::cerr << error.message << '\n';
  return 1;
}

int main(int argc, char** argv) {
  if (argc != 3) return 2;
  trueplate::CalibrateOptions options;
  options.program_version = "example";
  const auto found = trueplate::calibrate(argv[1], options);
  if (!found) return failed(found.error());
  for (const auto& warning : found->fit.warnings) std::cerr << warning.message << '\n';
  std::cout << "rms " << found->fit.rms_px << " px\n";
  const auto written =
      trueplate::profile::write_profile(argv[2], found->profile, trueplate::Overwrite::kRefuse);
  return written ? 0 : failed(written.error());
}

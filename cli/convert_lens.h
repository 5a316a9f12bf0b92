#pragma once

#include <string>

#include "calib/exchange/lens_file.h"
#include "cli/command.h"
#include "cli/lens_options.h"

namespace trueplate::cli {

/// A lens in one format that is written in another.
struct LensConversion {
  std::string input;
  std::string output;
  std::string from;  // a format's name; empty: by the file's name and content
  std::string to;
  std::string model;
  std::string size;  // WxH; empty: what the file says
  std::string tangential_unit;
  int station = 0;  // from 1; 0: the only one
  bool force = false;
  LensOptions lens;
};
/// Returns the exit status.
int run_lens(const LensConversion& options, const CommonOptions& common);

}  // namespace trueplate::cli

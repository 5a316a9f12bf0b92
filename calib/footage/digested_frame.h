#pragma once

#include <filesystem>
#include <string>

#include "calib/footage/frame.h"

namespace trueplate::footage {

struct DigestedFrame {
  Frame frame;
  std::string digest;  // of the whole file, as digest_of_file() gives it
};

/// read_frame() with the digest of the file, which is taken on the way: the file is read once.
Result<DigestedFrame> read_digested_frame(const std::filesystem::path& path,
                                          const ReadOptions& options = {});

}  // namespace trueplate::footage

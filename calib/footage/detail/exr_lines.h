#pragma once

#include <OpenEXR/ImfHeader.h>

#include <cstddef>
#include <span>
#include <vector>

#include "calib/footage/detail/sample_rows.h"
#include "calib/footage/frame.h"

namespace trueplate::footage::detail {

/// How the pixels of a line lie in an EXR file that is not compressed. OpenEXR File Layout, "Scan
/// line pixel data": the channels follow each other in the order of the header's list.
class ExrLine {
 public:
  /// Whether lines can be read and written as they lie in the file, without the library's copy,
  /// which goes sample by sample: not compressed, no tiles, samples of one size.
  [[nodiscard]] static bool is_for(const Imf::Header& header, std::span<const Channel> channels);

  /// `channels`: those of the header, in any order. Formats: kHalf, kFloat, kUint32.
  ExrLine(const Imf::Header& header, std::span<const Channel> channels, int width);

  [[nodiscard]] std::size_t num_bytes() const { return num_bytes_; }
  /// The channels, in the order they were given in, of a line that lies at `bytes`.
  void planes_at(char* bytes, std::span<PlaneRow> planes) const;

 private:
  struct Plane {
    std::size_t begin = 0;  // in bytes
    bool is_half = false;
  };
  std::vector<Plane> planes_;
  std::size_t num_bytes_ = 0;
};

}  // namespace trueplate::footage::detail

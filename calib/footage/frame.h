#pragma once

#include <bit>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"

namespace trueplate::footage {

/// How a file stores one sample. Integer samples stand for value / (2^bits - 1), except those of
/// kUint32 (EXR's UINT: numbers of objects and the like): they are kept as they are, so that none
/// is rounded. The four bytes of a float of `pixels` are then the unsigned integer; copy them,
/// compute nothing with them; id_of() and float_of_id() convert.
enum class SampleFormat { kUint8, kUint10, kUint12, kUint16, kHalf, kFloat, kUint32 };

[[nodiscard]] inline std::uint32_t id_of(float bits) { return std::bit_cast<std::uint32_t>(bits); }
[[nodiscard]] inline float float_of_id(std::uint32_t id) { return std::bit_cast<float>(id); }

/// `8-bit`, `10-bit`, `12-bit`, `16-bit`, `half`, `float`, `32-bit unsigned`.
[[nodiscard]] std::string_view sample_format_name(SampleFormat format);

struct Channel {
  std::string name;  // as in the file: R, G, B, A, diffuse.R, Z ...
  SampleFormat format = SampleFormat::kHalf;
  /// A table in the header gives names to the values of this channel (an OpenEXR idManifest, or a
  /// text attribute GROUP/manifest beside a GROUP/name that the channel's layer begins with).
  bool has_id_table = false;

  friend bool operator==(const Channel&, const Channel&) = default;
};

/// What the colour channels of a frame with alpha have been multiplied by.
enum class Alpha { kNone, kAssociated, kUnassociated };

/// The header of the file, kept whole for the output; its contents are known to
/// calib/footage/detail only.
struct Metadata;

/// One picture of a file: the only one of most, one of several of a multi-part EXR, where each has
/// channels, a data window and a header of its own. Colour-neutral: the numbers are what the file
/// stores, integers scaled to 0..1; no transfer curve, no primaries, no multiplication or division
/// by alpha. (JPEG's Y'CbCr is the exception: decoding gives R'G'B'.)
struct Part {
  Image<float> pixels;        // the data window; channel c of `channels` is sample c of a pixel
  FrameWindows windows;       // in file coordinates; pixel (0, 0) of `pixels` is at data.x, data.y
  double pixel_aspect = 1.0;  // width / height of one pixel when shown correctly
  std::vector<Channel> channels;
  Alpha alpha = Alpha::kNone;
  std::shared_ptr<const Metadata> metadata;  // null: none. Shared, immutable.
  std::string name = {};                     // of a part; empty where the file gives none
};

/// One plate, still or render, as it is on file: its first part, and the others beside it. All
/// parts have the same display window and pixel aspect.
struct Frame : Part {
  std::vector<Part> further_parts = {};
  std::vector<Warning> warnings = {};  // what the file holds that was not taken over

  [[nodiscard]] std::size_t num_parts() const { return 1 + further_parts.size(); }
  [[nodiscard]] Part& part(std::size_t i) { return i == 0 ? *this : further_parts[i - 1]; }
  [[nodiscard]] const Part& part(std::size_t i) const {
    return i == 0 ? *this : further_parts[i - 1];
  }
};

/// What of a file of several parts is read: the first, or all.
enum class Parts { kFirst, kAll };

struct ReadOptions {
  /// A frame whose pixels would need more memory than this (as float) is refused before anything is
  /// allocated: a damaged header must not exhaust the machine.
  std::size_t max_bytes = std::size_t{8} << 30;
  /// Threads for decoding this one frame; 0 = all cores. EXR decoding also depends on
  /// set_io_threads().
  int threads = 0;
  Parts parts = Parts::kFirst;
};

/// Reads one picture: EXR, DPX, TIFF, PNG or JPEG, recognised by its content.
///
/// Windows: an EXR file's own; other formats have one window that begins at (0, 0).
/// A file of several parts gives the first, and the warning `further-parts` with the number of
/// those left out, unless Parts::kAll asks for all of them; of several pages of another format it
/// is always the first. Of tiles with mip levels it is the full size. A photo that its EXIF
/// orientation would turn is taken as stored, as the sensor saw it: that is what a lens calibration
/// refers to; the warning `exif-orientation` says so. errors  kNotFound; kUnreadable: damaged,
/// truncated, a side above kMaxImageSide, above max_bytes,
///         not a picture, or of parts whose display windows differ; kUnsupported: deep data (in any
///         part that is read), sub-sampled EXR channels, integer samples of other depths, CMYK, DPX
///         with run-length encoding or luma and colour differences. Never returns half a picture.
///         Damage that only a check sum could show passes where the format has none (DPX, TIFF,
///         JPEG, EXR without zip).
/// Safe from any thread.
Result<Frame> read_frame(const std::filesystem::path& path, const ReadOptions& options = {});

/// What read_frame() would give, but with `pixels` left empty: the price of the header only.
Result<Frame> read_frame_header(const std::filesystem::path& path, Parts parts = Parts::kFirst);

/// One channel for looking at: the detector's view of a frame.
struct Luma {
  Image<float> pixels;   // one channel, the frame's data window
  Point2d offset_px;     // add to a position in `pixels` to get plate pixels (0, 0 for the top-left
                         // corner of the display window)
  ImageSize plate_size;  // the display window
};

/// 0.2126 R + 0.7152 G + 0.0722 B (ITU-R BT.709, item 3.2), on the values as stored. The channels
/// are R, G, B; without them Y; without that the first layer that has .R .G .B; or the only channel
/// there is. Otherwise kUnsupported. NaN stays NaN.
Result<Luma> luma(const Frame& frame, int threads = 0);

/// What of a frame is looked at: all colours together, or one.
enum class Plane { kLuma, kRed, kGreen, kBlue };

/// `red`, `green`, `blue`; of kLuma `luma`.
[[nodiscard]] std::string_view plane_name(Plane plane);

/// luma(), or one of the three channels it is made of, untouched. kUnsupported also for a colour of
/// a frame that has one channel for all.
Result<Luma> plane_of(const Frame& frame, Plane plane, int threads = 0);

/// Sets how many threads the image libraries may use for all frames together (0 = all cores). It
/// changes process-wide state of those libraries: for programs, not for libraries, and not while
/// frames are being read or written.
void set_io_threads(int threads);

}  // namespace trueplate::footage

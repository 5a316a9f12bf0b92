#pragma once

#include <OpenEXR/ImfHeader.h>

#include <memory>
#include <variant>

#include "calib/footage/detail/readers.h"
#include "calib/footage/frame.h"

namespace trueplate::footage {

namespace detail {

/// The header of a file that is no EXR, as the library that read it keeps it.
class PictureHeader {
 public:
  virtual ~PictureHeader() = default;
  /// Its attributes in EXR's terms; an empty header where the library has none.
  [[nodiscard]] virtual Imf::Header exr_header() const = 0;
};

}  // namespace detail

/// The header of a file as the library that read it gives it. EXR headers stay as they are, unknown
/// attributes included; those of the other formats are OpenImageIO's reading of them.
struct Metadata {
  detail::FileKind kind;
  std::variant<Imf::Header, std::shared_ptr<const detail::PictureHeader>> header;
};

namespace detail {

/// The EXR attribute in which a frame we wrote tells what it was made from
/// (warp/io/frame_record.h). It speaks of one file's bytes, so no other file inherits it.
inline constexpr const char* kRecordName = "trueplateRecord";

/// The attributes to put into an EXR file: the header itself, or its translation. What
/// describes the pixels (windows, channels, compression) is to be replaced by the caller. A null
/// pointer gives an empty header.
Imf::Header exr_header_of(const Metadata* metadata);

/// A header without what describes the layout of pixels in a file (tiles, chunks, parts) and
/// without kRecordName. Made anew attribute by attribute, since OpenEXR's Header::erase() forgets
/// to free what it takes out.
Imf::Header without_layout(const Imf::Header& header);

}  // namespace detail
}  // namespace trueplate::footage

#pragma once

#include <OpenImageIO/imageio.h>

#include <utility>

#include "calib/footage/detail/metadata.h"

namespace trueplate::footage::detail {

/// A header as OpenImageIO reads it.
class PictureSpec final : public PictureHeader {
 public:
  explicit PictureSpec(OIIO::ImageSpec spec) : spec_(std::move(spec)) {}
  [[nodiscard]] const OIIO::ImageSpec& spec() const { return spec_; }
  [[nodiscard]] Imf::Header exr_header() const override;

 private:
  OIIO::ImageSpec spec_;
};

/// The attributes to put into a file OpenImageIO writes; as exr_header_of().
OIIO::ImageSpec image_spec_of(const Metadata* metadata);

}  // namespace trueplate::footage::detail

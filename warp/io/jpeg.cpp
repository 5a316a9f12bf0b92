#include "warp/io/jpeg.h"

#include <OpenImageIO/filesystem.h>
#include <OpenImageIO/imageio.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <vector>

namespace trueplate::warp {
namespace {

unsigned char sample_of(float value) {
  return std::isnan(value)
             ? 0
             : static_cast<unsigned char>(std::lround(255.0F * std::clamp(value, 0.0F, 1.0F)));
}

std::vector<unsigned char> samples_of(ImageView<const float> picture) {
  std::vector<unsigned char> samples;
  const int row_length = picture.width * picture.channels;
  samples.reserve(static_cast<std::size_t>(row_length) * static_cast<std::size_t>(picture.height));
  for (int y = 0; y < picture.height; ++y) {
    std::transform(
        picture.row(y), picture.row(y) + row_length, std::back_inserter(samples), sample_of);
  }
  return samples;
}

}  // namespace

Result<std::string> jpeg_bytes(ImageView<const float> picture, int quality) {
  if (picture.width <= 0 || picture.height <= 0 || picture.channels != 3) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("a JPEG of {}x{} pixels and {} channels: wanted pixels of R, G and B",
                            picture.width,
                            picture.height,
                            picture.channels));
  }
  std::vector<unsigned char> bytes;
  OIIO::Filesystem::IOVecOutput memory(bytes);
  const auto output = OIIO::ImageOutput::create("jpeg");
  OIIO::ImageSpec spec(picture.width, picture.height, 3, OIIO::TypeDesc::UINT8);
  spec.attribute("compression", fmt::format("jpeg:{}", std::clamp(quality, 1, 100)));
  if (!output || !output->set_ioproxy(&memory) || !output->open("picture.jpg", spec) ||
      !output->write_image(OIIO::TypeDesc::UINT8, samples_of(picture).data()) || !output->close()) {
    return fail(ErrorCode::kUnwritable,
                fmt::format("a picture of {}x{} pixels could not be made a JPEG: {}",
                            picture.width,
                            picture.height,
                            output ? output->geterror() : OIIO::geterror()));
  }
  return std::string(bytes.begin(), bytes.end());
}

}  // namespace trueplate::warp

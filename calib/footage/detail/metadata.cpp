#include "calib/footage/detail/metadata.h"

#include <set>
#include <string_view>

namespace trueplate::footage::detail {

Imf::Header without_layout(const Imf::Header& header) {
  static const std::set<std::string_view> layout{
      "tiles", "chunkCount", "version", "type", "maxSamplesPerPixel", kRecordName};
  Imf::Header result;
  for (auto i = header.begin(); i != header.end(); ++i) {
    if (!layout.contains(i.name())) result.insert(i.name(), i.attribute());
  }
  return result;
}

Imf::Header exr_header_of(const Metadata* metadata) {
  if (metadata == nullptr) return {};
  if (const auto* exr = std::get_if<Imf::Header>(&metadata->header)) return *exr;
  return std::get<std::shared_ptr<const PictureHeader>>(metadata->header)->exr_header();
}

}  // namespace trueplate::footage::detail

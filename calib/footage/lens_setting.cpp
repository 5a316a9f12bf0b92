#include "calib/footage/lens_setting.h"

#include <OpenEXR/ImfDoubleAttribute.h>
#include <OpenEXR/ImfFloatAttribute.h>

#include <cmath>
#include <variant>

#include "calib/footage/detail/metadata.h"

namespace trueplate::footage {
namespace {

std::optional<double> number(const Imf::Header& header, const char* name) {
  std::optional<double> value;
  if (const auto* single = header.findTypedAttribute<Imf::FloatAttribute>(name)) {
    value = static_cast<double>(single->value());
  } else if (const auto* wide = header.findTypedAttribute<Imf::DoubleAttribute>(name)) {
    value = wide->value();
  }
  return value && *value > 0.0 ? value : std::nullopt;
}

LensSetting setting_of(const Imf::Header& header) {
  LensSetting setting;
  for (const char* name : {"nominalFocalLength", "effectiveFocalLength", "pinholeFocalLength"}) {
    setting.focal_mm = number(header, name);
    if (setting.focal_mm && std::isfinite(*setting.focal_mm)) break;
    setting.focal_mm.reset();
  }
  setting.focus_m = number(header, "focus");
  setting.t_stop = number(header, "tStop");
  return setting;
}

}  // namespace

LensSetting lens_setting_of(const Frame& frame) {
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    const Metadata* metadata = frame.part(i).metadata.get();
    if (metadata == nullptr) continue;
    const auto* header = std::get_if<Imf::Header>(&metadata->header);
    if (header == nullptr) continue;
    const LensSetting setting = setting_of(*header);
    if (setting.focal_mm || setting.focus_m || setting.t_stop) return setting;
  }
  return {};
}

}  // namespace trueplate::footage

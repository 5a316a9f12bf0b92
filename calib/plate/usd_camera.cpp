#include "calib/plate/usd_camera.h"

#include <fmt/format.h>

#include "calib/base/utf8.h"

namespace trueplate::plate {

std::string usd_quoted(std::string_view text) {
  std::string result = "\"";
  for (const char c : replace_invalid_utf8(text)) {
    if (c == '"' || c == '\\') result += '\\';
    if (c == '\n') {
      result += "\\n";
    } else if (c == '\r') {
      result += "\\r";
    } else if (c == '\t') {
      result += "\\t";
    } else if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) {
      result += '?';
    } else {
      result += c;
    }
  }
  return result + "\"";
}

CameraApertures apertures_of(const lens::Lens& lens) {
  CameraApertures apertures;
  apertures.width_mm = lens.film_back ? lens.film_back->width_mm : kAssumedWidthMm;
  apertures.focal_mm = lens.focal_px.x() * apertures.width_mm / lens.plate_size.width;
  const double mm_per_px_y = apertures.focal_mm / lens.focal_px.y();
  apertures.height_mm = lens.plate_size.height * mm_per_px_y;
  apertures.offset_x_mm = (0.5 * lens.plate_size.width - lens.principal_point_px.x()) *
                          apertures.width_mm / lens.plate_size.width;
  apertures.offset_y_mm =
      (lens.principal_point_px.y() - 0.5 * lens.plate_size.height) * mm_per_px_y;
  return apertures;
}

std::string usd_pinhole_text(const lens::Lens& lens) {
  const CameraApertures apertures = apertures_of(lens);
  std::string text;
  const auto number = [&text](std::string_view name, double value) {
    text += fmt::format("        float {} = {}\n", name, value);
  };
  number("focalLength", apertures.focal_mm);
  number("horizontalAperture", apertures.width_mm);
  number("verticalAperture", apertures.height_mm);
  number("horizontalApertureOffset", apertures.offset_x_mm);
  number("verticalApertureOffset", apertures.offset_y_mm);
  return text + "        token projection = \"perspective\"\n";
}

}  // namespace trueplate::plate

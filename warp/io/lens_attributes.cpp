#include "warp/io/lens_attributes.h"

#include <OpenEXR/ImfFloatAttribute.h>
#include <OpenEXR/ImfStringAttribute.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <string_view>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/lens_header.h"

namespace trueplate::warp {
namespace {

/// Longest text written; the standard names no limit.
constexpr std::size_t kMaxText = 1000;

/// A number written by another program as float or with six decimals.
bool about_equal(double a, double b) {
  constexpr double kRelative = 1e-6;
  return a == b || std::abs(a - b) <= kRelative * std::max(std::abs(a), std::abs(b));
}

class HeaderNotes {
 public:
  explicit HeaderNotes(Imf::Header& header) : header_(header) {}

  void number(const char* name, const std::optional<double>& value) {
    if (!value) return;
    if (!present(name)) {
      header_.insert(name, Imf::FloatAttribute(static_cast<float>(*value)));
      return;
    }
    const auto* found = header_.findTypedAttribute<Imf::FloatAttribute>(name);
    if (found != nullptr && about_equal(found->value(), *value)) return;
    differs(name,
            found == nullptr ? "no number" : fmt::format("{:g}", found->value()),
            fmt::format("{:g}", *value));
  }

  void text(const char* name, const std::string& value) {
    if (value.empty()) return;
    const std::string line = printable(value, kMaxText);
    if (!present(name)) {
      header_.insert(name, Imf::StringAttribute(line));
      return;
    }
    const auto* found = header_.findTypedAttribute<Imf::StringAttribute>(name);
    if (found != nullptr && (found->value() == value || found->value() == line)) return;
    differs(name,
            found == nullptr ? "no text" : fmt::format("'{}'", printable(found->value())),
            fmt::format("'{}'", printable(value)));
  }

  std::vector<std::string> differences;

 private:
  [[nodiscard]] bool present(const char* name) const { return header_.find(name) != header_.end(); }
  void differs(std::string_view name, std::string_view found, std::string_view wanted) {
    differences.push_back(fmt::format("{} is {}, the profile says {}", name, found, wanted));
  }

  Imf::Header& header_;
};

}  // namespace

std::vector<std::string> detail::add_lens_attributes(Imf::Header& header,
                                                     const LensAttributes& attributes) {
  HeaderNotes notes(header);
  notes.number("nominalFocalLength", attributes.nominal_focal_mm);
  notes.number("pinholeFocalLength", attributes.pinhole_focal_mm);
  notes.number("focus", attributes.focus_m);
  notes.number("tStop", attributes.t_stop);
  notes.number("entrancePupilOffset", attributes.entrance_pupil_mm);
  notes.text("cameraModel", attributes.camera_model);
  notes.text("lensModel", attributes.lens_model);
  notes.text("lensSerialNumber", attributes.lens_serial);
  if (!attributes.program.empty()) {
    header.insert("trueplateProgram", Imf::StringAttribute(attributes.program));
  }
  return std::move(notes.differences);
}

void add_lens_attributes(footage::Frame& frame, const LensAttributes& attributes) {
  std::vector<std::string> differences;
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    footage::Part& part = frame.part(i);
    Imf::Header header = footage::detail::exr_header_of(part.metadata.get());
    for (std::string& difference : detail::add_lens_attributes(header, attributes)) {
      const bool said =
          std::find(differences.begin(), differences.end(), difference) != differences.end();
      if (!said) differences.push_back(std::move(difference));
    }
    part.metadata = std::make_shared<const footage::Metadata>(
        footage::Metadata{footage::detail::FileKind::kExr, std::move(header)});
  }
  if (!about_equal(frame.pixel_aspect, attributes.pixel_aspect)) {
    differences.push_back(fmt::format("the pixel aspect is {:g}, the profile says {:g}",
                                      frame.pixel_aspect,
                                      attributes.pixel_aspect));
  }
  if (differences.empty()) return;
  frame.warnings.push_back({"header-differs",
                            fmt::format("the picture's header and the lens profile do not agree; "
                                        "the header was kept: {}",
                                        fmt::join(differences, "; ")),
                            static_cast<double>(differences.size())});
}

}  // namespace trueplate::warp

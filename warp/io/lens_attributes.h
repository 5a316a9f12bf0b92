#pragma once

#include <optional>
#include <string>

#include "calib/footage/frame.h"

namespace trueplate::warp {

/// What is known of camera and lens, for the header attributes that OpenEXR names for it
/// (ImfStandardAttributes.h of OpenEXR 3.2; focus is older). Before 3.2 they are ordinary
/// attributes of the same name and type. What is absent or empty is not written.
struct LensAttributes {
  std::optional<double> nominal_focal_mm = {};  // nominalFocalLength: the number on the barrel
  std::optional<double> pinhole_focal_mm = {};  // pinholeFocalLength: horizontal, as calibrated
  std::optional<double> focus_m = {};           // focus; infinity is legal
  std::optional<double> t_stop = {};            // tStop
  /// entrancePupilOffset: from the image plane, positive towards the scene
  std::optional<double> entrance_pupil_mm = {};
  std::string camera_model = {};  // cameraModel
  std::string lens_model = {};    // lensModel
  std::string lens_serial = {};   // lensSerialNumber
  std::string program = {};       // trueplateProgram: what wrote the file
  double pixel_aspect = 1.0;      // compared only: a picture always has its own
};

/// Adds them to the headers that an EXR file of this frame will have, of every part. What the
/// header says already stays, whatever it is (but for trueplateProgram): it may be of this very
/// frame, the profile is of one state of the lens. Where the two differ (numbers by more than
/// rounding to float) the frame gets the warning `header-differs` that names both (value: how many
/// attributes).
void add_lens_attributes(footage::Frame& frame, const LensAttributes& attributes);

}  // namespace trueplate::warp

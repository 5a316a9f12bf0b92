#pragma once

namespace trueplate::lens {

/// The physical area of the sensor that made the display window (active sensor dimensions, in the
/// camera's read-out mode). A wrong film back moves the focal length in mm, never the pixels.
struct FilmBack {
  double width_mm = 0.0;
  double height_mm = 0.0;

  friend bool operator==(const FilmBack&, const FilmBack&) = default;
};

}  // namespace trueplate::lens

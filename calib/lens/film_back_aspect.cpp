#include "calib/lens/film_back_aspect.h"

#include <fmt/format.h>

#include <cmath>

namespace trueplate::lens {
namespace {

constexpr double kSameAspect = 0.02;

}  // namespace

std::optional<Warning> film_back_aspect(const FilmBack& film_back,
                                        ImageSize plate,
                                        double pixel_aspect,
                                        double squeeze) {
  const double of_back = film_back.width_mm / film_back.height_mm;
  const double of_plate = plate.width * pixel_aspect / squeeze / plate.height;
  const double off = of_back / of_plate - 1.0;
  if (!(std::abs(off) > kSameAspect)) return std::nullopt;
  return Warning{
      "film-back-aspect",
      fmt::format(
          "the film back given, {:.4g} x {:.4g} mm, is {:.3f} times as wide as high, the "
          "plate of {}x{} (pixel aspect {:.4g}, squeeze {:.4g}) {:.3f} times: focal lengths "
          "in mm are off by that along one axis; give the part of the sensor that the plate "
          "shows",
          film_back.width_mm,
          film_back.height_mm,
          of_back,
          plate.width,
          plate.height,
          pixel_aspect,
          squeeze,
          of_plate),
      off};
}

}  // namespace trueplate::lens

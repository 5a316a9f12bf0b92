#include "calib/target/detail/crossing_guess.h"

#include <fmt/format.h>

#include <algorithm>

namespace trueplate::target::detail {

double bounded_sine(double angle_u, double angle_v) {
  return std::max(kMinSine, std::sin(angle_v - angle_u));
}

bool well_apart(double angle_u, double angle_v) { return std::sin(angle_v - angle_u) >= kMinSine; }

Result<void> check_crossing_guess(std::string_view function,
                                  ImageView<const float> image,
                                  const Point2d& p_px,
                                  const Point2d& step_u_px,
                                  const Point2d& step_v_px,
                                  std::initializer_list<double> numbers,
                                  double min_step_px) {
  if (image.channels != 1)
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: found {} channels, need 1", function, image.channels));
  const double step_u = step_u_px.norm();
  const double step_v = step_v_px.norm();
  const bool finite = p_px.allFinite() && std::isfinite(step_u * step_v) &&
                      std::all_of(numbers.begin(), numbers.end(), [](double number) {
                        return std::isfinite(number);
                      });
  if (!finite || !(step_u >= min_step_px) || !(step_v >= min_step_px))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format(
            "{}: the guess is not finite or its steps are below {} px", function, min_step_px));
  if (!well_apart(angle_of(step_u_px), angle_of(step_v_px)))
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("{}: the steps are nearly parallel, or u to v turns anticlockwise", function));
  return {};
}

}  // namespace trueplate::target::detail

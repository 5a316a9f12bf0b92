#pragma once

namespace trueplate::lens {

/// Residual |distort(undistort(p)) - p| that every model's undistort() guarantees, on the plane
/// z = 1 and relative to max(1, |p|). Times the focal length it is below 1e-9 px for every focal
/// length up to 10000 px.
inline constexpr double kInverseTolerance = 1e-13;

}  // namespace trueplate::lens

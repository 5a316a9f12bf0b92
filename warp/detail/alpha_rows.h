#pragma once

namespace trueplate::warp::detail {

/// Rounding of the weights alone takes the alpha of an opaque picture less than this beyond 1.
inline constexpr float kAlphaRounding = 1e-6F;

/// Takes back what rounding alone put an alpha beyond 0..1: channel `alpha` of a row of `width`
/// interleaved pixels. What lies further beyond stays, and so do NaN and the other channels, bit
/// for bit. Returns whether anything lies further beyond. The same bits on every processor.
bool take_back_alpha_rounding(float* row, int width, int channels, int alpha);

}  // namespace trueplate::warp::detail

#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "calib/footage/frame.h"

namespace trueplate::tests {

/// The float a code of an integer format stands for.
inline float value_of_code(int code, int bits) {
  return static_cast<float>(code) / static_cast<float>((1 << bits) - 1);
}

/// A frame whose pixels come from value(x, y, c), with data and display window alike.
template <class Value>
footage::Frame make_frame(int width,
                          int height,
                          const std::vector<std::string>& names,
                          footage::SampleFormat format,
                          const Value& value) {
  footage::Frame frame;
  frame.windows = {{0, 0, width, height}, {0, 0, width, height}};
  for (const std::string& name : names) {
    frame.channels.push_back({name, format});
    if (name == "A") frame.alpha = footage::Alpha::kAssociated;
  }
  frame.pixels = Image<float>(width, height, static_cast<int>(names.size()));
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      for (int c = 0; c < frame.pixels.channels(); ++c) frame.pixels.at(x, y, c) = value(x, y, c);
    }
  }
  return frame;
}

/// A smooth picture with some texture, all values in 0..1 and exact in half.
inline footage::Frame make_plate(int width, int height, footage::SampleFormat format) {
  return make_frame(width, height, {"R", "G", "B", "A"}, format, [&](int x, int y, int c) {
    if (c == 3) return 1.0F;
    const int level = (x * 5 + y * 3 * (c + 1) + (x * y) % 17) % 256;
    return static_cast<float>(level) / 256.0F;
  });
}

}  // namespace trueplate::tests

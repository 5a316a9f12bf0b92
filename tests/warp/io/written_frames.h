#pragma once

#include <bit>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/image.h"
#include "calib/base/warning.h"

// What tests of the writer look at.
namespace trueplate::tests {

namespace fs = std::filesystem;
using Names = std::vector<std::string>;

inline bool same_bits(const Image<float>& a, const Image<float>& b) {
  if (a.size() != b.size() || a.width() != b.width()) return false;
  for (std::size_t i = 0; i < a.size(); ++i) {
    if (std::bit_cast<std::uint32_t>(a.data()[i]) != std::bit_cast<std::uint32_t>(b.data()[i])) {
      return false;
    }
  }
  return true;
}

inline Names codes_of(const std::vector<Warning>& warnings) {
  Names codes;
  for (const Warning& warning : warnings) codes.push_back(warning.code);
  return codes;
}

inline double value_of(const std::vector<Warning>& warnings, std::string_view code) {
  for (const Warning& warning : warnings) {
    if (warning.code == code) return warning.value;
  }
  return -1.0;
}

inline std::string content_of(const std::filesystem::path& path) {
  std::ifstream stream(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(stream), {}};
}

}  // namespace trueplate::tests

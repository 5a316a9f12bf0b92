#include "calib/base/utf8.h"

#include <algorithm>
#include <array>

namespace trueplate {
namespace {

constexpr std::string_view kReplacement = "\xEF\xBF\xBD";  // U+FFFD

/// The characters that turn the direction of what follows (Unicode Standard Annex 9, section 2), so
/// that a name could be shown as another.
constexpr std::array<std::string_view, 12> kTurns{"\xD8\x9C",      // U+061C
                                                  "\xE2\x80\x8E",  // U+200E, U+200F
                                                  "\xE2\x80\x8F",
                                                  "\xE2\x80\xAA",  // U+202A .. U+202E
                                                  "\xE2\x80\xAB",
                                                  "\xE2\x80\xAC",
                                                  "\xE2\x80\xAD",
                                                  "\xE2\x80\xAE",
                                                  "\xE2\x81\xA6",  // U+2066 .. U+2069
                                                  "\xE2\x81\xA7",
                                                  "\xE2\x81\xA8",
                                                  "\xE2\x81\xA9"};

/// Bytes of the well-formed sequence at the start of `text` (not empty), 0 when there is none.
/// The ranges are those of the grammar in RFC 3629, section 4.
std::size_t sequence_length(std::string_view text) {
  const auto byte = [&](std::size_t i) { return static_cast<unsigned char>(text[i]); };
  const auto follows = [&](std::size_t i, int low = 0x80, int high = 0xBF) {
    return i < text.size() && byte(i) >= low && byte(i) <= high;
  };
  const int lead = byte(0);
  if (lead < 0x80) return 1;
  if (lead >= 0xC2 && lead <= 0xDF) return follows(1) ? 2 : 0;
  if (lead >= 0xE0 && lead <= 0xEF) {
    const int low = lead == 0xE0 ? 0xA0 : 0x80;
    const int high = lead == 0xED ? 0x9F : 0xBF;
    return follows(1, low, high) && follows(2) ? 3 : 0;
  }
  if (lead >= 0xF0 && lead <= 0xF4) {
    const int low = lead == 0xF0 ? 0x90 : 0x80;
    const int high = lead == 0xF4 ? 0x8F : 0xBF;
    return follows(1, low, high) && follows(2) && follows(3) ? 4 : 0;
  }
  return 0;
}

bool is_control(std::string_view sequence) {
  const auto first = static_cast<unsigned char>(sequence[0]);
  if (sequence.size() == 1) return first < 0x20 || first == 0x7F;
  // U+0080 .. U+009F, among them the one-byte form of the escape sequences.
  if (sequence.size() == 2 && first == 0xC2) return static_cast<unsigned char>(sequence[1]) < 0xA0;
  return std::find(kTurns.begin(), kTurns.end(), sequence) != kTurns.end();
}

}  // namespace

std::size_t find_invalid_utf8(std::string_view text) {
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = sequence_length(text.substr(i));
    if (length == 0) return i;
    i += length;
  }
  return std::string_view::npos;
}

std::string replace_invalid_utf8(std::string_view text) {
  std::string valid;
  valid.reserve(text.size());
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = sequence_length(text.substr(i));
    valid += length == 0 ? kReplacement : text.substr(i, length);
    i += length == 0 ? 1 : length;
  }
  return valid;
}

std::string printable(std::string_view text, std::size_t max_bytes) {
  std::string shown;
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = sequence_length(text.substr(i));
    std::string_view piece = length == 0 ? kReplacement : text.substr(i, length);
    if (length != 0 && is_control(piece)) {
      const bool is_space = piece == "\n" || piece == "\r" || piece == "\t";
      piece = is_space ? std::string_view(" ") : kReplacement;
    }
    if (shown.size() + piece.size() > max_bytes) return shown + "...";
    shown += piece;
    i += length == 0 ? 1 : length;
  }
  return shown;
}

}  // namespace trueplate

#include "calib/base/csv_comment.h"

#include <fmt/format.h>

#include <algorithm>

#include "calib/base/text.h"

namespace trueplate {

std::string with_comment(std::string text, std::string_view key, std::string_view value) {
  constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";
  std::size_t begin = text.starts_with(kByteOrderMark) ? kByteOrderMark.size() : 0;
  std::size_t end = 0;  // of the last comment, its line break included
  std::string_view line_end = "\n";
  while (begin < text.size()) {
    const std::size_t next = std::min(text.find('\n', begin), text.size() - 1) + 1;
    const std::string_view whole = std::string_view(text).substr(begin, next - begin);
    const std::string_view line = trim(whole);
    if (!line.empty() && !line.starts_with('#')) break;
    if (!line.empty()) {
      end = next;
      line_end = whole.ends_with("\r\n") ? "\r\n" : "\n";
      const std::string_view content = line.substr(1);
      const std::size_t colon = content.find(':');
      if (colon != std::string_view::npos && trim(content.substr(0, colon)) == key) {
        return text.replace(begin, next - begin, fmt::format("# {}: {}{}", key, value, line_end));
      }
    }
    begin = next;
  }
  if (end == 0) return text;
  return text.insert(end, fmt::format("# {}: {}{}", key, value, line_end));
}

}  // namespace trueplate

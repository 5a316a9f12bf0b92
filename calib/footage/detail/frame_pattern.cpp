#include "calib/footage/detail/frame_pattern.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cstddef>

#include "calib/footage/frame_set.h"

namespace trueplate::footage::detail {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_letter(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }

std::size_t name_begin(std::string_view text) {
  const std::size_t slash = text.rfind('/');
  return slash == std::string_view::npos ? 0 : slash + 1;
}

/// One place for the number within a file name.
struct Mark {
  std::size_t begin = 0;
  std::size_t end = 0;
  int digits = 1;
  bool padded_with_blanks = false;
};

std::optional<Mark> find_mark(std::string_view name, std::size_t from) {
  for (std::size_t i = from; i < name.size(); ++i) {
    if (name[i] == '#') {
      std::size_t end = i;
      while (end < name.size() && name[end] == '#') ++end;
      return Mark{i, end, static_cast<int>(std::min<std::size_t>(end - i, 1000)), false};
    }
    if (name[i] != '%') continue;
    std::size_t end = i + 1;
    while (end < name.size() && is_digit(name[end])) ++end;
    if (end == name.size() || name[end] != 'd') continue;
    const std::string_view width = name.substr(i + 1, end - i - 1);
    int digits = 1;
    if (!width.empty() &&
        std::from_chars(width.data(), width.data() + width.size(), digits).ec != std::errc()) {
      digits = 1000;
    }
    return Mark{i, end + 1, digits, !width.empty() && width.front() != '0'};
  }
  return std::nullopt;
}

std::optional<int> to_frame_number(std::string_view digits, bool negative) {
  long long value = 0;
  const auto [end, code] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
  if (code != std::errc() || end != digits.data() + digits.size() || value > kMaxFrameNumber) {
    return std::nullopt;
  }
  return static_cast<int>(negative ? -value : value);
}

}  // namespace

bool holds_frame_mark(std::string_view text) {
  return find_mark(text.substr(name_begin(text)), 0).has_value();
}

Result<FramePattern> parse_frame_pattern(std::string_view text) {
  const std::size_t begin = name_begin(text);
  const std::string_view name = text.substr(begin);
  const std::optional<Mark> mark = find_mark(name, 0);
  if (!mark) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: has no place for a frame number; write #### or %04d", text));
  }
  if (mark->padded_with_blanks) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: {} would pad frame numbers with blanks; write %0{}d",
                            text,
                            name.substr(mark->begin, mark->end - mark->begin),
                            mark->digits));
  }
  if (mark->digits > 20) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: more than 20 digits for a frame number", text));
  }
  if (find_mark(name, mark->end)) {
    return fail(
        ErrorCode::kInvalidInput,
        fmt::format("{}: two places for a frame number; one run of # or one %d is wanted", text));
  }
  return FramePattern{std::filesystem::path(text.substr(0, begin)),
                      std::string(name.substr(0, mark->begin)),
                      std::string(name.substr(mark->end)),
                      std::max(mark->digits, 1)};
}

std::string file_name(const FramePattern& pattern, int number) {
  return fmt::format("{}{:0{}d}{}", pattern.prefix, number, pattern.digits, pattern.suffix);
}

std::filesystem::path path_of(const FramePattern& pattern, int number) {
  return pattern.folder / file_name(pattern, number);
}

std::optional<int> number_in(const FramePattern& pattern, std::string_view name) {
  if (name.size() <= pattern.prefix.size() + pattern.suffix.size() ||
      !name.starts_with(pattern.prefix) || !name.ends_with(pattern.suffix)) {
    return std::nullopt;
  }
  std::string_view digits = name.substr(
      pattern.prefix.size(), name.size() - pattern.prefix.size() - pattern.suffix.size());
  const bool negative = digits.front() == '-';
  if (negative) digits.remove_prefix(1);
  if (digits.empty() || !std::all_of(digits.begin(), digits.end(), is_digit)) return std::nullopt;
  const std::optional<int> number = to_frame_number(digits, negative);
  if (!number || file_name(pattern, *number) != name) return std::nullopt;
  return number;
}

std::optional<int> trailing_number(const std::filesystem::path& path) {
  const std::string stem = path.stem().string();
  std::size_t begin = stem.size();
  while (begin > 0 && is_digit(stem[begin - 1])) --begin;
  if (begin == stem.size()) return std::nullopt;
  const char before = begin > 0 ? stem[begin - 1] : '\0';
  const char two_before = begin > 1 ? stem[begin - 2] : '\0';
  if ((before == 'v' || before == 'V') && !is_letter(two_before)) return std::nullopt;
  const bool negative =
      before == '-' && (two_before == '\0' || two_before == '.' || two_before == '_');
  return to_frame_number(std::string_view(stem).substr(begin), negative);
}

bool natural_less(std::string_view a, std::string_view b) {
  std::size_t i = 0;
  std::size_t j = 0;
  while (i < a.size() && j < b.size()) {
    if (!is_digit(a[i]) || !is_digit(b[j])) {
      if (a[i] != b[j]) return static_cast<unsigned char>(a[i]) < static_cast<unsigned char>(b[j]);
      ++i;
      ++j;
      continue;
    }
    const auto run = [](std::string_view text, std::size_t& position) {
      while (position < text.size() && text[position] == '0') ++position;
      const std::size_t begin = position;
      while (position < text.size() && is_digit(text[position])) ++position;
      return text.substr(begin, position - begin);
    };
    const std::string_view left = run(a, i);
    const std::string_view right = run(b, j);
    if (left.size() != right.size()) return left.size() < right.size();
    if (left != right) return left < right;
  }
  if (a.size() - i != b.size() - j) return a.size() - i < b.size() - j;
  return a < b;  // equal but for leading zeros: still a strict order
}

}  // namespace trueplate::footage::detail

#include "calib/profile/detail/json_text.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstdint>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::profile::detail {
namespace {

constexpr std::string_view kByteOrderMark = "\xEF\xBB\xBF";

/// `source:line:byte: message` for the byte at `offset`.
Error error_at(std::string_view text,
               std::size_t offset,
               std::string_view source,
               std::string_view message) {
  const std::string_view before = text.substr(0, std::min(offset, text.size()));
  const auto line = 1 + std::count(before.begin(), before.end(), '\n');
  const std::size_t line_break = before.rfind('\n');
  const std::size_t byte =
      line_break == std::string_view::npos ? before.size() + 1 : before.size() - line_break;
  return {ErrorCode::kUnreadable, fmt::format("{}:{}:{}: {}", source, line, byte, message)};
}

/// What the JSON library says, its own prefix (exception name, position) left out.
std::string reason_of(std::string_view what) {
  if (const std::size_t bracket = what.find("] "); bracket != std::string_view::npos) {
    what.remove_prefix(bracket + 2);
  }
  if (what.starts_with("parse error at")) {
    if (const std::size_t colon = what.find(": "); colon != std::string_view::npos) {
      what.remove_prefix(colon + 2);
    }
  }
  return printable(what, 160);
}

/// Builds the value from the library's parser events. Any `return false` stops the parser.
class Builder : public nlohmann::json_sax<Json> {
 public:
  Builder() {}  // a defaulted one would promise not to throw
  Builder(const Builder&) = delete;
  Builder& operator=(const Builder&) = delete;
  ~Builder() override = default;

  bool null() override { return add(Json(nullptr)); }
  bool boolean(bool value) override { return add(Json(value)); }
  bool number_integer(std::int64_t value) override { return add(Json(value)); }
  bool number_unsigned(std::uint64_t value) override { return add(Json(value)); }
  bool number_float(double value, const std::string& text) override {
    if (!std::isfinite(value)) return refuse(fmt::format("number too large: {}", printable(text)));
    return add(Json(value));
  }
  bool string(std::string& value) override { return add(Json(std::move(value))); }
  bool binary(Json::binary_t&) override { return refuse("binary data"); }

  bool start_object(std::size_t) override { return open(Json::object()); }
  bool end_object() override { return close(); }
  bool start_array(std::size_t) override { return open(Json::array()); }
  bool end_array() override { return close(); }

  bool key(std::string& name) override {
    if (open_.back()->size() >= kMaxFields) {
      return refuse(fmt::format("more than {} fields in one object", kMaxFields));
    }
    if (open_.back()->contains(name)) {
      return refuse(fmt::format("the field '{}' is given twice", printable(name)));
    }
    key_ = std::move(name);
    return true;
  }

  bool parse_error(std::size_t position,
                   const std::string&,
                   const nlohmann::detail::exception& error) override {
    position_ = position;
    // A bare NaN or 1e999 is a field's value to whoever wrote it: name the field.
    const std::string field = key_.empty() ? "" : fmt::format(" (the value of {})", field_path());
    return refuse(fmt::format("is not JSON{}: {}", field, reason_of(error.what())));
  }

  Json take() { return std::move(root_); }
  [[nodiscard]] const std::string& complaint() const { return complaint_; }
  [[nodiscard]] std::size_t position() const { return position_; }

 private:
  bool refuse(std::string complaint) {
    complaint_ = std::move(complaint);
    return false;
  }

  /// The field whose value is being read, as the complaints of the reader name it.
  [[nodiscard]] std::string field_path() const {
    std::string path;
    for (const std::string& step : steps_) path += step;
    return printable((path + "." + key_).substr(path.empty() ? 1 : 0), 200);
  }

  /// Puts a value where the parser stands; the pointers in open_ stay good, because only the
  /// innermost container grows.
  Json* place(Json value) {
    if (open_.empty()) {
      root_ = std::move(value);
      return &root_;
    }
    Json& parent = *open_.back();
    if (parent.is_array()) {
      parent.push_back(std::move(value));
      return &parent.back();
    }
    return &(parent[std::exchange(key_, {})] = std::move(value));
  }

  bool add(Json value) {
    place(std::move(value));
    return true;
  }

  bool open(Json container) {
    if (open_.size() >= static_cast<std::size_t>(kMaxDepth)) {
      return refuse(fmt::format("nested deeper than {} levels", kMaxDepth));
    }
    std::string step;
    if (!open_.empty()) {
      const Json& parent = *open_.back();
      step = parent.is_array() ? fmt::format("[{}]", parent.size())
                               : (steps_.size() > 1 ? "." : "") + key_;
    }
    steps_.push_back(std::move(step));
    open_.push_back(place(std::move(container)));
    return true;
  }

  bool close() {
    steps_.pop_back();
    open_.pop_back();
    return true;
  }

  Json root_;
  std::vector<Json*> open_;
  std::vector<std::string> steps_;  // to each of open_, from the one before
  std::string key_;
  std::string complaint_;
  std::size_t position_ = 0;  // bytes read when the parser gave up; 0 when the builder did
};

/// The bytes of `text` handed out so far, so that a refusal of the builder has a position too.
class CountingIterator {
 public:
  using iterator_category = std::input_iterator_tag;
  using value_type = char;
  using difference_type = std::ptrdiff_t;
  using pointer = const char*;
  using reference = const char&;

  CountingIterator(const char* at, const char** farthest) : at_(at), farthest_(farthest) {}
  reference operator*() const { return *at_; }
  CountingIterator& operator++() {
    ++at_;
    *farthest_ = at_;
    return *this;
  }
  CountingIterator operator++(int) {
    const CountingIterator before = *this;
    ++*this;
    return before;
  }
  friend bool operator==(const CountingIterator& a, const CountingIterator& b) {
    return a.at_ == b.at_;
  }
  friend bool operator!=(const CountingIterator& a, const CountingIterator& b) { return !(a == b); }

 private:
  const char* at_;
  const char** farthest_;
};

std::string number_text(double value) {
  assert(std::isfinite(value));
  // "-0" would be read as the whole number 0.
  return value == 0.0 && std::signbit(value) ? "-0.0" : to_lossless_text(value);
}

/// `value` on one line.
std::string compact(const Json& value) {
  if (value.is_number_float()) return number_text(value.get<double>());
  if (!value.is_structured()) {
    return value.dump(-1, ' ', false, nlohmann::detail::error_handler_t::replace);
  }
  std::string text;
  for (const auto& item : value.items()) {
    if (!text.empty()) text += ", ";
    if (value.is_object()) text += compact(Json(item.key())) + ": ";
    text += compact(item.value());
  }
  return value.is_object() ? '{' + text + '}' : '[' + text + ']';
}

bool is_flat(const Json& value) {
  return std::none_of(
      value.begin(), value.end(), [](const Json& item) { return item.is_structured(); });
}

void append(std::string& text, const Json& value, std::size_t indent) {
  constexpr std::size_t kStep = 2;
  constexpr std::size_t kMaxLine = 100;
  const bool numbers =
      value.is_array() && !value.empty() &&
      std::all_of(value.begin(), value.end(), [](const Json& item) { return item.is_number(); });
  if (!value.is_structured() || value.empty() || numbers) {
    text += compact(value);
    return;
  }
  if (is_flat(value)) {
    const std::string line = compact(value);
    const std::size_t line_break = text.rfind('\n');
    const std::size_t used =
        line_break == std::string::npos ? text.size() : text.size() - line_break - 1;
    if (used + line.size() < kMaxLine) {
      text += line;
      return;
    }
  }
  text += value.is_object() ? '{' : '[';
  bool first = true;
  for (const auto& item : value.items()) {
    if (!first) text += ',';
    first = false;
    text += '\n' + std::string(indent + kStep, ' ');
    if (value.is_object()) text += compact(Json(item.key())) + ": ";
    append(text, item.value(), indent + kStep);
  }
  text += '\n' + std::string(indent, ' ');
  text += value.is_object() ? '}' : ']';
}

}  // namespace

Result<Json> parse_json(std::string_view text, std::string_view source) {
  if (text.starts_with("\xFF\xFE") || text.starts_with("\xFE\xFF")) {
    return fail(error_at(text, 0, source, "is UTF-16 text, wanted UTF-8"));
  }
  if (const std::size_t bad = find_invalid_utf8(text); bad != std::string_view::npos) {
    return fail(error_at(
        text,
        bad,
        source,
        fmt::format("is not UTF-8 text: byte 0x{:02X}", static_cast<unsigned char>(text[bad]))));
  }
  const std::size_t skipped = text.starts_with(kByteOrderMark) ? kByteOrderMark.size() : 0;
  if (trim(text.substr(skipped)).empty()) {
    return fail(error_at(text, 0, source, "is empty, wanted JSON"));
  }
  const char* const begin = text.data() + skipped;
  const char* const end = text.data() + text.size();
  const char* farthest = begin;
  Builder builder;
  try {
    if (Json::sax_parse(
            CountingIterator(begin, &farthest), CountingIterator(end, &farthest), &builder)) {
      return builder.take();
    }
  } catch (const Json::exception& error) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: is not JSON: {}", source, reason_of(error.what())));
  }
  // Both counts are one past the offending byte; at the end of a truncated text there is none.
  const std::size_t read =
      builder.position() > 0 ? builder.position() : static_cast<std::size_t>(farthest - begin);
  const std::size_t offset = skipped + (read > 0 ? read - 1 : 0);
  return fail(error_at(text, offset, source, builder.complaint()));
}

std::string json_text(const Json& value) {
  std::string text;
  append(text, value, 0);
  return text + '\n';
}

}  // namespace trueplate::profile::detail

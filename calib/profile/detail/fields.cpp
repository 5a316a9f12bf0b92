#include "calib/profile/detail/fields.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <utility>

#include "calib/base/utf8.h"

namespace trueplate::profile::detail {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();

const Json& empty_object() {
  static const Json empty = Json::object();
  return empty;
}

const Json& empty_list() {
  static const Json empty = Json::array();
  return empty;
}

std::string wanted_text(const Range& range) {
  if (range.most < kInfinity) return fmt::format("a number from {} to {}", range.least, range.most);
  if (range.least == -kInfinity) return "a finite number";
  return range.end == Least::kOpen ? "a finite number above zero" : "a finite number, zero or more";
}

bool in_range(double value, const Range& range) {
  return std::isfinite(value) && value <= range.most &&
         (range.end == Least::kOpen ? value > range.least : value >= range.least);
}

/// Levenshtein distance: insertions, deletions and replacements that turn one into the other.
std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = std::exchange(row[0], i);
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = diagonal + (a[i - 1] == b[j - 1] ? 0 : 1);
      diagonal = row[j];
      row[j] = std::min({replaced, row[j] + 1, row[j - 1] + 1});
    }
  }
  return row.back();
}

std::string suggestion(std::string_view name, const std::vector<std::string_view>& known) {
  constexpr std::size_t kMaxLength = 64;
  if (name.size() > kMaxLength || known.empty()) return "";
  const auto closest = std::min_element(known.begin(), known.end(), [&](auto a, auto b) {
    return edit_distance(name, a) < edit_distance(name, b);
  });
  if (edit_distance(name, *closest) > std::max<std::size_t>(2, closest->size() / 3)) return "";
  return fmt::format(", did you mean '{}'?", *closest);
}

}  // namespace

void Complaint::set(std::string_view path, std::string_view message) {
  if (message_) return;
  message_ = path.empty() ? std::string(message) : fmt::format("{}: {}", path, message);
}

std::string found_text(const Json& value) {
  if (value.is_object()) return "is an object";
  if (value.is_array()) return "is a list";
  if (value.is_string()) return fmt::format("is \"{}\"", printable(value.get<std::string>(), 40));
  if (value.is_number_float()) return fmt::format("is {}", value.get<double>());
  return fmt::format("is {}", value.dump());
}

std::optional<double> number_in_range(const Json& value,
                                      const Range& range,
                                      std::string_view path,
                                      Complaint& complaint) {
  if (value.is_number() && in_range(value.get<double>(), range)) return value.get<double>();
  complaint.set(path, fmt::format("{}, wanted {}", found_text(value), wanted_text(range)));
  return std::nullopt;
}

Fields::Fields(const Json& value,
               std::string path,
               std::vector<std::string_view> known,
               Complaint& complaint)
    : value_(&value), path_(std::move(path)), complaint_(&complaint) {
  if (!value.is_object()) {
    complaint.set(path_, fmt::format("{}, wanted an object", found_text(value)));
    value_ = &empty_object();
    return;
  }
  for (const auto& item : value.items()) {
    if (std::find(known.begin(), known.end(), item.key()) != known.end()) continue;
    complaint.set(
        path_of(item.key()),
        fmt::format("is not a field of this format{}; remove it", suggestion(item.key(), known)));
  }
}

bool Fields::has(std::string_view key) const { return value_->contains(key); }

std::string Fields::path_of(std::string_view key) const {
  const std::string shown = printable(key);
  return path_.empty() ? shown : fmt::format("{}.{}", path_, shown);
}

void Fields::complain(std::string_view key, std::string_view message) const {
  complaint_->set(path_of(key), message);
}

const Json* Fields::find(std::string_view key, std::string_view wanted) const {
  const auto found = value_->find(key);
  if (found != value_->end()) return &*found;
  complain(key, fmt::format("is missing, wanted {}", wanted));
  return nullptr;
}

double Fields::number(std::string_view key, const Range& range) const {
  const Json* value = find(key, wanted_text(range));
  if (value == nullptr) return 0.0;
  return number_in_range(*value, range, path_of(key), *complaint_).value_or(0.0);
}

std::optional<double> Fields::optional_number(std::string_view key, const Range& range) const {
  if (!has(key)) return std::nullopt;
  return number(key, range);
}

std::optional<double> Fields::optional_distance(std::string_view key) const {
  if (!has(key)) return std::nullopt;
  const Json& value = *value_->find(key);
  if (value.is_string() && value.get<std::string>() == "inf") return kInfinity;
  if (value.is_number() && in_range(value.get<double>(), kPositive)) {
    return value.get<double>();
  }
  complain(key,
           fmt::format("{}, wanted {}, or \"inf\"", found_text(value), wanted_text(kPositive)));
  return std::nullopt;
}

int Fields::integer(std::string_view key, int least, int most) const {
  const std::string wanted = most == std::numeric_limits<int>::max()
                                 ? fmt::format("a whole number, {} or more", least)
                                 : fmt::format("a whole number from {} to {}", least, most);
  const Json* value = find(key, wanted);
  if (value == nullptr) return least;
  if (value->is_number()) {
    // 4096.0 is a whole number too, as in JSON Schema.
    const double number = value->get<double>();
    if (number == std::floor(number) && number >= least && number <= most) {
      return static_cast<int>(number);
    }
  }
  complain(key, fmt::format("{}, wanted {}", found_text(*value), wanted));
  return least;
}

std::optional<int> Fields::optional_integer(std::string_view key, int least) const {
  if (!has(key)) return std::nullopt;
  return integer(key, least);
}

bool Fields::boolean(std::string_view key) const {
  constexpr std::string_view kWanted = "true or false";
  const Json* value = find(key, kWanted);
  if (value == nullptr) return false;
  if (value->is_boolean()) return value->get<bool>();
  complain(key, fmt::format("{}, wanted {}", found_text(*value), kWanted));
  return false;
}

std::string Fields::string(std::string_view key) const {
  constexpr std::string_view kWanted = "a text";
  const Json* value = find(key, kWanted);
  if (value == nullptr) return {};
  if (value->is_string() && !value->get_ref<const std::string&>().empty()) {
    return value->get<std::string>();
  }
  complain(key, fmt::format("{}, wanted {}", found_text(*value), kWanted));
  return {};
}

std::string Fields::optional_string(std::string_view key) const {
  if (!has(key)) return {};
  const Json& value = *value_->find(key);
  if (value.is_string()) return value.get<std::string>();
  complain(key, fmt::format("{}, wanted a text", found_text(value)));
  return {};
}

Fields Fields::object(std::string_view key, std::vector<std::string_view> known) const {
  const Json* value = find(key, "an object");
  return Fields(
      value == nullptr ? empty_object() : *value, path_of(key), std::move(known), *complaint_);
}

const Json& Fields::list(std::string_view key) const {
  const Json* value = find(key, "a list");
  if (value == nullptr) return empty_list();
  if (value->is_array()) return *value;
  complain(key, fmt::format("{}, wanted a list", found_text(*value)));
  return empty_list();
}

Fields Fields::element(std::string_view key,
                       std::size_t index,
                       std::vector<std::string_view> known) const {
  return Fields((*value_->find(key))[index],
                fmt::format("{}[{}]", path_of(key), index),
                std::move(known),
                *complaint_);
}

}  // namespace trueplate::profile::detail

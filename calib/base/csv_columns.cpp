#include <fmt/format.h>

#include <algorithm>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate {

Result<ColumnNames> parse_column_names(std::string_view text,
                                       std::span<const std::string_view> wanted) {
  ColumnNames names;
  if (trim(text).empty()) return names;
  for (const std::string_view part : split(text, ',')) {
    const std::size_t equals = part.find('=');
    const std::string_view name = trim(part.substr(0, equals));
    const bool known = std::find(wanted.begin(), wanted.end(), name) != wanted.end();
    const bool again = std::any_of(
        names.begin(), names.end(), [name](const auto& entry) { return entry.first == name; });
    const std::string_view in_file =
        equals == std::string_view::npos ? std::string_view() : trim(part.substr(equals + 1));
    if (!known || again || in_file.empty()) {
      return fail(
          ErrorCode::kInvalidInput,
          fmt::format("'{}' is not NAME=COLUMN with one of the names {}, each once; write for "
                      "example {}=u",
                      printable(part),
                      fmt::join(wanted, ", "),
                      wanted.front()));
    }
    names.emplace_back(name, in_file);
  }
  const auto column_of = [&names](std::string_view name) {
    const auto found = std::find_if(
        names.begin(), names.end(), [name](const auto& entry) { return entry.first == name; });
    return found != names.end() ? std::string_view(found->second) : name;
  };
  for (auto one = wanted.begin(); one != wanted.end(); ++one) {
    const auto other = std::find_if(wanted.begin(), one, [&](std::string_view before) {
      return column_of(before) == column_of(*one);
    });
    if (other == one) continue;
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{} and {} would both be the file's column '{}', wanted one each; name "
                            "the other's too, such as {}=v",
                            *other,
                            *one,
                            printable(column_of(*one)),
                            *one));
  }
  return names;
}

}  // namespace trueplate

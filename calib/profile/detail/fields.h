#pragma once

#include <initializer_list>
#include <limits>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/result.h"
#include "calib/profile/detail/json_text.h"

namespace trueplate::profile::detail {

/// What a number may be: finite, and from `least` to `most`; with kOpen not `least` itself.
enum class Least { kIncluded, kOpen };
struct Range {
  double least = -std::numeric_limits<double>::infinity();
  double most = std::numeric_limits<double>::infinity();
  Least end = Least::kIncluded;
};
inline constexpr Range kFinite{};
inline constexpr Range kPositive{.least = 0.0, .end = Least::kOpen};
inline constexpr Range kZeroOrMore{.least = 0.0};

// Beyond these no lens and no plate is; a file that goes past them was damaged or mistyped. The
// schema in docs/ says the same.
inline constexpr Range kFocalPx{.least = 1.0, .most = 1e7};
inline constexpr Range kPrincipalPointPx{.least = -1e6, .most = 1e6};
inline constexpr Range kFilmBackMm{.least = 0.1, .most = 1000.0};
inline constexpr Range kEntrancePupilMm{.least = -1e5, .most = 1e5};
inline constexpr Range kAspect{.least = 0.05, .most = 20.0};  // of pixels, and the squeeze
inline constexpr Range kCoefficient{.least = -1e6, .most = 1e6};

/// The first thing found wrong with a JSON text. Later complaints are ignored, so that a reader can
/// go on with placeholder values and look at the end.
class Complaint {
 public:
  void set(std::string_view path, std::string_view message);
  [[nodiscard]] const std::optional<std::string>& message() const { return message_; }

 private:
  std::optional<std::string> message_;
};

/// One object of a JSON text, read field by field. A field that is missing or is not what was
/// wanted goes to the complaint, by its path, and a placeholder is returned.
class Fields {
 public:
  /// `known` lists every field the object may have; others are complained about at once, with the
  /// most similar known name.
  Fields(const Json& value,
         std::string path,
         std::vector<std::string_view> known,
         Complaint& complaint);

  [[nodiscard]] bool has(std::string_view key) const;
  [[nodiscard]] std::string path_of(std::string_view key) const;
  void complain(std::string_view key, std::string_view message) const;

  [[nodiscard]] double number(std::string_view key, const Range& range) const;
  [[nodiscard]] std::optional<double> optional_number(std::string_view key,
                                                      const Range& range) const;
  /// Like optional_number with kPositive; the string "inf" is infinity.
  [[nodiscard]] std::optional<double> optional_distance(std::string_view key) const;
  [[nodiscard]] int integer(std::string_view key,
                            int least,
                            int most = std::numeric_limits<int>::max()) const;
  [[nodiscard]] std::optional<int> optional_integer(std::string_view key, int least) const;
  [[nodiscard]] bool boolean(std::string_view key) const;
  /// A string with at least one character.
  [[nodiscard]] std::string string(std::string_view key) const;
  /// A string, empty where the field is absent.
  [[nodiscard]] std::string optional_string(std::string_view key) const;

  [[nodiscard]] Fields object(std::string_view key, std::vector<std::string_view> known) const;
  /// The elements of a list; empty, after a complaint, when it is no list.
  [[nodiscard]] const Json& list(std::string_view key) const;
  /// Element `index` of the list `key`, which must be an object.
  [[nodiscard]] Fields element(std::string_view key,
                               std::size_t index,
                               std::vector<std::string_view> known) const;

  [[nodiscard]] Complaint& complaint() const { return *complaint_; }

 private:
  [[nodiscard]] const Json* find(std::string_view key, std::string_view wanted) const;

  const Json* value_;
  std::string path_;
  Complaint* complaint_;
};

/// How a value is quoted in a message: `is "abc"`, `is -3`, `is a list`.
[[nodiscard]] std::string found_text(const Json& value);

/// `value` as a double when it is a number in the range; otherwise a complaint and nullopt.
[[nodiscard]] std::optional<double> number_in_range(const Json& value,
                                                    const Range& range,
                                                    std::string_view path,
                                                    Complaint& complaint);

}  // namespace trueplate::profile::detail

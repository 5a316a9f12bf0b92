#pragma once

#include <cassert>
#include <optional>
#include <string>
#include <utility>
#include <variant>

namespace trueplate {

/// What kind of thing went wrong; decides how a caller may react. The message carries the details.
enum class ErrorCode {
  kInvalidInput,  // a value, file or option that makes no sense
  kNotFound,      // a file, frame or entry that does not exist
  kUnreadable,    // present, but damaged, truncated or of an unknown format
  kUnwritable,    // the output could not be written (permissions, full disk)
  kExists,        // the output is there already and overwriting was not asked for
  kUnsupported,   // understood, but outside what this program does
  kNoChart,       // a frame without a usable chart
  kNotConverged,  // a fit that did not reach a solution
  kUndetermined,  // data that leave what was asked for open, however good they are
  kInterrupted,   // stopped by the user
};

/// One failure. `message` says where, what was found, what was wanted and what to do, on one line.
struct Error {
  ErrorCode code = ErrorCode::kInvalidInput;
  std::string message;
};

/// Wrapper that lets `return fail(...)` convert to any Result<T>.
struct Unexpected {
  Error error;
};

[[nodiscard]] inline Unexpected fail(ErrorCode code, std::string message) {
  return Unexpected{Error{code, std::move(message)}};
}
[[nodiscard]] inline Unexpected fail(Error error) { return Unexpected{std::move(error)}; }

/// A value, or the Error that prevented it. Member names follow std::expected, so that this class
/// can become an alias once the compilers have it. Reading the absent side is a caller's bug.
template <class T>
class [[nodiscard]] Result {
 public:
  using value_type = T;

  Result(T value) : state_(std::in_place_index<0>, std::move(value)) {}
  Result(Unexpected unexpected) : state_(std::in_place_index<1>, std::move(unexpected.error)) {}

  [[nodiscard]] bool has_value() const { return state_.index() == 0; }
  explicit operator bool() const { return has_value(); }

  T& value() & {
    assert(has_value());
    return *std::get_if<0>(&state_);
  }
  const T& value() const& {
    assert(has_value());
    return *std::get_if<0>(&state_);
  }
  T&& value() && {
    assert(has_value());
    return std::move(*std::get_if<0>(&state_));
  }
  T& operator*() & { return value(); }
  const T& operator*() const& { return value(); }
  T&& operator*() && { return std::move(*this).value(); }
  T* operator->() { return &value(); }
  const T* operator->() const { return &value(); }

  [[nodiscard]] const Error& error() const {
    assert(!has_value());
    return *std::get_if<1>(&state_);
  }

 private:
  std::variant<T, Error> state_;
};

/// Success, or the Error that prevented it.
template <>
class [[nodiscard]] Result<void> {
 public:
  using value_type = void;

  Result() = default;
  Result(Unexpected unexpected) : error_(std::move(unexpected.error)) {}

  [[nodiscard]] bool has_value() const { return !error_.has_value(); }
  explicit operator bool() const { return has_value(); }
  [[nodiscard]] const Error& error() const {
    assert(error_.has_value());
    return *error_;
  }

 private:
  std::optional<Error> error_;
};

}  // namespace trueplate

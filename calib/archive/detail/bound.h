#pragma once

#include <soci/soci.h>

#include <optional>

namespace trueplate::archive::detail {

/// A value that may be absent, as the client library binds it: by address, so keep it alive.
template <class T>
struct Bound {
  Bound() = default;
  explicit Bound(const std::optional<T>& held)
      : value(held.value_or(T{})), indicator(held ? soci::i_ok : soci::i_null) {}

  [[nodiscard]] std::optional<T> get() const {
    return indicator == soci::i_ok ? std::optional(value) : std::nullopt;
  }

  T value{};
  soci::indicator indicator = soci::i_null;
};

}  // namespace trueplate::archive::detail

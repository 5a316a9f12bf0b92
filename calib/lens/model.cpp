#include "calib/lens/model.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <string>

namespace trueplate::lens {
namespace {

using Maker = Model (*)(std::span<const double> values);

template <class M>
constexpr ModelInfo info_of() {
  return {M::kName, M::kParameterNames};
}

template <class M>
Model make(std::span<const double> values) {
  std::array<double, static_cast<std::size_t>(M::kNumParameters)> parameters{};
  std::copy(values.begin(), values.end(), parameters.begin());
  return M(parameters);
}

// The one table; a new model is one more entry in each of the two rows.
constexpr std::array kTable{info_of<RadialTangential>()};
constexpr std::array<Maker, kTable.size()> kMakers{&make<RadialTangential>};
static_assert(kTable.size() == std::variant_size_v<Model>);

}  // namespace

std::span<const ModelInfo> model_table() { return kTable; }

std::string_view model_name(const Model& model) { return kTable[model.index()].name; }

std::span<const std::string_view> parameter_names(const Model& model) {
  return kTable[model.index()].parameter_names;
}

std::span<const double> parameters(const Model& model) {
  return std::visit([](const auto& m) { return std::span<const double>(m.parameters()); }, model);
}

Result<Model> make_model(std::string_view name, std::span<const double> values) {
  for (std::size_t i = 0; i < kTable.size(); ++i) {
    if (kTable[i].name != name) continue;
    const auto& names = kTable[i].parameter_names;
    if (values.size() != names.size()) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("model '{}': found {} coefficients, wanted {} ({})",
                              name,
                              values.size(),
                              names.size(),
                              fmt::join(names, ", ")));
    }
    for (std::size_t k = 0; k < values.size(); ++k) {
      if (!std::isfinite(values[k])) {
        return fail(
            ErrorCode::kInvalidInput,
            fmt::format("model '{}': coefficient {} is not a finite number", name, names[k]));
      }
    }
    return kMakers[i](values);
  }
  std::string known;
  for (const ModelInfo& info : kTable) {
    if (!known.empty()) known += ", ";
    known += info.name;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("unknown lens model '{}'; known: {}", name, known));
}

std::optional<Point2d> distort(const Model& model, const Point2d& p_ideal) {
  return std::visit([&](const auto& m) { return m.distort(p_ideal); }, model);
}

std::optional<Point2d> undistort(const Model& model, const Point2d& p_distorted) {
  return std::visit([&](const auto& m) { return m.undistort(p_distorted); }, model);
}

double max_radius(const Model& model) {
  return std::visit([](const auto& m) { return m.max_radius(); }, model);
}

}  // namespace trueplate::lens

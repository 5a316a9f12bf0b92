#include "calib/lens/model.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <Eigen/Geometry>
#include <algorithm>
#include <array>
#include <cmath>
#include <string>

namespace trueplate::lens {
namespace {

using Maker = Model (*)(std::span<const double> values);

template <class M>
Model make(std::span<const double> values) {
  std::array<double, static_cast<std::size_t>(M::kNumParameters)> parameters{};
  std::copy(values.begin(), values.end(), parameters.begin());
  return M(parameters);
}

/// The tables, made from the list of alternatives itself, in its order.
template <class>
struct Tables;
template <class... M>
struct Tables<std::variant<M...>> {
  static constexpr std::array<ModelInfo, sizeof...(M)> kInfo{
      ModelInfo{M::kName, M::kParameterNames}...};
  static constexpr std::array<Maker, sizeof...(M)> kMakers{&make<M>...};
};
constexpr const auto& kTable = Tables<Model>::kInfo;
constexpr const auto& kMakers = Tables<Model>::kMakers;

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

std::optional<Point2d> distort_ray(const Model& model, const Eigen::Vector3d& ray) {
  return std::visit(
      [&](const auto& m) -> std::optional<Point2d> {
        if constexpr (requires { m.distort_ray(ray); }) {
          return m.distort_ray(ray);
        } else {
          if (!(ray.z() > 0.0)) return std::nullopt;
          return m.distort(Point2d(ray.hnormalized()));
        }
      },
      model);
}

std::optional<Eigen::Vector3d> undistort_to_ray(const Model& model, const Point2d& p_distorted) {
  return std::visit(
      [&](const auto& m) -> std::optional<Eigen::Vector3d> {
        if constexpr (requires { m.undistort_to_ray(p_distorted); }) {
          return m.undistort_to_ray(p_distorted);
        } else {
          const std::optional<Point2d> p = m.undistort(p_distorted);
          if (!p) return std::nullopt;
          return p->homogeneous().stableNormalized();
        }
      },
      model);
}

double domain_radius(const Model& model, const Point2d& direction) {
  return std::visit([&](const auto& m) { return m.domain_radius(direction); }, model);
}

double max_radius(const Model& model) {
  return std::visit([](const auto& m) { return m.max_radius(); }, model);
}

std::optional<LocalField> local_field(const Model& model) {
  return std::visit(
      [](const auto& m) -> std::optional<LocalField> {
        if constexpr (requires { m.local_field(); }) {
          return m.local_field();
        } else {
          return std::nullopt;
        }
      },
      model);
}

}  // namespace trueplate::lens

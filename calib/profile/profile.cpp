#include "calib/profile/profile.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "calib/profile/detail/json_text.h"
#include "calib/profile/detail/profile_json.h"

namespace trueplate::profile {

std::vector<std::string> station_parameter_names(const lens::Lens& lens) {
  std::vector<std::string> names{"focal_x_px", "focal_y_px", "principal_x_px", "principal_y_px"};
  for (const std::string_view name : lens::parameter_names(lens.model)) names.emplace_back(name);
  return names;
}

std::optional<double> sigma(const Uncertainty& uncertainty, std::string_view parameter) {
  const auto& names = uncertainty.parameters;
  const auto found = std::find(names.begin(), names.end(), parameter);
  const auto index = static_cast<Eigen::Index>(found - names.begin());
  const Eigen::MatrixXd& covariance = uncertainty.covariance;
  if (found == names.end() || index >= covariance.rows() || index >= covariance.cols()) {
    return std::nullopt;
  }
  return std::sqrt(std::max(covariance(index, index), 0.0));
}

Result<void> validate(const Profile& profile) {
  // The reader's rules are the rules; it works on the value without a detour through text.
  const Result<Profile> read = detail::profile_of(detail::json_of(profile));
  if (!read) return fail(ErrorCode::kInvalidInput, read.error().message);
  return {};
}

Result<std::string> profile_text(const Profile& profile) {
  if (Result<void> valid = validate(profile); !valid) return fail(valid.error());
  std::string text = detail::json_text(detail::json_of(profile));
  if (text.size() > kMaxProfileBytes) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("the profile would have {} bytes, more than the {} that can be read "
                            "back; it lists {} pieces of footage",
                            text.size(),
                            kMaxProfileBytes,
                            profile.provenance.footage.size()));
  }
  return text;
}

Result<Profile> parse_profile(std::string_view text, std::string_view source) {
  if (text.size() > kMaxProfileBytes) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format(
            "{}: larger than {} bytes, which no profile should be", source, kMaxProfileBytes));
  }
  const Result<detail::Json> json = detail::parse_json(text, source);
  if (!json) return fail(json.error());
  Result<Profile> profile = detail::profile_of(*json);
  if (!profile) {
    return fail(profile.error().code, fmt::format("{}: {}", source, profile.error().message));
  }
  return profile;
}

Result<void> write_profile(const std::filesystem::path& path,
                           const Profile& profile,
                           Overwrite overwrite) {
  const Result<std::string> text = profile_text(profile);
  if (!text) {
    return fail(text.error().code, fmt::format("{}: {}", path.string(), text.error().message));
  }
  return write_text_file(path, *text, overwrite);
}

Result<Profile> read_profile(const std::filesystem::path& path) {
  const Result<std::string> text = read_text_file(path, kMaxProfileBytes);
  if (!text) return fail(text.error());
  return parse_profile(*text, path.string());
}

}  // namespace trueplate::profile

#pragma once

#include <Eigen/Core>
#include <filesystem>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "calib/base/warning.h"
#include "calib/lens/lens.h"

namespace trueplate::profile {

/// The version of the file format this code writes, and the newest it reads. Every addition to the
/// format raises it, because fields that are not known are refused.
inline constexpr int kFormatVersion = 5;

/// No profile is larger; what is, is refused unread.
inline constexpr std::size_t kMaxProfileBytes = std::size_t{16} << 20;

/// How people call the thing. UTF-8; empty means not given.
struct Labels {
  std::string body;    // camera body
  std::string lens;    // maker and type, as engraved
  std::string serial;  // serial number of the lens
  std::string owner;
  std::string notes;
};

/// The printed pattern the lens was calibrated with.
struct ChartUsed {
  std::string kind;                // "checkerboard", "dots", ...
  std::optional<double> pitch_mm;  // distance of neighbouring corners or dots
  std::optional<int> columns;      // inner corners or dots along x, where the count was known
  std::optional<int> rows;
};

/// A number with its standard deviation.
struct Measured {
  double value = 0.0;
  double sigma = 0.0;
};

/// How the print differs from its description, as the fit found; what is absent was believed.
struct ChartAsFound {
  std::optional<Measured> pitch_ratio;     // y over x, relative to the description
  std::optional<int> bend_degree;          // of the polynomial z(x, y) of its shape, 2 to 4
  std::optional<Measured> bend_mm;         // largest distance of a point from the best plane
  std::optional<Measured> print_error_mm;  // of the points from their places, root mean square
};

/// How well the numbers of a station are known: the covariance of its parameters, from the fit.
///
/// Parameters are named focal_x_px, focal_y_px, principal_x_px, principal_y_px and then as the
/// coefficients of the model, in this order (station_parameter_names). A parameter held fixed has a
/// row and a column of zeros.
struct Uncertainty {
  std::vector<std::string> parameters;
  Eigen::MatrixXd covariance;  // square, in the units of the parameters
};

/// What a camera solve repairs and the map's sigma therefore leaves out.
enum class MapSigmaAfter {
  kRotation,          // in profiles that do not say
  kRotationAndFocal,  // also a common change of the focal lengths
};

/// How well the fit describes the frames it was made from. All in plate pixels, of the distance
/// between measured and predicted point (not of its coordinates).
struct Quality {
  double rms_px = 0.0;
  std::optional<double> held_out_rms_px;  // of frames the fit did not see
  double max_px = 0.0;
  double p95_px = 0.0;  // 95 of 100 points lie below
  int num_frames = 0;   // frames with a chart
  int num_frames_used = 0;
  int num_points = 0;                    // of the frames used
  std::optional<double> noise_sigma_px;  // standard deviation of a measured coordinate
  /// How far the plate position of a fixed ray may be off, one standard deviation, after what a
  /// camera solve absorbs: root mean square over the plate, and the largest. From noise and, where
  /// the residuals show that the model cannot follow the lens, from that.
  std::optional<double> map_sigma_rms_px;
  std::optional<double> map_sigma_max_px;
  MapSigmaAfter map_sigma_after = MapSigmaAfter::kRotation;
  std::optional<double> map_sigma_share = std::nullopt;    // of the plate: where it sees rays
  std::optional<double> map_misfit_rms_px = std::nullopt;  // what the model's part in it is
};

/// How far a colour is imaged beside green, over the plate: the place of the ray that green has at
/// a place, less that place. Sigmas are standard deviations.
struct ColourShift {
  double rms_px = 0.0;
  double rms_sigma_px = 0.0;
  double max_px = 0.0;
  double max_sigma_px = 0.0;
  Point2d max_at_px = {0.0, 0.0};  // plate pixels
  double p_value = 1.0;            // the chance of such differences from noise alone
  bool significant = false;
};

/// The lens of one colour beside that of the station.
struct ColourLens {
  lens::Lens lens;          // of the station but for focal length, principal point, coefficients
  Uncertainty uncertainty;  // of what the parameters differ from the station's
  int num_points = 0;
  double rms_px = 0.0;  // of the distances between measured and fitted differences from green
  ColourShift shift;
};

/// The lenses of red and blue; the station's lens is then green's.
struct Channels {
  ColourLens red;
  ColourLens blue;
};

/// By how much what the other stations of the profile say of this one differs from it, in plate
/// pixels after the rotation and common change of focal length that a camera solve absorbs. Absent
/// where the others do not surround it.
struct LeftOut {
  double rms_px = 0.0;
  double max_px = 0.0;
};

/// One state of the lens.
struct Station {
  std::optional<double> nominal_focal_mm;  // the number on the barrel; a label
  std::optional<double> focus_m;           // from the image plane; infinity is legal
  std::optional<double> t_stop;
  /// From the image plane to the entrance pupil, positive towards the scene.
  std::optional<double> entrance_pupil_mm = std::nullopt;
  lens::Lens lens;
  std::optional<Uncertainty> uncertainty;
  std::optional<ChartAsFound> chart_as_found =
      std::nullopt;                                 // absent when the chart is as described
  std::optional<Channels> channels = std::nullopt;  // where the colours were fitted separately
  std::optional<Quality> quality;                   // absent for numbers that were not fitted here
  std::optional<LeftOut> without_station = std::nullopt;  // interpolated without this station
  std::optional<LeftOut> without_focal_length =
      std::nullopt;  // and without those of its focal length
  std::vector<Warning> warnings;
};

/// One frame or file the profile was made from.
struct FootageItem {
  std::string name;
  std::string sha256;  // of the file, 64 lower-case hexadecimal digits; empty: not known
  int points = 0;      // corners found
  std::optional<double> rms_px;
  bool used = true;
  std::string reason;  // why it was not used; empty when it was
};

/// Where the profile comes from.
struct Provenance {
  std::string created;  // UTC, RFC 3339: 2031-05-04T10:20:30Z (utc_timestamp)
  std::string program;
  std::string program_version;
  std::string method;  // one sentence
  std::vector<FootageItem> footage;
};

/// One lens on file, for years: the numbers, how well they are known and where they come from.
struct Profile {
  Labels labels;
  std::optional<ChartUsed> chart;
  std::vector<Station> stations;  // at least one
  Provenance provenance;
};

/// The parameter names that the uncertainty of a station with this lens must use, in order.
[[nodiscard]] std::vector<std::string> station_parameter_names(const lens::Lens& lens);

/// The standard deviation of a parameter; nullopt when it is not among them.
[[nodiscard]] std::optional<double> sigma(const Uncertainty& uncertainty,
                                          std::string_view parameter);

/// Whether the profile can be written: every rule that read_profile applies. The error names the
/// field by its path in the file.
Result<void> validate(const Profile& profile);

/// The profile as JSON, UTF-8, indented, keys in a fixed order, doubles as the shortest text that
/// reads back as the same double (docs/profile-format.md, docs/profile.schema.json). Fails on what
/// validate() refuses. Strings that are not UTF-8 (file names can be) are written with U+FFFD for
/// each bad byte sequence; a warning whose value is not finite is written with null and read back
/// as NaN.
Result<std::string> profile_text(const Profile& profile);

/// The profile in `text`; `source` names it in messages. Everything is checked, and the message
/// names the field by its path: `lens.json: stations[0].lens.focal_px.x: is missing, wanted a
/// number from 1 to 10000000`. Text that is no JSON is reported with line and column. A format
/// version above kFormatVersion and fields that are not known are refused.
Result<Profile> parse_profile(std::string_view text, std::string_view source);

Result<void> write_profile(const std::filesystem::path& path,
                           const Profile& profile,
                           Overwrite overwrite);
Result<Profile> read_profile(const std::filesystem::path& path);

}  // namespace trueplate::profile

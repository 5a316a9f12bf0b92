#include "calib/exchange/open_cv_file.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/core.hpp>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/exchange/detail/parts.h"
#include "calib/exchange/detail/refit.h"
#include "calib/lens/model.h"

namespace trueplate::exchange {
namespace {

using detail::Refit;

constexpr std::array<std::string_view, 4> kForms{lens::RadialTangential::kName,
                                                 lens::Rational::kName,
                                                 lens::RationalPrism::kName,
                                                 lens::RationalPrismTilt::kName};
constexpr std::array<std::string_view, 5> kFormsAndFisheye{
    kForms[0], kForms[1], kForms[2], kForms[3], lens::Equidistant::kName};
constexpr double kPixelCentre = 0.5;  // the library counts from the centre of the first pixel
constexpr std::size_t kMaxTextBytes = 1000;  // FileStorage has an end

/// The place of each of the library's coefficients, k1 k2 p1 p2 k3 k4 k5 k6 s1 s2 s3 s4 tau_x
/// tau_y, among those of ours.
constexpr std::array<std::size_t, 14> kPlaceInLarge{0, 1, 6, 7, 2, 3, 4, 5, 8, 9, 10, 11, 12, 13};
constexpr std::array<std::size_t, 5> kPlaceInFive{0, 1, 3, 4, 2};

std::span<const std::size_t> places(std::size_t count) {
  return count <= kPlaceInFive.size() ? std::span<const std::size_t>(kPlaceInFive).first(count)
                                      : std::span<const std::size_t>(kPlaceInLarge).first(count);
}

void put_text(cv::FileStorage& file, const char* key, const std::string& text) {
  if (!text.empty()) file << key << printable(text, kMaxTextBytes);
}

void put_number(cv::FileStorage& file, const char* key, const std::optional<double>& value) {
  if (!value) return;
  if (std::isinf(*value)) {
    file << key << "inf";
  } else {
    file << key << *value;
  }
}

void put_lens(cv::FileStorage& file, const lens::Lens& lens) {
  const bool fisheye = std::holds_alternative<lens::Equidistant>(lens.model);
  const std::span<const double> values = lens::parameters(lens.model);
  file << "image_width" << lens.plate_size.width << "image_height" << lens.plate_size.height;
  if (fisheye) file << "fisheye_model" << 1;
  const Point2d c = lens.principal_point_px - Point2d(kPixelCentre, kPixelCentre);
  file << "camera_matrix"
       << cv::Mat(cv::Matx33d(
              lens.focal_px.x(), 0.0, c.x(), 0.0, lens.focal_px.y(), c.y(), 0.0, 0.0, 1.0));
  cv::Mat coefficients(static_cast<int>(values.size()), 1, CV_64F);
  for (std::size_t i = 0; i < values.size(); ++i) {
    coefficients.at<double>(static_cast<int>(i)) = values[fisheye ? i : places(values.size())[i]];
  }
  file << "distortion_coefficients" << coefficients;
}

void put_rest(cv::FileStorage& file,
              const profile::Profile& profile,
              const profile::Station& station,
              const Written& written) {
  const lens::Lens& lens = station.lens;
  put_text(file, "camera_body", profile.labels.body);
  put_text(file, "lens_name", profile.labels.lens);
  put_text(file, "lens_serial", profile.labels.serial);
  put_text(file, "created", profile.provenance.created);
  put_number(file, "nominal_focal_mm", station.nominal_focal_mm);
  put_number(file, "focus_m", station.focus_m);
  put_number(file, "t_stop", station.t_stop);
  put_number(file, "entrance_pupil_mm", station.entrance_pupil_mm);
  file << "pixel_aspect" << lens.pixel_aspect << "squeeze" << lens.squeeze;
  if (lens.film_back) {
    file << "film_back_width_mm" << lens.film_back->width_mm;
    file << "film_back_height_mm" << lens.film_back->height_mm;
  }
  file << "fitted_to_this_form" << (written.fidelity.refitted ? 1 : 0);
  file << "form_miss_rms_px" << written.fidelity.rms_px;
  file << "form_miss_max_px" << written.fidelity.max_px;
  if (written.not_carried.empty()) return;
  file << "not_carried"
       << "[";
  for (const std::string& phrase : written.not_carried) file << printable(phrase, kMaxTextBytes);
  file << "]";
}

// ---------------------------------------------------------------------------------------------
// Reading

/// The parser calls itself for each level, so depth is bounded before it sees the text: brackets,
/// elements, and what stands in front of the first word of a line. Brackets in quotes count too,
/// which only makes this stricter.
bool too_deep(std::string_view text) {
  constexpr int kMaxDepth = 64;
  int brackets = 0;
  int elements = 0;
  int indent = 0;
  bool leading = true;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const char c = text[i];
    const char next = i + 1 < text.size() ? text[i + 1] : '\0';
    if (c == '\n') {
      leading = true;
      indent = 0;
      continue;
    }
    if (leading && (c == ' ' || c == '-' || c == '\t')) {
      // Wide indentation is legal, so blanks count a quarter.
      indent += c == '-' ? 4 : 1;
    } else {
      leading = false;
    }
    if (c == '[' || c == '{') ++brackets;
    if ((c == ']' || c == '}') && brackets > 0) --brackets;
    if (c == '<' && next == '/') {
      elements = std::max(0, elements - 1);
    } else if (c == '<' && next != '?' && next != '!') {
      ++elements;
    }
    if (brackets > kMaxDepth || elements > kMaxDepth || indent > 4 * kMaxDepth) return true;
  }
  return false;
}

/// The numbers of a matrix or a list; nullopt for anything else.
std::optional<std::vector<double>> numbers_of(const cv::FileNode& node) {
  constexpr std::size_t kMaxNumbers = 64;
  const cv::FileNode list = node.isMap() ? node["data"] : node;
  if (!list.isSeq() || list.size() > kMaxNumbers) return std::nullopt;
  std::vector<double> values;
  for (const cv::FileNode& item : list) {
    if (!item.isInt() && !item.isReal()) return std::nullopt;
    values.push_back(static_cast<double>(item));
    if (!std::isfinite(values.back())) return std::nullopt;
  }
  return values;
}

class Reader {
 public:
  Reader(const cv::FileStorage& file, std::string_view source) : file_(file), source_(source) {}

  [[nodiscard]] Error error(std::string_view message) const {
    return {ErrorCode::kUnreadable, fmt::format("{}: {}", source_, message)};
  }

  [[nodiscard]] std::optional<double> number(const char* key) const {
    const cv::FileNode node = file_[key];
    if (node.isString() && static_cast<std::string>(node) == "inf") {
      return std::numeric_limits<double>::infinity();
    }
    if (!node.isInt() && !node.isReal()) return std::nullopt;
    const double value = static_cast<double>(node);
    return std::isnan(value) ? std::nullopt : std::optional(value);
  }

  [[nodiscard]] std::string text(const char* key) const {
    const cv::FileNode node = file_[key];
    return node.isString() ? printable(static_cast<std::string>(node), kMaxTextBytes)
                           : std::string();
  }

  /// The first of several names that is there.
  Result<std::vector<double>> numbers(std::initializer_list<const char*> names) const {
    for (const char* name : names) {
      const cv::FileNode node = file_[name];
      if (node.empty()) continue;
      const std::optional<std::vector<double>> values = numbers_of(node);
      if (values) return *values;
      return fail(error(fmt::format("{} is no matrix or list of at most 64 finite numbers", name)));
    }
    return fail(error(fmt::format("has no {}; wanted a camera's calibration", *names.begin())));
  }

 private:
  const cv::FileStorage& file_;
  std::string_view source_;
};

Result<ImageSize> size_of(const Reader& reader, const Known& known) {
  if (known.plate_size) return *known.plate_size;
  const std::optional<double> width = reader.number("image_width");
  const std::optional<double> height = reader.number("image_height");
  if (!width || !height) {
    return fail({ErrorCode::kUndetermined,
                 reader
                     .error("has no image_width and image_height; give the plate's size with "
                            "--size, such as --size 1920x1080")
                     .message});
  }
  const auto fits = [](double side) {
    return side >= 1.0 && side <= kMaxImageSide && side == std::floor(side);
  };
  if (!fits(*width) || !fits(*height)) {
    return fail(reader.error(fmt::format("image size is {} x {}, wanted whole numbers from 1 to {}",
                                         *width,
                                         *height,
                                         kMaxImageSide)));
  }
  return ImageSize{static_cast<int>(*width), static_cast<int>(*height)};
}

Result<void> put_matrix(const Reader& reader, lens::Lens& lens) {
  const Result<std::vector<double>> m = reader.numbers({"camera_matrix", "cameraMatrix", "K"});
  if (!m) return fail(m.error());
  const std::vector<double>& k = *m;
  if (k.size() != 9) {
    return fail(reader.error(
        fmt::format("the camera matrix has {} numbers, wanted 3 rows of 3", k.size())));
  }
  if (k[3] != 0.0 || k[6] != 0.0 || k[7] != 0.0 || k[8] != 1.0) {
    return fail(reader.error("the camera matrix is not [fx 0 cx; 0 fy cy; 0 0 1]"));
  }
  if (std::abs(k[1]) > 1e-9 * std::abs(k[0])) {
    return fail(ErrorCode::kUnsupported,
                reader
                    .error(fmt::format("the camera matrix has a skew of {} px, for which a lens "
                                       "profile has no place",
                                       k[1]))
                    .message);
  }
  lens.focal_px = {k[0], k[4]};
  lens.principal_point_px = {k[2] + kPixelCentre, k[5] + kPixelCentre};
  return {};
}

Result<lens::Model> model_of(const Reader& reader) {
  const Result<std::vector<double>> found =
      reader.numbers({"distortion_coefficients", "distCoeffs", "D"});
  if (!found) return fail(found.error());
  const bool fisheye = reader.number("fisheye_model").value_or(0.0) != 0.0;
  const std::size_t count = found->size();
  if (fisheye) {
    if (count != 4) {
      return fail(
          reader.error(fmt::format("a fisheye with {} distortion coefficients, wanted 4", count)));
    }
    return lens::make_model(lens::Equidistant::kName, *found);
  }
  const std::string_view name = count <= 5    ? kForms[0]
                                : count == 8  ? kForms[1]
                                : count == 12 ? kForms[2]
                                              : kForms[3];
  if (count != 4 && count != 5 && count != 8 && count != 12 && count != 14) {
    return fail(
        reader.error(fmt::format("{} distortion coefficients, wanted 4, 5, 8, 12 or 14", count)));
  }
  std::vector<double> values(count == 4 ? 5 : count, 0.0);
  for (std::size_t i = 0; i < count; ++i) values[places(count)[i]] = (*found)[i];
  constexpr double kLargest = 1e6;  // that a profile may hold
  for (const double value : values) {
    if (std::abs(value) <= kLargest) continue;
    return fail(reader.error(
        fmt::format("a distortion coefficient is {:.3g}, wanted at most {:g}", value, kLargest)));
  }
  return lens::make_model(name, values);
}

Result<lens::Lens> lens_of(const Reader& reader, const Known& known) {
  lens::Lens lens;
  const Result<ImageSize> size = size_of(reader, known);
  if (!size) return fail(size.error());
  lens.plate_size = *size;
  if (Result<void> matrix = put_matrix(reader, lens); !matrix) return fail(matrix.error());
  const std::optional<double> width = reader.number("film_back_width_mm");
  const std::optional<double> height = reader.number("film_back_height_mm");
  if (width && height) lens.film_back = lens::FilmBack{*width, *height};
  lens.pixel_aspect = reader.number("pixel_aspect").value_or(1.0);
  lens.squeeze = reader.number("squeeze").value_or(1.0);
  if (Result<void> valid = lens::validate(lens); !valid) {
    return fail(reader.error(valid.error().message));
  }
  const Result<lens::Model> model = model_of(reader);
  if (!model) return fail(model.error());
  lens.model = *model;
  return lens;
}

/// Names at the top of the file that were not read.
std::vector<std::string> unread(const cv::FileStorage& file) {
  constexpr std::array<std::string_view, 25> kRead{"image_width",
                                                   "image_height",
                                                   "camera_matrix",
                                                   "cameraMatrix",
                                                   "K",
                                                   "distortion_coefficients",
                                                   "distCoeffs",
                                                   "D",
                                                   "fisheye_model",
                                                   "camera_body",
                                                   "lens_name",
                                                   "lens_serial",
                                                   "created",
                                                   "nominal_focal_mm",
                                                   "focus_m",
                                                   "t_stop",
                                                   "entrance_pupil_mm",
                                                   "pixel_aspect",
                                                   "squeeze",
                                                   "film_back_width_mm",
                                                   "film_back_height_mm",
                                                   "fitted_to_this_form",
                                                   "form_miss_rms_px",
                                                   "form_miss_max_px",
                                                   "not_carried"};
  constexpr std::size_t kMost = 100;
  std::vector<std::string> names;
  for (const cv::FileNode& node : file.root()) {
    const std::string name = node.name();
    if (std::find(kRead.begin(), kRead.end(), name) != kRead.end()) continue;
    if (names.size() < kMost) names.push_back(printable(name));
  }
  return names;
}

Result<Taken> taken_of(const cv::FileStorage& file, const Known& known, std::string_view source) {
  if (!file.root().isMap()) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: holds nothing by name", source));
  }
  const Reader reader(file, source);
  const Result<lens::Lens> lens = lens_of(reader, known);
  if (!lens) return fail(lens.error());
  Taken taken;
  taken.profile.labels.body = reader.text("camera_body");
  taken.profile.labels.lens = reader.text("lens_name");
  taken.profile.labels.serial = reader.text("lens_serial");
  taken.profile.provenance.created = reader.text("created");
  profile::Station& station = taken.profile.stations.emplace_back();
  station.nominal_focal_mm = reader.number("nominal_focal_mm");
  station.focus_m = reader.number("focus_m");
  station.t_stop = reader.number("t_stop");
  station.entrance_pupil_mm = reader.number("entrance_pupil_mm");
  taken.fidelity.model = lens::model_name(lens->model);
  taken.not_carried = unread(file);
  return detail::taken_lens(
      std::move(taken), *lens, known, fmt::format("the OpenCV file {}", printable(source)));
}

const char* suffix(OpenCvSyntax syntax) {
  switch (syntax) {
    case OpenCvSyntax::kYaml:
      return ".yml";
    case OpenCvSyntax::kXml:
      return ".xml";
    case OpenCvSyntax::kJson:
      break;
  }
  return ".json";
}

Error refusal(std::string_view source, ErrorCode code, const cv::Exception& exception) {
  return {code,
          fmt::format(
              "{}: OpenCV's FileStorage refuses it ({})", source, printable(exception.err, 200))};
}

/// The library prints what it refuses; here the message is enough.
class QuietLibrary {
 public:
  QuietLibrary() : before_(cv::redirectError(&nothing)) {}
  QuietLibrary(const QuietLibrary&) = delete;
  QuietLibrary& operator=(const QuietLibrary&) = delete;
  ~QuietLibrary() { cv::redirectError(before_); }

 private:
  static int nothing(int, const char*, const char*, const char*, int, void*) { return 0; }
  cv::ErrorCallback before_;
};

}  // namespace

Result<Written> open_cv_file_of(const profile::Profile& profile,
                                const profile::Station& station,
                                OpenCvSyntax syntax) {
  const bool fisheye = std::holds_alternative<lens::Equidistant>(station.lens.model);
  Result<Refit> refit = detail::lens_in_form(
      station.lens,
      fisheye ? std::span<const std::string_view>(kFormsAndFisheye) : std::span(kForms));
  if (!refit) return fail(refit.error());
  Written written;
  written.fidelity = refit->fidelity;
  written.not_carried = detail::not_carried(profile, station, detail::kNamesAndStates);
  const QuietLibrary quiet;
  try {
    cv::FileStorage file(suffix(syntax), cv::FileStorage::WRITE | cv::FileStorage::MEMORY);
    put_lens(file, refit->lens);
    put_rest(file, profile, station, written);
    written.text = file.releaseAndGetString();
  } catch (const cv::Exception& exception) {
    return fail(refusal("the file", ErrorCode::kUnsupported, exception));
  }
  return written;
}

Result<Taken> lens_from_open_cv(std::string_view text,
                                const Known& known,
                                std::string_view source) {
  if (text.size() > kMaxOpenCvBytes || too_deep(text)) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: larger than {} bytes or nested deeper than any calibration",
                            source,
                            kMaxOpenCvBytes));
  }
  if (text.find('\0') != std::string_view::npos) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: holds a zero byte; no text", source));
  }
  const QuietLibrary quiet;
  try {
    const cv::FileStorage file(std::string(text), cv::FileStorage::READ | cv::FileStorage::MEMORY);
    if (!file.isOpened()) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: neither YAML, XML nor JSON for OpenCV", source));
    }
    return taken_of(file, known, source);
  } catch (const cv::Exception& exception) {
    Error error = refusal(source, ErrorCode::kUnreadable, exception);
    error.message += "; is it whole, and does its ending fit what it holds (YAML, XML, JSON)?";
    return fail(std::move(error));
  }
}

}  // namespace trueplate::exchange

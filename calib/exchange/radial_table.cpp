#include "calib/exchange/radial_table.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <optional>
#include <utility>
#include <vector>

#include "calib/base/csv.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/exchange/detail/parts.h"
#include "calib/exchange/detail/refit.h"

namespace trueplate::exchange {
namespace {

using detail::Refit;

constexpr std::string_view kForm = "radial-table";

/// Actual height by ideal height, both in px of the plate's height.
class RadialCurve {
 public:
  void add(double ideal, double actual) {
    ideal_.push_back(ideal);
    actual_.push_back(actual);
  }

  [[nodiscard]] std::size_t size() const { return ideal_.size(); }
  [[nodiscard]] double ideal(std::size_t i) const { return ideal_[i]; }
  [[nodiscard]] double actual(std::size_t i) const { return actual_[i]; }

  /// A cubic between neighbours, with slopes from differences; nullopt beyond the last row.
  [[nodiscard]] std::optional<double> at(double ideal) const {
    if (!(ideal >= ideal_.front()) || ideal > ideal_.back()) return std::nullopt;
    const auto upper = std::upper_bound(ideal_.begin(), ideal_.end(), ideal);
    const std::size_t i = std::min<std::size_t>(upper - ideal_.begin(), ideal_.size() - 1) - 1;
    const double step = ideal_[i + 1] - ideal_[i];
    const double t = (ideal - ideal_[i]) / step;
    const double from = slope(i) * step;
    const double to = slope(i + 1) * step;
    const double rise = actual_[i + 1] - actual_[i];
    return actual_[i] +
           t * (from + t * (3.0 * rise - 2.0 * from - to + t * (from + to - 2.0 * rise)));
  }

 private:
  /// Of the parabola through a row and its neighbours, or the last three.
  [[nodiscard]] double slope(std::size_t i) const {
    const std::size_t m = std::clamp<std::size_t>(i, 1, ideal_.size() - 2);
    const double before = ideal_[m] - ideal_[m - 1];
    const double after = ideal_[m + 1] - ideal_[m];
    const double first = (actual_[m] - actual_[m - 1]) / before;
    const double second = (actual_[m + 1] - actual_[m]) / after;
    const double bend = (second - first) / (before + after);
    const double at_middle = first + bend * before;
    return at_middle + 2.0 * bend * (ideal_[i] - ideal_[m]);
  }

  std::vector<double> ideal_;
  std::vector<double> actual_;
};

/// The curve as a field about a point.
detail::FieldFunction field_of(const RadialCurve& curve, const Point2d& centre_px, double aspect) {
  return [&curve, centre_px, aspect](const Point2d& p) -> std::optional<Point2d> {
    const Point2d from = p - centre_px;
    const double height = std::hypot(from.x() * aspect, from.y());
    if (height == 0.0) return p;
    const std::optional<double> actual = curve.at(height);
    if (!actual) return std::nullopt;
    return Point2d(centre_px + from * (*actual / height));
  };
}

/// A little more than the largest ideal height on the plate, over its border.
std::optional<double> largest_height(const lens::Lens& lens) {
  constexpr double kMargin = 1.001;  // the corner itself lies inside the table
  double largest = 0.0;
  for (const Point2d& place : detail::border_places(lens.plate_size)) {
    const std::optional<Point2d> p = lens::undistort_px(lens, place);
    if (!p) return std::nullopt;
    largest = std::max(largest, lens.focal_px.y() * lens::ideal_from_px(lens, *p).norm());
  }
  return kMargin * largest;
}

/// The mean over all directions in which the lens has an image.
std::optional<double> mean_actual(const lens::Lens& lens, double ideal_height) {
  constexpr int kDirections = 96;
  double sum = 0.0;
  int count = 0;
  for (int i = 0; i < kDirections; ++i) {
    const double angle = 2.0 * std::numbers::pi * i / kDirections;
    const Point2d p = ideal_height / lens.focal_px.y() * Point2d(std::cos(angle), std::sin(angle));
    const std::optional<Point2d> q = lens::distort(lens.model, p);
    if (!q) continue;
    sum += lens.focal_px.y() * q->norm();
    ++count;
  }
  return count == 0 ? std::nullopt : std::optional(sum / count);
}

Result<RadialCurve> curve_of(const lens::Lens& lens) {
  const std::optional<double> largest = largest_height(lens);
  if (!largest) {
    return fail(ErrorCode::kUnsupported,
                "part of the plate's border has no straight place; a radial table needs all of it");
  }
  RadialCurve curve;
  curve.add(0.0, 0.0);
  for (int i = 1; i < kRadialTableRows; ++i) {
    const double ideal = *largest * i / (kRadialTableRows - 1);
    const std::optional<double> actual = mean_actual(lens, ideal);
    if (!actual) break;
    curve.add(ideal, *actual);
  }
  return curve;
}

std::string pair_text(double x, double y) {
  return fmt::format("{},{}", to_lossless_text(x), to_lossless_text(y));
}

std::vector<CsvComment> comments_of(const profile::Profile& profile,
                                    const profile::Station& station,
                                    const Written& written) {
  const lens::Lens& lens = station.lens;
  std::vector<CsvComment> comments{
      {"image", fmt::format("{}x{}", lens.plate_size.width, lens.plate_size.height)},
      {"focal_px", pair_text(lens.focal_px.x(), lens.focal_px.y())},
      {"principal_point_px", pair_text(lens.principal_point_px.x(), lens.principal_point_px.y())},
      {"pixel_aspect", to_lossless_text(lens.pixel_aspect)},
      {"squeeze", to_lossless_text(lens.squeeze)}};
  const auto add = [&comments](const char* key, const std::string& value) {
    if (!value.empty()) comments.push_back({key, printable(value, 1000)});
  };
  const auto add_number = [&add](const char* key, const std::optional<double>& value) {
    if (value) add(key, std::isinf(*value) ? "inf" : to_lossless_text(*value));
  };
  if (lens.film_back) {
    add("film_back_mm", pair_text(lens.film_back->width_mm, lens.film_back->height_mm));
  }
  add("lens", profile.labels.lens);
  add("serial", profile.labels.serial);
  add("body", profile.labels.body);
  add("created", profile.provenance.created);
  add_number("nominal_focal_mm", station.nominal_focal_mm);
  add_number("focus_m", station.focus_m);
  add_number("t_stop", station.t_stop);
  add_number("entrance_pupil_mm", station.entrance_pupil_mm);
  add_number("form_miss_rms_px", written.fidelity.rms_px);
  add_number("form_miss_max_px", written.fidelity.max_px);
  for (const std::string& phrase : written.not_carried) add("not carried", phrase);
  return comments;
}

// ---------------------------------------------------------------------------------------------
// Reading

class Reader {
 public:
  Reader(const CsvTable& table, const Known& known) : table_(table), known_(known) {}

  [[nodiscard]] Error error(ErrorCode code, std::string_view message) const {
    return {code, fmt::format("{}: {}", table_.source(), message)};
  }

  /// A comment of two numbers.
  Result<std::optional<Point2d>> pair(std::string_view key) const {
    const Result<std::optional<std::string>> text = table_.comment(key);
    if (!text) return fail(text.error());
    if (!*text) return std::optional<Point2d>();
    const std::vector<std::string_view> parts = split(**text, ',');
    const std::optional<double> x = parse_number(parts.front());
    const std::optional<double> y = parse_number(parts.back());
    if (parts.size() != 2 || !x || !y) {
      return fail(
          error(ErrorCode::kUnreadable,
                fmt::format("'# {}:' is '{}', wanted two numbers", key, printable(**text))));
    }
    return std::optional(Point2d(*x, *y));
  }

  [[nodiscard]] std::string text(std::string_view key) const {
    const Result<std::optional<std::string>> found = table_.comment(key);
    return found && *found ? **found : std::string();
  }

  [[nodiscard]] std::optional<double> number(std::string_view key) const {
    const std::string found = text(key);
    if (found == "inf") return std::numeric_limits<double>::infinity();
    return parse_number(found);
  }

  /// Plate, film back and pinhole.
  Result<lens::Lens> frame() const {
    lens::Lens lens;
    Result<std::optional<ImageSize>> size = table_.image_size();
    if (!size) return fail(size.error());
    if (known_.plate_size) *size = known_.plate_size;
    if (!*size) {
      return fail(error(ErrorCode::kUndetermined,
                        "has no '# image: WxH' line; give the plate's size with --size"));
    }
    lens.plate_size = **size;
    const Result<std::optional<Point2d>> film_back = pair("film_back_mm");
    if (!film_back) return fail(film_back.error());
    if (*film_back) lens.film_back = lens::FilmBack{(*film_back)->x(), (*film_back)->y()};
    if (known_.film_back) lens.film_back = known_.film_back;
    lens.pixel_aspect = known_.pixel_aspect.value_or(number("pixel_aspect").value_or(1.0));
    lens.squeeze = known_.squeeze.value_or(number("squeeze").value_or(1.0));
    const Result<std::optional<Point2d>> focal = pair("focal_px");
    if (!focal) return fail(focal.error());
    if (*focal) {
      lens.focal_px = **focal;
    } else if (known_.nominal_focal_mm && lens.film_back) {
      const double x = *known_.nominal_focal_mm * lens.plate_size.width / lens.film_back->width_mm;
      lens.focal_px = {x, x * lens.pixel_aspect};
    } else {
      return fail(error(ErrorCode::kUndetermined,
                        "has no '# focal_px: X,Y' line; give --focal and --film-back"));
    }
    const Result<std::optional<Point2d>> principal = pair("principal_point_px");
    if (!principal) return fail(principal.error());
    lens.principal_point_px =
        principal->value_or(0.5 * Point2d(lens.plate_size.width, lens.plate_size.height));
    if (Result<void> valid = lens::validate(lens); !valid) {
      return fail(error(ErrorCode::kUnreadable, valid.error().message));
    }
    return lens;
  }

  Result<RadialCurve> curve(const lens::Lens& frame) const {
    constexpr std::size_t kFewestRows = 4;
    const Result<Column> ideal = height_column("ideal_height", frame);
    if (!ideal) return fail(ideal.error());
    const Result<std::optional<std::size_t>> percent = table_.find_column("distortion_percent");
    if (!percent) return fail(percent.error());
    Result<Column> actual = height_column("actual_height", frame);
    if (!actual && !*percent) return fail(actual.error());
    RadialCurve curve;
    for (std::size_t row = 0; row < table_.num_rows(); ++row) {
      const Result<double> r = table_.number(row, ideal->index);
      if (!r) return fail(r.error());
      const Result<double> value = table_.number(row, actual ? actual->index : **percent);
      if (!value) return fail(value.error());
      const double r_px = *r * ideal->px_per_unit;
      const double a_px = actual ? *value * actual->px_per_unit : r_px * (1.0 + *value / 100.0);
      const bool first = curve.size() == 0;
      const bool grows =
          first ? r_px >= 0.0 && a_px >= 0.0
                : r_px > curve.ideal(curve.size() - 1) && a_px > curve.actual(curve.size() - 1);
      if (!grows || !std::isfinite(r_px) || !std::isfinite(a_px)) {
        return fail(table_.error_at(row, "the heights do not grow from row to row, from 0 on"));
      }
      if (first && r_px > 0.0) curve.add(0.0, 0.0);
      curve.add(r_px, a_px);
    }
    if (curve.size() < kFewestRows) {
      return fail(error(ErrorCode::kUnreadable,
                        fmt::format("{} rows, wanted {} or more", curve.size(), kFewestRows)));
    }
    return curve;
  }

 private:
  struct Column {
    std::size_t index = 0;
    double px_per_unit = 1.0;
  };

  /// The column `name`_px or `name`_mm.
  Result<Column> height_column(const std::string& name, const lens::Lens& frame) const {
    const Result<std::optional<std::size_t>> px = table_.find_column(name + "_px");
    if (!px) return fail(px.error());
    if (*px) return Column{**px, 1.0};
    const Result<std::size_t> mm = table_.column(name + "_mm");
    if (!mm) return fail(mm.error());
    if (!frame.film_back) {
      return fail(error(ErrorCode::kUndetermined, "heights in mm need --film-back"));
    }
    return Column{*mm, frame.plate_size.height / frame.film_back->height_mm};
  }

  const CsvTable& table_;
  const Known& known_;
};

/// Fitted about the middle of the plate, where the curve's own symmetry holds the centre, then
/// moved to the principal point.
Result<Refit> fitted(const RadialCurve& curve, const lens::Lens& frame, const std::string& model) {
  lens::Lens centred = frame;
  centred.principal_point_px = 0.5 * Point2d(frame.plate_size.width, frame.plate_size.height);
  const double aspect = frame.focal_px.y() / frame.focal_px.x();
  Result<Refit> refit = detail::lens_of_field(
      {.plate_from_straight = field_of(curve, centred.principal_point_px, aspect)}, centred, model);
  if (!refit) return refit;
  refit->lens.principal_point_px += frame.principal_point_px - centred.principal_point_px;
  return refit;
}

}  // namespace

Result<Written> radial_table_of(const profile::Profile& profile, const profile::Station& station) {
  const lens::Lens& lens = station.lens;
  const Result<RadialCurve> curve = curve_of(lens);
  if (!curve) return fail(curve.error());
  Written written;
  written.fidelity = detail::fidelity_of(
      lens, field_of(*curve, lens.principal_point_px, lens.focal_px.y() / lens.focal_px.x()));
  written.fidelity.model = kForm;
  written.fidelity.refitted = true;
  written.not_carried = detail::not_carried(profile, station, detail::kNamesAndStates);
  std::vector<std::string_view> columns{
      "ideal_height_px", "actual_height_px", "distortion_percent"};
  if (lens.film_back) {
    columns.insert(columns.end(), {"ideal_height_mm", "actual_height_mm"});
  }
  CsvWriter writer(columns, comments_of(profile, station, written));
  for (std::size_t i = 0; i < curve->size(); ++i) {
    const double ideal = curve->ideal(i);
    const double actual = curve->actual(i);
    std::vector<std::string> row{
        to_lossless_text(ideal),
        to_lossless_text(actual),
        to_lossless_text(ideal > 0.0 ? 100.0 * (actual - ideal) / ideal : 0.0)};
    if (lens.film_back) {
      const double mm_per_px = lens.film_back->height_mm / lens.plate_size.height;
      row.push_back(to_lossless_text(ideal * mm_per_px));
      row.push_back(to_lossless_text(actual * mm_per_px));
    }
    writer.add_row(row);
  }
  written.text = writer.text();
  return written;
}

Result<Taken> lens_from_radial_table(std::string text,
                                     const Known& known,
                                     const std::string& source) {
  const Result<CsvTable> table = CsvTable::parse(std::move(text), source);
  if (!table) return fail(table.error());
  const Reader reader(*table, known);
  const Result<lens::Lens> frame = reader.frame();
  if (!frame) return fail(frame.error());
  const Result<RadialCurve> curve = reader.curve(*frame);
  if (!curve) return fail(curve.error());
  const Result<Refit> refit = fitted(*curve, *frame, known.model);
  if (!refit) return fail(reader.error(refit.error().code, refit.error().message));
  Taken taken;
  taken.fidelity = refit->fidelity;
  taken.profile.labels.lens = reader.text("lens");
  taken.profile.labels.serial = reader.text("serial");
  taken.profile.labels.body = reader.text("body");
  taken.profile.provenance.created = reader.text("created");
  profile::Station& station = taken.profile.stations.emplace_back();
  station.nominal_focal_mm = reader.number("nominal_focal_mm");
  station.focus_m = reader.number("focus_m");
  station.t_stop = reader.number("t_stop");
  station.entrance_pupil_mm = reader.number("entrance_pupil_mm");
  return detail::taken_lens(
      std::move(taken), refit->lens, known, fmt::format("the radial table {}", printable(source)));
}

}  // namespace trueplate::exchange

#include "charts/draw/lens_sheet.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

#include "calib/base/utf8.h"
#include "calib/lens/distortion_measures.h"
#include "calib/profile/describe.h"
#include "charts/draw/detail/strokes.h"

namespace trueplate::draw {
namespace {

using detail::add_line;
using detail::Pen;

// A4, in mm.
constexpr double kWidth = 210.0;
constexpr double kHeight = 297.0;
constexpr double kLeft = 18.0;
constexpr double kRight = kWidth - kLeft;
constexpr double kMiddle = 110.0;  // where the right column begins
constexpr double kLine = 4.6;
constexpr double kText = 3.1;
constexpr double kSmall = 2.6;
constexpr double kHeading = 3.6;
constexpr std::size_t kMaxBytes = 90;

double degrees(double radians) { return radians * 180.0 / std::numbers::pi; }
double radians(double degrees_) { return degrees_ * std::numbers::pi / 180.0; }

/// The farthest corner's angle off the axis; nullopt where none has an inverse.
std::optional<double> corner_angle_deg(const lens::Lens& lens) {
  const Point2d size(lens.plate_size.width, lens.plate_size.height);
  double largest = 0.0;
  for (const Point2d& share : {Point2d(0, 0), Point2d(1, 0), Point2d(0, 1), Point2d(1, 1)}) {
    const std::optional<Point2d> p =
        lens::undistort(lens.model, lens::ideal_from_px(lens, Point2d(share.cwiseProduct(size))));
    if (p) largest = std::max(largest, degrees(std::atan(p->norm())));
  }
  return largest > 0.0 ? std::optional(largest) : std::nullopt;
}

/// The mean image height over all directions; nullopt where one has no image.
std::optional<double> mean_height_px(const lens::Lens& lens, double angle_deg) {
  constexpr int kDirections = 72;
  const double radius = std::tan(radians(angle_deg));
  double sum = 0.0;
  for (int i = 0; i < kDirections; ++i) {
    const double turn = 2.0 * std::numbers::pi * i / kDirections;
    const std::optional<Point2d> p =
        lens::distort(lens.model, radius * Point2d(std::cos(turn), std::sin(turn)));
    if (!p) return std::nullopt;
    sum += lens.focal_px.y() * p->norm();
  }
  return sum / kDirections;
}

std::optional<double> mm_per_px(const lens::Lens& lens) {
  if (!lens.film_back) return std::nullopt;
  return lens.film_back->height_mm / lens.plate_size.height;
}

/// Puts words and lines on the page from the top down.
class Layout {
 public:
  std::vector<Shape> shapes;

  void text(double x, double y, std::string words, double size = kText, double length = 0.0) {
    shapes.push_back(Text{.words = std::move(words),
                          .place = {x, y},
                          .size = size,
                          .max_length = length > 0.0 ? length : kRight - x});
  }
  void right(double x, double y, std::string words, double size = kText) {
    shapes.push_back(
        Text{.words = std::move(words), .place = {x, y}, .size = size, .align = TextAlign::kEnd});
  }
  void middle(double x, double y, std::string words, double size = kSmall) {
    shapes.push_back(Text{
        .words = std::move(words), .place = {x, y}, .size = size, .align = TextAlign::kMiddle});
  }
  void rule(double y, double width = 0.2) {
    const std::array<Point2d, 2> line{{{kLeft, y}, {kRight, y}}};
    add_line(shapes, line, {.width = width});
  }
  void heading(double x, double y, std::string words) { text(x, y, std::move(words), kHeading); }
  void box(const Box& frame) {
    const std::array<Point2d, 5> line{{frame.low,
                                       {frame.high.x(), frame.low.y()},
                                       frame.high,
                                       {frame.low.x(), frame.high.y()},
                                       frame.low}};
    add_line(shapes, line, {.width = 0.2});
  }
};

std::string known(const std::string& text) {
  return text.empty() ? std::string("not stated") : printable(text, kMaxBytes);
}

std::string number(const std::optional<double>& value, std::string_view unit) {
  if (!value) return "not stated";
  if (std::isinf(*value)) return "infinity";
  return fmt::format("{:.6g}{}", *value, unit);
}

std::string percent(const std::optional<lens::PointDistortion>& distortion) {
  return distortion ? fmt::format("{:+.3f} %", distortion->percent()) : "no inverse there";
}

struct Entry {
  std::string name;
  std::string value;
};

void add_entries(
    Layout& page, double x, double y, double value_x, const std::vector<Entry>& entries) {
  for (const Entry& entry : entries) {
    page.text(x, y, entry.name, kSmall);
    page.text(value_x, y, entry.value, kText, (x < kMiddle ? kMiddle - 2.0 : kRight) - value_x);
    y += kLine;
  }
}

double add_identity(Layout& page,
                    double y,
                    const profile::Profile& profile,
                    const profile::Station& station) {
  const lens::Lens& lens = station.lens;
  const std::optional<Point2d> focal_mm = lens::focal_mm(lens);
  const std::string back =
      lens.film_back
          ? fmt::format("{:.6g} x {:.6g} mm", lens.film_back->width_mm, lens.film_back->height_mm)
          : std::string("not stated");
  const std::string focal =
      focal_mm ? fmt::format("{:.4f} x {:.4f} mm", focal_mm->x(), focal_mm->y()) : "no film back";
  add_entries(page,
              kLeft,
              y,
              kLeft + 38.0,
              {{"Lens", known(profile.labels.lens)},
               {"Serial number", known(profile.labels.serial)},
               {"Marked focal length", number(station.nominal_focal_mm, " mm")},
               {"Focus distance", number(station.focus_m, " m")},
               {"T-stop", number(station.t_stop, "")},
               {"Focal length, measured", focal},
               {"the same in pixels",
                fmt::format("{:.2f} x {:.2f}", lens.focal_px.x(), lens.focal_px.y())}});
  const lens::FieldOfView view = lens::straight_field_of_view(lens);
  add_entries(
      page,
      kMiddle,
      y,
      kMiddle + 37.0,
      {{"Camera body", known(profile.labels.body)},
       {"Plate", fmt::format("{} x {} px", lens.plate_size.width, lens.plate_size.height)},
       {"Film back", back},
       {"Pixel aspect, squeeze", fmt::format("{:g}, {:g}", lens.pixel_aspect, lens.squeeze)},
       {"Angle of view, straight",
        fmt::format("{:.2f} x {:.2f} deg", view.horizontal_deg, view.vertical_deg)},
       {"Principal point",
        fmt::format("{:.2f}, {:.2f} px", lens.principal_point_px.x(), lens.principal_point_px.y())},
       {"Model", std::string(lens::model_name(lens.model))}});
  return y + 7 * kLine;
}

double add_figures(Layout& page, double y, const lens::Lens& lens) {
  const lens::FrameDistortion frame = lens::frame_distortion(lens);
  const std::optional<lens::PictureHeightDistortion> picture =
      lens::picture_height_distortion(lens);
  const std::optional<double> overscan = lens::overscan_factor(lens);
  const std::vector<Entry> entries{
      {"Relative distortion, ISO 9039 (actual less ideal image height, over ideal), at the corners",
       percent(frame.corner)},
      {"the same at the middle of the left and right edges", percent(frame.side_edge)},
      {"the same at the middle of the top and bottom edges", percent(frame.top_edge)},
      {"Picture height distortion, EBU Tech 3249 section 2.11 (bend of a line along the edge, over "
       "picture height)",
       picture ? fmt::format("{:+.3f} %", picture->ebu_percent) : "no inverse there"},
      {"Picture height distortion, SMIA form (edges against middle: twice the former)",
       picture ? fmt::format("{:+.3f} %", picture->smia_percent) : "no inverse there"},
      {"Overscan of the straightened picture, OpenLensIO 1.0.0 equation 24",
       overscan ? fmt::format("{:.4f}", *overscan) : "no inverse there"}};
  for (const Entry& entry : entries) {
    page.text(kLeft, y, entry.name, kSmall, kRight - kLeft - 26.0);
    page.right(kRight, y, entry.value);
    y += kLine;
  }
  return y;
}

void add_table(Layout& page, double y, const lens::Lens& lens, const std::vector<HeightRow>& rows) {
  const std::optional<double> mm = mm_per_px(lens);
  const std::array<double, 4> ends{kLeft + 14.0, kLeft + 35.0, kLeft + 57.0, kLeft + 78.0};
  page.right(ends[0], y, "angle, deg", kSmall);
  page.right(ends[1], y, mm ? "ideal, mm" : "ideal, px", kSmall);
  page.right(ends[2], y, mm ? "shift, um" : "shift, px", kSmall);
  page.right(ends[3], y, "relative, %", kSmall);
  for (const HeightRow& row : rows) {
    y += kLine;
    const double shift = row.actual_px - row.ideal_px;
    page.right(ends[0], y, fmt::format("{:.1f}", row.angle_deg));
    page.right(
        ends[1],
        y,
        mm ? fmt::format("{:.3f}", row.ideal_px * *mm) : fmt::format("{:.1f}", row.ideal_px));
    page.right(ends[2],
               y,
               mm ? fmt::format("{:+.1f}", shift * *mm * 1000.0) : fmt::format("{:+.3f}", shift));
    page.right(ends[3], y, fmt::format("{:+.4f}", row.percent()));
  }
}

/// A round step that cuts `range` into about five.
double round_step(double range) {
  const double raw = range / 5.0;
  const double power = std::pow(10.0, std::floor(std::log10(raw)));
  for (const double factor : {1.0, 2.0, 5.0}) {
    if (factor * power >= raw) return factor * power;
  }
  return 10.0 * power;
}

/// Relative distortion over the angle off the axis.
void add_curve(Layout& page, const Box& frame, const std::vector<HeightRow>& curve) {
  page.box(frame);
  if (curve.empty()) return;
  double low = 0.0;
  double high = 0.0;
  for (const HeightRow& row : curve) {
    low = std::min(low, row.percent());
    high = std::max(high, row.percent());
  }
  const double step = round_step(std::max(high - low, 1e-4));
  low = step * std::floor(low / step);
  high = std::max(step * std::ceil(high / step), low + step);
  const double last = curve.back().angle_deg;
  const auto place = [&](double angle, double value) {
    return Point2d(frame.low.x() + frame.size().x() * angle / last,
                   frame.high.y() - frame.size().y() * (value - low) / (high - low));
  };
  for (double value = low; value < high + 0.5 * step; value += step) {
    const bool is_zero = std::abs(value) < 0.01 * step;
    const std::array<Point2d, 2> line{{place(0.0, value), place(last, value)}};
    if (is_zero) add_line(page.shapes, line, {.width = 0.2, .dash = 1.2});
    page.right(frame.low.x() - 1.0,
               line[0].y() + 0.9,
               fmt::format("{:.3g}", is_zero ? 0.0 : value),
               kSmall);
  }
  const double angle_step = round_step(last);
  for (double angle = 0.0; angle <= last * 1.0001; angle += angle_step) {
    const Point2d foot = place(angle, low);
    const std::array<Point2d, 2> tick{{foot, foot - Point2d(0.0, 1.0)}};
    add_line(page.shapes, tick, {.width = 0.2});
    page.middle(foot.x(), foot.y() + 3.4, fmt::format("{:g}", angle));
  }
  std::vector<Point2d> line{place(0.0, 0.0)};
  for (const HeightRow& row : curve) line.push_back(place(row.angle_deg, row.percent()));
  add_line(page.shapes, line, {.width = 0.5});
}

/// A straight grid (dashed) and its image (solid), shifts drawn larger where they would not show.
/// Returns how much larger.
double add_grid(Layout& page, const Box& frame, const lens::Lens& lens) {
  constexpr int kCells = 8;
  constexpr int kSteps = 48;
  constexpr double kShownShare = 0.025;  // of the width, by which the largest shift should show
  const Point2d size(lens.plate_size.width, lens.plate_size.height);
  const auto straight = [&](double u, double v) {
    return Point2d(Point2d(u, v).cwiseProduct(size));
  };
  double largest = 0.0;
  for (int i = 0; i <= kCells; ++i) {
    for (int j = 0; j <= kCells; ++j) {
      const Point2d p = straight(i / static_cast<double>(kCells), j / static_cast<double>(kCells));
      const std::optional<Point2d> q = lens::distort_px(lens, p);
      if (q) largest = std::max(largest, (*q - p).norm());
    }
  }
  double enlarged = 1.0;
  for (const double factor : {2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0}) {
    if (largest > 0.0 && factor * largest <= kShownShare * size.x()) enlarged = factor;
  }
  // The frame is that of the plate; a pixel's aspect shows.
  const double aspect = size.x() * lens.pixel_aspect / size.y();
  const Point2d room = frame.size();
  const double width = std::min(room.x(), room.y() * aspect) * 0.94;
  const Point2d extent(width, width / aspect);
  const Point2d corner = frame.middle() - 0.5 * extent;
  const auto on_page = [&](const Point2d& p) {
    return Point2d(corner + p.cwiseQuotient(size).cwiseProduct(extent));
  };
  for (int i = 0; i <= kCells; ++i) {
    for (const bool upright : {false, true}) {
      std::vector<Point2d> ideal;
      std::vector<Point2d> imaged;
      for (int k = 0; k <= kSteps; ++k) {
        const double a = i / static_cast<double>(kCells);
        const double b = k / static_cast<double>(kSteps);
        const Point2d p = upright ? straight(a, b) : straight(b, a);
        const std::optional<Point2d> q = lens::distort_px(lens, p);
        ideal.push_back(on_page(p));
        imaged.push_back(q ? on_page(p + enlarged * (*q - p))
                           : Point2d(std::numeric_limits<double>::quiet_NaN(), 0.0));
      }
      const std::array<Point2d, 2> ends{{ideal.front(), ideal.back()}};
      add_line(page.shapes, ends, {.width = 0.15, .dash = 0.9});
      add_line(page.shapes, imaged, {.width = 0.35});
    }
  }
  return enlarged;
}

std::vector<Entry> certainty(const profile::Station& station) {
  if (!station.quality) return {{"Certainty", "not stated: the numbers were not fitted here"}};
  const profile::Quality& quality = *station.quality;
  std::vector<Entry> entries{
      {"Frames, points",
       fmt::format(
           "{} of {}, {}", quality.num_frames_used, quality.num_frames, quality.num_points)},
      {"Residual, rms", fmt::format("{:.4f} px per point", quality.rms_px)}};
  if (quality.held_out_rms_px) {
    entries.push_back({"Held out, rms", fmt::format("{:.4f} px", *quality.held_out_rms_px)});
  }
  if (quality.map_sigma_rms_px) {
    entries.push_back({"Predicted error",
                       fmt::format("{:.4f} px rms, {:.4f} px at worst",
                                   *quality.map_sigma_rms_px,
                                   quality.map_sigma_max_px.value_or(*quality.map_sigma_rms_px))});
  }
  return entries;
}

std::vector<Entry> coefficients(const profile::Station& station) {
  constexpr std::size_t kMost = 14;
  const auto names = lens::parameter_names(station.lens.model);
  const auto values = lens::parameters(station.lens.model);
  std::vector<Entry> entries;
  for (std::size_t i = 0; i < names.size() && i < kMost; ++i) {
    std::string value = fmt::format("{:+.6g}", values[i]);
    if (station.uncertainty) {
      const std::optional<double> sigma = profile::sigma(*station.uncertainty, names[i]);
      if (sigma) value += fmt::format("  (std. dev. {:.2g})", *sigma);
    }
    entries.push_back({std::string(names[i]), std::move(value)});
  }
  if (names.size() > kMost) {
    entries.push_back({"", fmt::format("and {} more in the profile", names.size() - kMost)});
  }
  return entries;
}

std::vector<HeightRow> curve_of(const lens::Lens& lens, LensSheetOptions options) {
  constexpr int kSteps = 60;
  options.angles_deg.clear();
  const double last = corner_angle_deg(lens).value_or(0.0);
  for (int i = 1; i <= kSteps && last > 0.0; ++i) options.angles_deg.push_back(last * i / kSteps);
  if (options.angles_deg.empty()) return {};
  Result<std::vector<HeightRow>> rows = height_rows(lens, options);
  return rows ? *std::move(rows) : std::vector<HeightRow>();
}

}  // namespace

Result<std::vector<HeightRow>> height_rows(const lens::Lens& lens,
                                           const LensSheetOptions& options) {
  constexpr int kRows = 8;
  double focal_px = lens.focal_px.y();
  if (options.reference_focal_mm) {
    const std::optional<double> mm = mm_per_px(lens);
    if (!mm || !(*options.reference_focal_mm > 0.0)) {
      return fail(ErrorCode::kInvalidInput,
                  "a reference focal length is above zero, and needs the film back in the profile");
    }
    focal_px = *options.reference_focal_mm / *mm;
  }
  std::vector<double> angles = options.angles_deg;
  if (angles.empty()) {
    const double last = corner_angle_deg(lens).value_or(0.0);
    for (int i = 1; i <= kRows && last > 0.0; ++i) angles.push_back(last * i / kRows);
  }
  std::vector<HeightRow> rows;
  for (const double angle : angles) {
    if (!(angle > 0.0 && angle < 90.0)) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("an angle off the axis is {}, wanted above 0 and below 90", angle));
    }
    const std::optional<double> actual = mean_height_px(lens, angle);
    if (!actual) continue;
    rows.push_back({.angle_deg = angle,
                    .ideal_px = focal_px * std::tan(radians(angle)),
                    .actual_px = *actual});
  }
  return rows;
}

Result<Document> lens_sheet(const profile::Profile& profile,
                            const profile::Station& station,
                            const LensSheetOptions& options) {
  constexpr std::size_t kMostRows = 14;
  const lens::Lens& lens = station.lens;
  Result<std::vector<HeightRow>> rows = height_rows(lens, options);
  if (!rows) return fail(rows.error());
  if (rows->size() > kMostRows) rows->resize(kMostRows);

  Layout page;
  page.text(kLeft, 22.0, "Lens sheet", 7.0);
  page.right(
      kRight,
      18.0,
      fmt::format("{} {}", profile::made_words(profile), profile.provenance.created.substr(0, 10)));
  page.right(kRight, 22.6, fmt::format("printed {}", options.date), kSmall);
  page.rule(26.0, 0.5);
  double y = add_identity(page, 33.0, profile, station);
  page.rule(y - 1.0);
  page.heading(kLeft, y + 5.0, "Distortion (negative: barrel)");
  y = add_figures(page, y + 11.0, lens);
  page.rule(y - 1.0);
  page.heading(kLeft, y + 5.0, "Over image height");
  page.heading(kMiddle, y + 5.0, "Relative distortion, %, over the angle off the axis, degrees");
  page.text(kLeft,
            y + 9.2,
            options.reference_focal_mm
                ? fmt::format("mean over all directions; ideal with a focal length of {:.6g} mm",
                              *options.reference_focal_mm)
                : "mean over all directions; ideal with the measured focal length",
            kSmall,
            kMiddle - kLeft - 4.0);
  add_table(page, y + 14.5, lens, *rows);
  add_curve(page, {{kMiddle + 11.0, y + 10.0}, {kRight, y + 54.0}}, curve_of(lens, options));
  y += std::max(60.0, 14.5 + kLine * static_cast<double>(rows->size() + 1));
  page.rule(y);
  page.heading(kLeft, y + 6.0, "A straight grid (dashed) and its image");
  const double enlarged = add_grid(page, {{kLeft, y + 12.0}, {kMiddle - 8.0, y + 66.0}}, lens);
  page.text(kLeft,
            y + 10.2,
            enlarged > 1.0 ? fmt::format("shifts drawn {:g} times as large", enlarged)
                           : std::string("shifts at true size"),
            kSmall);
  page.heading(kMiddle, y + 6.0, "How certain");
  const std::vector<Entry> certain = certainty(station);
  add_entries(page, kMiddle, y + 12.0, kMiddle + 34.0, certain);
  const double below = y + 14.0 + kLine * static_cast<double>(certain.size());
  page.heading(kMiddle, below + 4.0, fmt::format("Model {}", lens::model_name(lens.model)));
  add_entries(page, kMiddle, below + 10.0, kMiddle + 14.0, coefficients(station));
  page.rule(kHeight - 18.0);
  page.text(kLeft,
            kHeight - 13.5,
            fmt::format("{}; profile by {} {}; {} warnings",
                        options.program,
                        printable(profile.provenance.program),
                        printable(profile.provenance.program_version),
                        station.warnings.size()),
            kSmall);
  return Document{
      .title = fmt::format(
          "Lens sheet {} {}", printable(profile.labels.lens), printable(profile.labels.serial)),
      .program = options.program,
      .date = options.date,
      .drawing = {.width = kWidth, .height = kHeight, .shapes = std::move(page.shapes)},
      .pages = {Page{.width_mm = kWidth, .height_mm = kHeight}}};
}

}  // namespace trueplate::draw

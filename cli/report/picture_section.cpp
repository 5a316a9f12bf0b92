#include "cli/report/picture_section.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "calib/base/utf8.h"
#include "calib/footage/frame_stream.h"
#include "calib/lens/lens.h"
#include "charts/draw/raster.h"
#include "cli/report/page.h"
#include "cli/report/parts.h"
#include "warp/io/jpeg.h"
#include "warp/overscan.h"
#include "warp/resample.h"

namespace trueplate::cli {
namespace {

using nlohmann::json;

constexpr int kQuality = 85;
// A lens of a very wide view reaches far beyond its plate; so much of it is shown.
constexpr double kMostBeyond = 0.25;

/// The area of the box around the points, px^2.
double spanned(const target::View& view) {
  if (view.corners.empty()) return 0.0;
  Point2d low = view.corners.front().p_plate_px;
  Point2d high = low;
  for (const target::Corner& corner : view.corners) {
    low = low.cwiseMin(corner.p_plate_px);
    high = high.cwiseMax(corner.p_plate_px);
  }
  return (high - low).prod();
}

/// Chart lines: the points of one row or column in order, on the plate and straightened.
void add_lines(const lens::Lens& lens, const target::View& view, int along, json& lines) {
  std::map<double, std::vector<const target::Corner*>> rows;
  for (const target::Corner& corner : view.corners)
    rows[corner.p_chart_mm[1 - along]].push_back(&corner);
  for (auto& [place, corners] : rows) {
    std::sort(corners.begin(), corners.end(), [along](const auto* a, const auto* b) {
      return a->p_chart_mm[along] < b->p_chart_mm[along];
    });
    json before = json::array();
    json after = json::array();
    for (const target::Corner* corner : corners) {
      const auto straight = lens::undistort_px(lens, corner->p_plate_px);
      if (!straight) continue;
      before.push_back(
          {rounded(corner->p_plate_px.x(), 0.01), rounded(corner->p_plate_px.y(), 0.01)});
      after.push_back({rounded(straight->x(), 0.01), rounded(straight->y(), 0.01)});
    }
    if (before.size() > 1) lines.push_back({{"before", before}, {"after", after}});
  }
}

json lines_of(const lens::Lens& lens, const target::View& view) {
  json lines = json::array();
  for (const int along : {0, 1}) add_lines(lens, view, along, lines);
  return lines;
}

/// What of the straight picture is shown beyond the plate, in plate pixels.
warp::EdgePixels edges_shown(const lens::Lens& lens) {
  const auto overscan = warp::overscan(lens, {.kind = warp::OverscanRequest::Kind::kAuto});
  const auto [width, height] = lens.plate_size;
  const int most_x = static_cast<int>(kMostBeyond * width);
  const int most_y = static_cast<int>(kMostBeyond * height);
  if (!overscan) return {most_x, most_y, most_x, most_y};
  const warp::EdgePixels& edges = overscan->edges;
  return {std::min(edges.left, most_x),
          std::min(edges.top, most_y),
          std::min(edges.right, most_x),
          std::min(edges.bottom, most_y)};
}

json extent_json(const lens::Lens& lens, const warp::EdgePixels& edges) {
  return {{"x0", -edges.left},
          {"y0", -edges.top},
          {"x1", lens.plate_size.width + edges.right},
          {"y1", lens.plate_size.height + edges.bottom}};
}

/// Red, green and blue of a frame, or its one channel three times.
Result<Image<float>> colours_of(const footage::Frame& frame, int threads) {
  const bool has_colours = footage::plane_of(frame, footage::Plane::kGreen, threads).has_value();
  const footage::Plane grey[] = {footage::Plane::kLuma};
  const footage::Plane colours[] = {
      footage::Plane::kRed, footage::Plane::kGreen, footage::Plane::kBlue};
  Image<float> picture(frame.pixels.width(), frame.pixels.height(), 3);
  int done = 0;
  for (const footage::Plane plane : has_colours ? std::span<const footage::Plane>(colours) : grey) {
    const Result<footage::Luma> read = footage::plane_of(frame, plane, threads);
    if (!read) return fail(read.error());
    const int end = has_colours ? done + 1 : 3;
    for (int y = 0; y < picture.height(); ++y) {
      for (int x = 0; x < picture.width(); ++x) {
        for (int c = done; c < end; ++c) picture.at(x, y, c) = read->pixels.at(x, y);
      }
    }
    done = end;
  }
  return picture;
}

/// Makes a linear picture fit to be looked at: the 99th percentile becomes white, display coded.
void code_for_display(Image<float>& picture) {
  std::vector<float> values;
  for (std::size_t i = 0; i < picture.size(); i += 7) {
    if (std::isfinite(picture.data()[i])) values.push_back(picture.data()[i]);
  }
  if (values.empty()) return;
  const auto white =
      values.begin() + static_cast<std::ptrdiff_t>(0.99 * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), white, values.end());
  const float scale = *white > 0.0F ? 1.0F / *white : 1.0F;
  for (std::size_t i = 0; i < picture.size(); ++i) {
    picture.data()[i] = draw::display_coded(std::clamp(picture.data()[i] * scale, 0.0F, 1.0F));
  }
}

/// The map that only changes the size.
warp::StMap identity_map(ImageSize size) {
  warp::StMap map;
  map.st = Image<float>(size.width, size.height, 2);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const Point2d st = warp::st_from_position({x + 0.5, y + 0.5}, size, map.t_origin);
      map.st.at(x, y, 0) = static_cast<float>(st.x());
      map.st.at(x, y, 1) = static_cast<float>(st.y());
    }
  }
  map.output.display = {0, 0, size.width, size.height};
  map.output.data = map.output.display;
  map.source_display = map.output.display;
  return map;
}

Result<json> picture_json(
    ImageView<const float> picture, double x, double y, double width, double height) {
  const Result<std::string> jpeg = warp::jpeg_bytes(picture, kQuality);
  if (!jpeg) return fail(jpeg.error());
  return json{{"source", "data:image/jpeg;base64," + base64(*jpeg)},
              {"x", x},
              {"y", y},
              {"width", width},
              {"height", height}};
}

json section_of(const lens::Lens& lens, const warp::EdgePixels& edges, const std::string& caption) {
  return {{"kind", "pictures"},
          {"title", "Before and after"},
          {"words",
           {"Left of the divider the plate, right of it the straightened picture. Lines "
            "that are straight in the world have to come out straight."}},
          {"caption", caption},
          {"extent", extent_json(lens, edges)},
          {"before", nullptr},
          {"after", nullptr},
          {"rows_label", "chart rows and columns"},
          {"rows", json::array()}};
}

const target::View* view_named(std::span<const target::View> views, const std::string& name) {
  const auto found = std::find_if(
      views.begin(), views.end(), [&](const target::View& view) { return view.frame == name; });
  return found == views.end() ? nullptr : &*found;
}

}  // namespace

const footage::FrameRef* telling_frame(const footage::FrameSet& frames,
                                       const profile::Profile& profile,
                                       std::span<const target::View> views) {
  const footage::FrameRef* best = frames.frames.empty() ? nullptr : frames.frames.data();
  double most = -1.0;
  for (const footage::FrameRef& frame : frames.frames) {
    const auto& footage = profile.provenance.footage;
    const bool used = std::any_of(footage.begin(), footage.end(), [&](const auto& item) {
      return item.used && item.name == frame.name;
    });
    if (!used) continue;
    const target::View* view = view_named(views, frame.name);
    const double area = view == nullptr ? 0.0 : spanned(*view);
    if (area <= most) continue;
    most = area;
    best = &frame;
  }
  return best;
}

Result<json> picture_section(const lens::Lens& lens,
                             const footage::FrameRef& frame,
                             std::span<const target::View> views,
                             int threads) {
  std::optional<footage::FrameStream::Item> item =
      footage::FrameStream({frame}).next({.threads = threads});
  if (!item) return json();
  const Result<footage::Frame>& read = item->frame;
  if (!read) return fail(read.error());
  const Window& display = read->windows.display;
  if (const auto fits = lens::for_picture_of(lens, display.size()); !fits) {
    return fail(fits.error().code, fmt::format("{}: {}", frame.name, fits.error().message));
  }
  Result<Image<float>> picture = colours_of(*read, threads);
  if (!picture) return fail(picture.error());
  const footage::SampleFormat format = read->channels.front().format;
  if (format == footage::SampleFormat::kHalf || format == footage::SampleFormat::kFloat) {
    code_for_display(*picture);
  }
  const auto [width, height] = lens.plate_size;
  const double reduced = std::min(1.0, static_cast<double>(kShownWidth) / width);
  const ImageSize size{std::max(1, static_cast<int>(std::lround(reduced * width))),
                       std::max(1, static_cast<int>(std::lround(reduced * height)))};
  const warp::EdgePixels edges = edges_shown(lens);
  const auto shown = [reduced](int px) { return static_cast<int>(std::ceil(reduced * px)); };
  const warp::MapOptions straight{
      .display_window = Window{0, 0, size.width, size.height},
      .overscan_px = {shown(edges.left), shown(edges.top), shown(edges.right), shown(edges.bottom)},
      .threads = threads};
  const warp::SourcePicture source{picture->view(), read->windows};
  const warp::ResampleOptions area{.filter = warp::Filter::kArea, .threads = threads};
  const Result<Image<float>> before = warp::resample(source, identity_map(size), area);
  if (!before) return fail(before.error());
  const Result<Image<float>> after =
      warp::warp_frame(source, lens, warp::MapDirection::kUndistort, straight, area);
  if (!after) return fail(after.error());
  json section = section_of(lens,
                            edges,
                            fmt::format("{}. The frame line is the plate's; what lies beyond it is "
                                        "the overscan that keeps the whole plate.",
                                        printable(frame.name, 200)));
  Result<json> plate = picture_json(before->view(), 0.0, 0.0, width, height);
  if (!plate) return plate;
  const double sx = static_cast<double>(width) / size.width;
  const double sy = static_cast<double>(height) / size.height;
  Result<json> corrected = picture_json(after->view(),
                                        -sx * straight.overscan_px.left,
                                        -sy * straight.overscan_px.top,
                                        sx * after->width(),
                                        sy * after->height());
  if (!corrected) return corrected;
  section["before"] = std::move(*plate);
  section["after"] = std::move(*corrected);
  if (const target::View* view = view_named(views, frame.name))
    section["rows"] = lines_of(lens, *view);
  return section;
}

json rows_section(const lens::Lens& lens, std::span<const target::View> views) {
  if (views.empty()) return {};
  const auto widest =
      std::max_element(views.begin(), views.end(), [](const auto& a, const auto& b) {
        return spanned(a) < spanned(b);
      });
  json section =
      section_of(lens,
                 edges_shown(lens),
                 fmt::format("What was seen in {}. Give the frames to see the picture itself.",
                             printable(widest->frame, 200)));
  section["rows"] = lines_of(lens, *widest);
  return section;
}

}  // namespace trueplate::cli

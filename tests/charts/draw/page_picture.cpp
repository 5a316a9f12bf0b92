#include "tests/charts/draw/page_picture.h"

#include <cairo.h>
#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <iterator>
#include <sstream>

#include "tests/support/test_data.h"

namespace trueplate::tests {
namespace {

/// Runs `command`, in which IN stands for a file with these bytes and OUT for the file it makes.
/// The made file's bytes; nothing, after printing why, when `program` is not installed.
std::optional<std::string> converted(const std::string& bytes,
                                     const std::string& program,
                                     std::string command) {
  if (std::system(("command -v " + program + " > /dev/null").c_str()) != 0) {
    MESSAGE("skipped: no ", program, " to turn the page into pixels with");
    return std::nullopt;
  }
  const ScratchFolder scratch;
  const std::string in = (scratch.path() / "page.in").string();
  const std::string out = (scratch.path() / "page.out").string();
  std::ofstream(in, std::ios::binary) << bytes;
  command.replace(command.find("IN"), 2, "'" + in + "'");
  command.replace(command.find("OUT"), 3, "'" + out + "'");
  REQUIRE(std::system(command.c_str()) == 0);
  std::ifstream file(out, std::ios::binary);
  return std::string(std::istreambuf_iterator<char>(file), {});
}

/// A binary PGM of 8 bits.
PagePicture page_from_pgm(const std::string& bytes) {
  std::istringstream stream(bytes);
  std::string magic;
  int width = 0;
  int height = 0;
  int most = 0;
  stream >> magic >> width >> height >> most;
  stream.get();
  REQUIRE(magic == "P5");
  REQUIRE(most == 255);
  const auto begin = static_cast<std::size_t>(stream.tellg());
  PagePicture page{Image<float>(width, height, 1), kPageDpi / 25.4};
  REQUIRE(bytes.size() - begin >= page.pixels.size());
  for (std::size_t i = 0; i < page.pixels.size(); ++i) {
    page.pixels.data()[i] =
        static_cast<float>(static_cast<unsigned char>(bytes[begin + i])) / 255.0F;
  }
  return page;
}

cairo_status_t read_some(void* stream, unsigned char* data, unsigned int length) {
  static_cast<std::istringstream*>(stream)->read(reinterpret_cast<char*>(data), length);
  return *static_cast<std::istringstream*>(stream) ? CAIRO_STATUS_SUCCESS : CAIRO_STATUS_READ_ERROR;
}

PagePicture page_from_png(const std::string& bytes) {
  std::istringstream stream(bytes);
  cairo_surface_t* const surface = cairo_image_surface_create_from_png_stream(&read_some, &stream);
  REQUIRE(cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS);
  const int width = cairo_image_surface_get_width(surface);
  const int height = cairo_image_surface_get_height(surface);
  PagePicture page{Image<float>(width, height, 1), kPageDpi / 25.4};
  for (int y = 0; y < height; ++y) {
    const unsigned char* const row =
        cairo_image_surface_get_data(surface) + y * cairo_image_surface_get_stride(surface);
    // Four bytes a pixel; the chart is grey, so any colour will do.
    for (int x = 0; x < width; ++x) page.pixels.at(x, y) = static_cast<float>(row[4 * x]) / 255.0F;
  }
  cairo_surface_destroy(surface);
  return page;
}

}  // namespace

std::optional<PagePicture> render_pdf(const std::string& bytes, int number) {
  const auto pgm =
      converted(bytes,
                "pdftoppm",
                fmt::format("pdftoppm -r {0} -gray -f {1} -l {1} IN > OUT", kPageDpi, number));
  if (!pgm) return std::nullopt;
  return page_from_pgm(*pgm);
}

std::optional<PagePicture> render_svg(const std::string& bytes) {
  const auto png = converted(
      bytes, "rsvg-convert", fmt::format("rsvg-convert -d {0} -p {0} IN > OUT", kPageDpi));
  if (!png) return std::nullopt;
  return page_from_png(*png);
}

std::vector<double> edges_mm(const PagePicture& page, const Cut& cut) {
  const int length = cut.axis == 0 ? page.pixels.width() : page.pixels.height();
  const int across = cut.axis == 0 ? page.pixels.height() : page.pixels.width();
  const int line = static_cast<int>(cut.at_mm * page.px_per_mm);
  std::vector<double> light(static_cast<std::size_t>(length), 0.0);
  constexpr int kHalf = 2;
  for (int k = line - kHalf; k <= line + kHalf; ++k) {
    const int inside = std::clamp(k, 0, across - 1);
    for (int i = 0; i < length; ++i) {
      light[static_cast<std::size_t>(i)] +=
          (cut.axis == 0 ? page.pixels.at(i, inside) : page.pixels.at(inside, i)) /
          (2.0 * kHalf + 1.0);
    }
  }
  const int begin = std::max(0, static_cast<int>(cut.begin_mm * page.px_per_mm));
  const int end = std::min(length - 1, static_cast<int>(cut.end_mm * page.px_per_mm));
  std::vector<double> edges;
  // Narrow enough for the ticks of a scale bar, 4.7 px wide.
  constexpr int kReach = 2;
  for (int i = begin; i < end; ++i) {
    const double here = light[static_cast<std::size_t>(i)];
    const double next = light[static_cast<std::size_t>(i + 1)];
    if ((here < 0.5) == (next < 0.5)) continue;
    const int first = std::max(0, i - kReach + 1);
    const int last = std::min(length, i + 1 + kReach);
    double sum = 0.0;
    for (int k = first; k < last; ++k) sum += light[static_cast<std::size_t>(k)];
    const double edge = here > next ? first + sum : last - sum;
    edges.push_back(edge / page.px_per_mm);
  }
  return edges;
}

std::vector<double> middles(const std::vector<double>& edges) {
  std::vector<double> found;
  for (std::size_t i = 0; i + 1 < edges.size(); i += 2) {
    found.push_back(0.5 * (edges[i] + edges[i + 1]));
  }
  return found;
}

double Measured::worst_mm() const {
  REQUIRE(found_mm.size() == wanted_mm.size());
  double worst = 0.0;
  for (std::size_t i = 0; i < found_mm.size(); ++i) {
    worst = std::max(worst, std::abs(found_mm[i] - wanted_mm[i]));
  }
  return worst;
}

double Measured::step_mm() const {
  const auto n = static_cast<double>(found_mm.size());
  double sum_k = 0.0;
  double sum_x = 0.0;
  double sum_kk = 0.0;
  double sum_kx = 0.0;
  for (std::size_t i = 0; i < found_mm.size(); ++i) {
    const auto k = static_cast<double>(i);
    sum_k += k;
    sum_x += found_mm[i];
    sum_kk += k * k;
    sum_kx += k * found_mm[i];
  }
  return (n * sum_kx - sum_k * sum_x) / (n * sum_kk - sum_k * sum_k);
}

Measured measure_pattern(const PagePicture& page, const draw::ChartDrawing& chart, int axis) {
  using target::ChartKind;
  const target::Chart& made = chart.design.chart;
  const Point2d pitch = made.pitch_xy_mm();
  const int other = 1 - axis;
  const bool staggered = made.kind == ChartKind::kDotsStaggered;
  const double step = pitch[axis];
  const double first = chart.origin[axis];
  const int count = axis == 0 ? made.columns : made.rows;
  Cut cut{.axis = axis};
  cut.begin_mm = chart.pattern.low[axis] - 1.0;
  cut.end_mm = chart.pattern.high[axis] + 1.0;
  Measured measured;
  switch (made.kind) {
    case ChartKind::kCheckerboard:
    case ChartKind::kCoded: {
      // Near the top of the second row of squares: clear of markers and of the centre mark.
      cut.at_mm = chart.origin[other] + 0.1 * pitch[other];
      measured.found_mm = edges_mm(page, cut);
      // Its first square is light, as the page beside it; the last one may be.
      const int last = count % 2 != 0 ? count : count - 1;
      for (int k = 0; k <= last; ++k) measured.wanted_mm.push_back(first + k * step);
      break;
    }
    case ChartKind::kLines:
      cut.at_mm = chart.origin[other] + 0.3 * pitch[other];
      measured.found_mm = middles(edges_mm(page, cut));
      for (int k = 0; k < count; ++k) measured.wanted_mm.push_back(first + k * step);
      break;
    case ChartKind::kDots:
    case ChartKind::kDotsStaggered: {
      cut.at_mm = chart.origin[other];
      measured.found_mm = middles(edges_mm(page, cut));
      // Of staggered dots a column has every second row only.
      const bool every_second = staggered && axis == 1;
      const int num = every_second ? (count + 1) / 2 : count;
      for (int k = 0; k < num; ++k) measured.wanted_mm.push_back(first + k * step);
      break;
    }
  }
  return measured;
}

double measure_bar_mm(const PagePicture& page, const draw::ScaleBar& bar, int axis) {
  // Only the numbered ticks reach as far as this.
  const Cut cut{.axis = axis,
                .at_mm = bar.begin[1 - axis] - 0.75 * bar.tick,
                .begin_mm = bar.begin[axis] - 1.0,
                .end_mm = bar.end[axis] + 1.0};
  const std::vector<double> ticks = middles(edges_mm(page, cut));
  REQUIRE(ticks.size() >= 2);
  return ticks.back() - ticks.front();
}

}  // namespace trueplate::tests

#include <fmt/format.h>

#include <chrono>
#include <cstdlib>
#include <filesystem>
#include <memory>

#include "calib/base/interrupt.h"
#include "calib/base/text.h"
#include "calib/base/timestamp.h"
#include "calib/exchange/chart_file.h"
#include "charts/draw/chart_drawing.h"
#include "charts/draw/pages.h"
#include "charts/draw/raster.h"
#include "charts/draw/vector.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/help/spelling.h"
#include "cli/version.h"
#include "warp/io/frame_writer.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::string output;
  std::string description;
  std::string kind;
  std::string pitch;
  std::string grid;
  std::string line_width;
  std::string dot_diameter;
  std::string sheet;
  std::string orientation = "landscape";
  std::string roll;
  std::string margin;
  std::string tile;
  std::string overlap;
  std::string screen;
  std::string pixel_pitch;
  std::string date;
};

enum class Medium { kPdf, kSvg, kScreen };

/// What the words of the command line mean.
struct Request {
  Medium medium = Medium::kPdf;
  draw::ChartDesign design;
  draw::SheetOptions paper;
  std::optional<draw::TileOptions> tiles;
  draw::ScreenOptions screen;
  draw::Imprint imprint;
  fs::path description;
};

Unexpected refused(std::string message) {
  return fail(ErrorCode::kInvalidInput, std::move(message));
}

/// A length of the option `name`, or `fallback` where it was not given.
Result<double> length_of(std::string_view name, const std::string& text, double fallback) {
  if (text.empty()) return fallback;
  Result<double> length = parse_length_mm(text);
  if (length) return length;
  return refused(fmt::format("{}: {}", name, length.error().message));
}

Result<Medium> medium_of(const fs::path& output) {
  const std::string extension = output.extension().string();
  if (extension == ".pdf") return Medium::kPdf;
  if (extension == ".svg") return Medium::kSvg;
  for (const char* raster : {".png", ".tif", ".tiff", ".exr"}) {
    if (extension == raster) return Medium::kScreen;
  }
  return refused(fmt::format(
      "-o: '{}' ends in no format that charts are drawn in; write .pdf or .svg for paper, .png, "
      ".tif or .exr for a screen",
      output.string()));
}

/// Options that make no sense beside others are refused rather than ignored.
Result<void> check_combination(const Options& options, Medium medium) {
  struct Rule {
    bool broken;
    std::string_view message;
  };
  const bool on_screen = medium == Medium::kScreen;
  const bool any_paper = !(options.sheet.empty() && options.roll.empty() && options.tile.empty() &&
                           options.margin.empty());
  const Rule rules[] = {
      {on_screen && (options.screen.empty() || options.pixel_pitch.empty()),
       "a picture for a screen needs --screen WIDTHxHEIGHT in pixels and --pixel-pitch LENGTH, the "
       "size of one pixel, such as --screen 3840x2160 --pixel-pitch 2.6mm"},
      {on_screen && any_paper,
       "--sheet, --roll, --tile and --margin are for paper; write a .pdf or .svg, or leave them "
       "out"},
      {!on_screen && !(options.screen.empty() && options.pixel_pitch.empty()),
       "--screen and --pixel-pitch are for pictures; write a .png, .tif or .exr, or leave them "
       "out"},
      {!options.sheet.empty() && !options.roll.empty(),
       "--sheet and --roll name two kinds of paper; leave one out"},
      {!options.roll.empty() && !options.tile.empty(),
       "--roll and --tile exclude each other: name the whole with --sheet WIDTHxHEIGHT"},
      {!options.roll.empty() && options.grid.empty(),
       "--roll needs --grid COLSxROWS, which says how much of the roll is used"},
      {!options.tile.empty() && options.sheet.empty() && options.grid.empty(),
       "--tile needs the size of the whole: --sheet, or --grid COLSxROWS for as much as that "
       "needs"},
      {options.tile.empty() && !options.overlap.empty(), "--overlap needs --tile"}};
  for (const Rule& rule : rules) {
    if (rule.broken) return refused(std::string(rule.message));
  }
  return {};
}

/// `50px` on a screen, or a length.
Result<double> pitch_of(const Options& options, std::optional<double> mm_per_pixel) {
  const std::string_view text = trim(options.pitch);
  if (!text.ends_with("px")) return length_of("--pitch", options.pitch, 0.0);
  const std::optional<double> pixels = parse_number(text.substr(0, text.size() - 2));
  if (!mm_per_pixel) {
    return refused(
        fmt::format("--pitch: '{}' is for a screen; paper wants a length such as 25mm", text));
  }
  if (pixels && *pixels > 0.0) return *pixels * *mm_per_pixel;
  return refused(fmt::format("--pitch: '{}' is not a number of pixels above zero", text));
}

Result<draw::ChartDesign> design_of(const Options& options, std::optional<double> mm_per_pixel) {
  draw::ChartDesign design;
  const std::optional<target::ChartKind> kind = target::chart_kind_from_name(options.kind);
  if (!kind) {
    return refused(
        fmt::format("--kind: unknown kind '{}'; known: checkerboard, lines, dots, "
                    "dots-staggered, coded",
                    options.kind));
  }
  design.chart.kind = *kind;
  const Result<double> pitch = pitch_of(options, mm_per_pixel);
  if (!pitch) return fail(pitch.error());
  design.chart.pitch_mm = *pitch;
  if (!options.grid.empty()) {
    const Result<std::pair<int, int>> grid = parse_size(options.grid);
    if (!grid) {
      return refused(
          fmt::format("--grid: '{}' is not a number of inner corners, crossings or "
                      "dots; write COLSxROWS, such as 9x6",
                      options.grid));
    }
    design.chart.columns = grid->first;
    design.chart.rows = grid->second;
  }
  if (!options.line_width.empty() && *kind != target::ChartKind::kLines) {
    return refused("--line-width belongs to --kind lines");
  }
  const bool dots = *kind == target::ChartKind::kDots || *kind == target::ChartKind::kDotsStaggered;
  if (!options.dot_diameter.empty() && !dots) {
    return refused("--dot-diameter belongs to --kind dots and dots-staggered");
  }
  const Result<double> line = length_of("--line-width", options.line_width, 0.0);
  if (!line) return fail(line.error());
  design.line_width_mm = *line;
  const Result<double> dot = length_of("--dot-diameter", options.dot_diameter, 0.0);
  if (!dot) return fail(dot.error());
  design.dot_diameter_mm = *dot;
  return design;
}

Result<void> read_paper(const Options& options, Request& request) {
  const bool tiled = !options.tile.empty();
  const Result<double> margin = length_of("--margin", options.margin, request.paper.margin_mm);
  if (!margin) return fail(margin.error());
  if (options.orientation != "landscape" && options.orientation != "portrait") {
    return refused(
        fmt::format("--orientation: '{}' is neither landscape nor portrait", options.orientation));
  }
  const draw::Orientation orientation = options.orientation == "portrait"
                                            ? draw::Orientation::kPortrait
                                            : draw::Orientation::kLandscape;
  request.paper.max_side_mm = tiled ? draw::kMaxTiledSideMm : draw::kMaxSheetSideMm;
  // Nothing of a tiled chart's own edge is lost to the printer; its tiles have margins.
  constexpr double kTiledMarginMm = 2.0;
  request.paper.margin_mm = tiled ? kTiledMarginMm : *margin;
  if (!options.roll.empty()) {
    const Result<double> roll = length_of("--roll", options.roll, 0.0);
    if (!roll) return fail(roll.error());
    request.paper.roll_mm = *roll;
  } else if (!options.sheet.empty() || !tiled) {
    const Result<draw::Sheet> sheet = draw::parse_sheet(
        options.sheet.empty() ? "A4" : options.sheet, orientation, request.paper.max_side_mm);
    if (!sheet) return refused(fmt::format("--sheet: {}", sheet.error().message));
    request.paper.sheet = *sheet;
  }
  if (!tiled) return {};
  draw::TileOptions tiles;
  const Result<draw::Sheet> paper = draw::parse_sheet(options.tile, orientation);
  if (!paper) return refused(fmt::format("--tile: {}", paper.error().message));
  const Result<double> overlap = length_of("--overlap", options.overlap, tiles.overlap_mm);
  if (!overlap) return fail(overlap.error());
  tiles = {.paper = *paper, .margin_mm = *margin, .overlap_mm = *overlap};
  request.tiles = tiles;
  return {};
}

Result<Request> request_of(const Options& options) {
  Request request;
  const Result<Medium> medium = medium_of(options.output);
  if (!medium) return fail(medium.error());
  request.medium = *medium;
  if (Result<void> good = check_combination(options, *medium); !good) return fail(good.error());
  std::optional<double> mm_per_pixel;
  if (*medium == Medium::kScreen) {
    const Result<double> pixel = length_of("--pixel-pitch", options.pixel_pitch, 0.0);
    if (!pixel) return fail(pixel.error());
    mm_per_pixel = *pixel;
    const Result<std::pair<int, int>> size = parse_size(options.screen);
    if (!size) return refused(fmt::format("--screen: {}", size.error().message));
    request.screen.size = {size->first, size->second};
    request.screen.mm_per_pixel = *pixel;
  }
  const Result<draw::ChartDesign> design = design_of(options, mm_per_pixel);
  if (!design) return fail(design.error());
  request.design = *design;
  const Result<std::string> date = document_date(options.date);
  if (!date) return fail(date.error());
  request.imprint = {.program = fmt::format("trueplate {}", kVersion), .date = *date};
  request.paper.imprint = request.imprint;
  request.screen.imprint = request.imprint;
  if (*medium != Medium::kScreen) {
    if (Result<void> good = read_paper(options, request); !good) return fail(good.error());
  }
  request.description = options.description.empty()
                            ? fs::path(options.output).replace_extension(".json")
                            : fs::path(options.description);
  return request;
}

/// The files that the pages go to: a PDF holds all of them, of SVG there is one a page.
std::vector<std::string> output_names(const Options& options,
                                      const Request& request,
                                      const std::optional<draw::TiledDocument>& tiled) {
  if (!tiled || request.medium == Medium::kPdf) return {options.output};
  std::vector<std::string> names;
  const fs::path output(options.output);
  for (int row = 1; row <= tiled->rows; ++row) {
    for (int column = 1; column <= tiled->columns; ++column) {
      fs::path name = output;
      name.replace_filename(fmt::format(
          "{}.r{}c{}{}", output.stem().string(), row, column, output.extension().string()));
      names.push_back(name.string());
    }
  }
  return names;
}

/// A light and dark picture as a frame of three equal channels: 8-bit and display coded, EXR half
/// and linear.
footage::Frame frame_of(const Image<float>& picture, const fs::path& output) {
  const bool linear = output.extension() == ".exr";
  footage::Frame frame;
  for (const char* name : {"R", "G", "B"}) {
    frame.channels.push_back(
        {name, linear ? footage::SampleFormat::kHalf : footage::SampleFormat::kUint8});
  }
  frame.pixels = Image<float>(picture.width(), picture.height(), 3);
  for (int y = 0; y < picture.height(); ++y) {
    for (int x = 0; x < picture.width(); ++x) {
      const float level = linear ? picture.at(x, y) : draw::display_coded(picture.at(x, y));
      for (int c = 0; c < 3; ++c) frame.pixels.at(x, y, c) = level;
    }
  }
  const Window window{.x = 0, .y = 0, .width = picture.width(), .height = picture.height()};
  frame.windows = {.display = window, .data = window};
  return frame;
}

Result<void> write_outputs(const Request& request,
                           const draw::ChartDrawing& chart,
                           const std::optional<draw::TiledDocument>& tiled,
                           const std::vector<std::string>& names,
                           const CommonOptions& common) {
  if (request.medium == Medium::kScreen) {
    const auto written =
        warp::write_frame(names.front(),
                          frame_of(draw::rasterize(chart.drawing), names.front()),
                          {.overwrite = common.overwrite_policy(), .threads = common.threads});
    if (!written) return fail(written.error());
    return {};
  }
  const draw::Document document =
      tiled ? tiled->document : draw::single_page(chart, request.imprint);
  for (std::size_t i = 0; i < names.size(); ++i) {
    if (is_interrupted(&interrupt_flag())) return interruption();
    const Result<std::string> bytes =
        request.medium == Medium::kPdf ? draw::pdf_of(document) : draw::svg_of(document, i);
    if (!bytes) return fail(bytes.error());
    if (Result<void> written = write_text_file(names[i], *bytes, common.overwrite_policy());
        !written) {
      return written;
    }
  }
  return {};
}

exchange::ChartDescription description_of(const draw::ChartDrawing& chart, const Request& request) {
  exchange::ChartDescription description;
  description.chart = chart.design.chart;
  if (chart.design.line_width_mm > 0.0) description.line_width_mm = chart.design.line_width_mm;
  if (chart.design.dot_diameter_mm > 0.0) {
    description.dot_diameter_mm = chart.design.dot_diameter_mm;
  }
  description.drawn = exchange::ChartOrigin{.program = request.imprint.program,
                                            .date = request.imprint.date,
                                            .medium = draw::sheet_text(chart.sheet)};
  return description;
}

nlohmann::json result_json(const draw::ChartDrawing& chart,
                           const std::optional<draw::TiledDocument>& tiled,
                           const std::vector<std::string>& names,
                           const fs::path& description) {
  const target::Chart& made = chart.design.chart;
  const Point2d pitch = made.pitch_xy_mm();
  const Point2d origin = chart.origin * chart.mm_per_unit;
  nlohmann::json json = {
      {"kind", target::chart_kind_name(made.kind)},
      {"pitch_mm", {{"x", pitch.x()}, {"y", pitch.y()}}},
      {"columns", made.columns},
      {"rows", made.rows},
      {"sheet_mm", {{"width", chart.sheet.width_mm}, {"height", chart.sheet.height_mm}}},
      {"origin_mm", {{"x", origin.x()}, {"y", origin.y()}}},
      {"scale_bar_mm", {{"x", chart.across.length_mm}, {"y", chart.down.length_mm}}},
      {"outputs", names},
      {"description", description.string()},
      {"tiles", nullptr}};
  if (tiled) {
    json["tiles"] = {
        {"columns", tiled->columns},
        {"rows", tiled->rows},
        {"paper_mm", {{"width", tiled->paper.width_mm}, {"height", tiled->paper.height_mm}}},
        {"step_mm", {{"x", tiled->step_mm.x()}, {"y", tiled->step_mm.y()}}}};
  }
  return json;
}

int run(const Options& options, const CommonOptions& common) {
  const Result<Request> request = request_of(options);
  if (!request) return report_usage(request.error());
  const Result<draw::ChartDrawing> chart =
      request->medium == Medium::kScreen ? draw::draw_on_screen(request->design, request->screen)
                                         : draw::draw_on_sheet(request->design, request->paper);
  if (!chart) return report_usage(chart.error());
  std::optional<draw::TiledDocument> tiled;
  if (request->tiles) {
    Result<draw::TiledDocument> pages = draw::tile_pages(*chart, request->imprint, *request->tiles);
    if (!pages) return report_usage(pages.error());
    tiled = std::move(*pages);
  }
  const std::vector<std::string> names = output_names(options, *request, tiled);
  std::vector<std::string> outputs = names;
  outputs.push_back(request->description.string());
  if (Result<void> free = check_outputs(outputs, {}, common); !free) {
    return report_failure(free.error());
  }
  if (Result<void> written = write_outputs(*request, *chart, tiled, names, common); !written) {
    return report_failure(written.error());
  }
  if (Result<void> written = exchange::write_chart(
          request->description, description_of(*chart, *request), common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common,
        fmt::format("{}{} -> {}{}, {}\n",
                    chart->label,
                    tiled ? fmt::format(", on {} x {} sheets of {}",
                                        tiled->columns,
                                        tiled->rows,
                                        draw::sheet_text(tiled->paper))
                          : "",
                    names.front(),
                    names.size() > 1 ? fmt::format(" .. {}", names.back()) : "",
                    request->description.string()));
  if (Result<void> written =
          write_json(common, result_json(*chart, tiled, names, request->description));
      !written) {
    return report_failure(written.error());
  }
  return kDone;
}

}  // namespace

Action add_chart(CLI::App& app) {
  auto options = std::make_shared<Options>();
  const auto add = [&](const char* names, std::string& value, const char* text, const char* type) {
    return app.add_option(names, value, text)->type_name(type);
  };
  std::vector<std::string> kinds;
  for (const target::ChartKind kind : target::kChartKinds) {
    kinds.emplace_back(target::chart_kind_name(kind));
  }
  one_of(
      app.add_option("--kind", options->kind, "what is drawn; coded: a checkerboard with markers"),
      kinds)
      ->required();
  add("--pitch",
      options->pitch,
      "side of a square, distance of lines or dots: 25mm; on a screen also 50px",
      "LENGTH")
      ->required();
  add("--grid",
      options->grid,
      "inner corners, crossings or dots, such as 9x6; default: as many as fit",
      "COLSxROWS");
  add("--line-width", options->line_width, "of lines; default an eighth of the pitch", "LENGTH");
  add("--dot-diameter",
      options->dot_diameter,
      "of dots; default half the distance of the nearest two",
      "LENGTH");
  add("--sheet",
      options->sheet,
      "A4 .. A0, letter, tabloid, ansi-c .. ansi-e or a size such as 600x400mm; default A4",
      "SHEET");
  one_of(app.add_option("--orientation", options->orientation, "of a sheet with a name"),
         {"landscape", "portrait"})
      ->capture_default_str();
  add("--roll", options->roll, "width of a roll; as much of it as --grid needs", "LENGTH");
  add("--margin", options->margin, "left free along the edges of paper; default 10mm", "LENGTH");
  add("--tile", options->tile, "cut into sheets of this size, such as A4", "SHEET");
  add("--overlap", options->overlap, "what neighbouring tiles share; default 10mm", "LENGTH");
  add("--screen", options->screen, "size of a screen or LED wall in pixels", "WxH");
  add("--pixel-pitch", options->pixel_pitch, "size of one pixel there, such as 2.6mm", "LENGTH");
  add("--date",
      options->date,
      "on the label, such as 2031-05-04; default SOURCE_DATE_EPOCH, else today",
      "DATE");
  add("--description",
      options->description,
      "what detect and calibrate read; default: the output's name with .json",
      "FILE");
  add("-o,--output",
      options->output,
      "the chart: .pdf, .svg; .png, .tif, .exr for a screen",
      "FILE")
      ->required();
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli

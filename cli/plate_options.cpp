#include "cli/plate_options.h"

#include <fmt/format.h>

#include <utility>

#include "calib/base/text.h"
#include "cli/help/spelling.h"
#include "cli/profile_option.h"

namespace trueplate::cli {
namespace {

/// The lens for a plate of the size asked for.
Result<lens::Lens> sized(const std::string& size_text, const lens::Lens& calibrated) {
  if (size_text.empty()) return calibrated;
  const Result<std::pair<int, int>> size = parse_size(size_text);
  if (!size) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--size: {}", size.error().message));
  }
  Result<lens::Lens> lens = lens::for_picture_of(calibrated, {size->first, size->second});
  if (!lens) {
    return fail(ErrorCode::kInvalidInput, fmt::format("--size: {}", lens.error().message));
  }
  return lens;
}

}  // namespace

Result<warp::TOrigin> parse_origin(const std::string& text) {
  for (const warp::TOrigin origin : {warp::TOrigin::kBottomLeft, warp::TOrigin::kTopLeft}) {
    if (text == warp::to_text(origin)) return origin;
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("--origin: '{}' is not bottom-left or top-left", text));
}

void add_plate_options(CLI::App& app, PlateOptions& options) {
  const OptionsUnder heading(app, "Plate and straight picture");
  app.add_option("--size", options.size, "for a plate of this size; default: as calibrated")
      ->type_name("WxH");
  app.add_option("--overscan",
                 options.overscan,
                 "how much larger the straight picture is: auto keeps the whole plate; 8 % a side, "
                 "or pixels at each edge")
      ->type_name("auto|none|8%|L,T,R,B")
      ->capture_default_str();
  add_round_option(app, options.round_to);
  one_of(
      app.add_option("--filter",
                     options.filter,
                     "what the maps will be used with; --overscan auto leaves room for its reach"),
      {"bilinear", "cubic", "lanczos", "area"})
      ->capture_default_str();
  one_of(app.add_option("--origin", options.origin, "where t counts from"),
         {"bottom-left", "top-left"})
      ->capture_default_str();
}

void add_round_option(CLI::App& app, int& round_to, const std::string& help) {
  app.add_option("--round",
                 round_to,
                 help.empty()
                     ? "round the overscan of each edge up to a multiple (auto and percentages)"
                     : help)
      ->check(CLI::Range(1, 1024))
      ->capture_default_str()
      ->type_name("N");
}

std::vector<Warning> unused_round(const CLI::App& app, const std::string& overscan) {
  const Result<warp::OverscanRequest> request = warp::parse_overscan(overscan);
  using Kind = warp::OverscanRequest::Kind;
  const bool is_as_given =
      request && (request->kind == Kind::kNone || request->kind == Kind::kPixels);
  if (!is_as_given || app.count("--round") == 0) return {};
  return {{"unused-option",
           fmt::format("--round: --overscan {} is taken as it is given, so it has changed nothing; "
                       "auto and percentages are rounded",
                       overscan),
           1.0}};
}

Result<std::vector<lens::Lens>> lenses_of(const profile::Profile& profile,
                                          const std::string& path,
                                          const std::string& channel) {
  if (channel.empty()) return std::vector{profile.stations.front().lens};
  Result<ColourLenses> colours = colour_lenses(profile, path);
  if (!colours) return fail(colours.error());
  return sharing_lenses(*colours, channel);
}

Result<PlateRequest> read_plate_options(const PlateOptions& options,
                                        const std::vector<lens::Lens>& calibrated,
                                        int threads) {
  PlateRequest request;
  for (const lens::Lens& lens : calibrated) {
    Result<lens::Lens> fitting = sized(options.size, lens);
    if (!fitting) return fail(fitting.error());
    request.lenses.push_back(*std::move(fitting));
  }
  if (request.lenses.size() > 1) {
    // That of green, or the three pictures would not lie on each other.
    const lens::Lens& green = request.lenses[2];
    request.map.straight = warp::StraightPinhole{green.focal_px, green.principal_point_px};
  }
  const Result<warp::OverscanRequest> overscan = warp::parse_overscan(options.overscan);
  if (!overscan) return fail(overscan.error());
  const Result<warp::Filter> filter = warp::parse_filter(options.filter);
  if (!filter) return fail(filter.error());
  const Result<warp::TOrigin> origin = parse_origin(options.origin);
  if (!origin) return fail(origin.error());
  request.overscan = *overscan;
  request.overscan_options = {.round_to = options.round_to,
                              .margin_px = warp::kernel_width(*filter) / 2,
                              .straight = request.map.straight};
  request.filter = *filter;
  request.map.t_origin = *origin;
  request.map.threads = threads;
  return request;
}

Result<lens::FilmBack> parse_film_back(const std::string& text) {
  constexpr double kSmallestMm = 0.1;
  constexpr double kLargestMm = 1000.0;
  const auto is_side = [](double mm) { return mm >= kSmallestMm && mm <= kLargestMm; };
  const Result<std::pair<double, double>> size = parse_size_mm(text);
  if (size && is_side(size->first) && is_side(size->second)) {
    return lens::FilmBack{size->first, size->second};
  }
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("--film-back: '{}' is no size of 0.1 mm to 1 m a side; write WIDTHxHEIGHT "
                  "with a unit, such as 24.89x14mm",
                  text));
}

}  // namespace trueplate::cli

#include <fmt/format.h>

#include <algorithm>
#include <memory>
#include <span>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/base/counted.h"
#include "calib/base/csv_comment.h"
#include "calib/base/text.h"
#include "calib/calibrate/lens_from_lines.h"
#include "calib/footage/frame.h"
#include "calib/footage/frame_stream.h"
#include "charts/draw/line_picture.h"
#include "cli/commands/commands.h"
#include "cli/document_date.h"
#include "cli/footage_options.h"
#include "cli/frame_pictures.h"
#include "cli/help/spelling.h"
#include "cli/lens_options.h"
#include "cli/report/lines_page.h"
#include "cli/report/write_report.h"
#include "cli/version.h"

namespace trueplate::cli {
namespace {

struct Options {
  FrameArguments frames;
  LensOptions lens;
  std::string output;
  std::string lines;   // file; empty: not written
  std::string draw;    // folder; empty: no pictures
  std::string report;  // a page; empty: none
  std::string model = "auto";
  std::string centre = "free";
  int radial_terms = 0;
  bool keep_all = false;
};

std::vector<std::string> model_words() {
  std::vector<std::string> words = plate::line_models();
  words.insert(words.begin(), "auto");
  return words;
}

Result<Point2d> parse_centre(const std::string& text) {
  const std::vector<std::string_view> parts = split(text, ',');
  if (parts.size() == 2) {
    const std::optional<double> x = parse_number(parts[0]);
    const std::optional<double> y = parse_number(parts[1]);
    if (x && y) return Point2d(*x, *y);
  }
  return fail(ErrorCode::kInvalidInput,
              fmt::format("--centre: '{}' is neither free nor middle nor a place; write X,Y in "
                          "plate pixels, such as 961.5,538",
                          text));
}

Result<LensFromLinesOptions> lines_options(const Options& options) {
  LensFromLinesOptions result;
  result.labels = options.lens.labels;
  result.pixel_aspect = options.lens.pixel_aspect;
  result.squeeze = options.lens.squeeze;
  result.t_stop = options.lens.t_stop;
  result.program_version = kVersion;
  result.fit.model = options.model;
  result.fit.radial_terms = options.radial_terms;
  if (options.keep_all) result.fit.rejection = plate::LineRejection::kOff;
  if (options.radial_terms != 0 && options.model.starts_with("division")) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("--radial-terms: those of {} are in its name; leave the option out",
                            options.model));
  }
  if (options.centre != "free" && options.centre != "middle") {
    const Result<Point2d> centre = parse_centre(options.centre);
    if (!centre) return fail(centre.error());
    result.fit.centre_px = *centre;
  }
  const Result<LensLengths> lengths = lengths_of(options.lens);
  if (!lengths) return fail(lengths.error());
  result.film_back = lengths->film_back;
  result.nominal_focal_mm = lengths->focal_mm;
  result.focus_m = lengths->focus_m;
  return result;
}

nlohmann::json straightness_json(const std::optional<plate::Straightness>& straightness) {
  if (!straightness) return {};
  return {{"max", straightness->max_px}, {"rms", straightness->rms_px}};
}

nlohmann::json line_json(const plate::LineResult& line) {
  return {{"line", line.name},
          {"frame", line.frame},
          {"points", line.num_points},
          {"length_px", line.length_px},
          {"before_px", straightness_json(line.before)},
          {"after_px", straightness_json(line.after)},
          {"residual_rms_px",
           line.residual_rms_px ? nlohmann::json(*line.residual_rms_px) : nlohmann::json()},
          {"used", line.used},
          {"reason", line.reason}};
}

nlohmann::json apart_json(const std::optional<plate::MapsApart>& apart) {
  if (!apart) return {};
  return {{"rms", apart->rms_px}, {"max", apart->max_px}};
}

nlohmann::json trials_json(const std::vector<plate::LineTrial>& trials) {
  const auto number = [](const std::optional<double>& value) {
    return value ? nlohmann::json(*value) : nlohmann::json();
  };
  nlohmann::json result = nlohmann::json::array();
  for (const plate::LineTrial& trial : trials) {
    result.push_back({{"model", trial.model},
                      {"coefficients", trial.num_coefficients},
                      {"rms_px", number(trial.rms_px)},
                      {"held_out_rms_px", number(trial.held_out_rms_px)},
                      {"held_out_gain", trial.held_out_gain},
                      {"weight", trial.weight},
                      {"apart_px", apart_json(trial.apart)},
                      {"chosen", trial.chosen},
                      {"reason", trial.reason}});
  }
  return result;
}

nlohmann::json result_json(const LensFromLines& result) {
  const plate::LineFit& fit = result.fit;
  nlohmann::json coefficients = nlohmann::json::object();
  const auto names = lens::parameter_names(fit.lens.model);
  const auto values = lens::parameters(fit.lens.model);
  for (std::size_t i = 0; i < names.size(); ++i) coefficients[std::string(names[i])] = values[i];
  nlohmann::json sigma = nlohmann::json::object();
  for (std::size_t i = 0; i < fit.parameter_names.size(); ++i) {
    sigma[fit.parameter_names[i]] = fit.sigma[static_cast<Eigen::Index>(i)];
  }
  nlohmann::json lines = nlohmann::json::array();
  for (const plate::LineResult& line : fit.lines) lines.push_back(line_json(line));
  nlohmann::json frames = nlohmann::json::array();
  for (const profile::FootageItem& item : result.profile.provenance.footage) {
    frames.push_back({{"name", item.name},
                      {"points", item.points},
                      {"used", item.used},
                      {"reason", item.reason}});
  }
  const auto held_out = fit.held_out_rms_px;
  nlohmann::json edge_bend;
  if (fit.edge_bend) {
    edge_bend = {{"value", fit.edge_bend->value_px}, {"sigma", fit.edge_bend->sigma_px}};
  }
  const Window& coverage = fit.coverage;
  return {{"model", lens::model_name(fit.lens.model)},
          {"models", trials_json(fit.trials)},
          {"coefficients", coefficients},
          {"sigma", sigma},
          {"focal_px", {{"x", fit.lens.focal_px.x()}, {"y", fit.lens.focal_px.y()}}},
          {"principal_point_px",
           {{"x", fit.lens.principal_point_px.x()}, {"y", fit.lens.principal_point_px.y()}}},
          {"rms_px", fit.rms_px},
          {"held_out_rms_px", held_out ? nlohmann::json(*held_out) : nlohmann::json()},
          {"max_px", fit.max_px},
          {"p95_px", fit.p95_px},
          {"noise_px", fit.noise_px},
          {"structure_px", fit.structure_px},
          {"points", fit.num_points},
          {"independent_points", fit.independent_points},
          {"edge_bend_px", edge_bend},
          {"coverage",
           {{"x", coverage.x},
            {"y", coverage.y},
            {"width", coverage.width},
            {"height", coverage.height},
            {"reach", fit.reach}}},
          {"map_sigma_rms_px", fit.map_sigma_rms_px},
          {"map_sigma_max_px", fit.map_sigma_max_px},
          {"bend_sigma_rms_px", fit.bend_sigma_rms_px},
          {"bend_sigma_max_px", fit.bend_sigma_max_px},
          {"model_doubt_px", apart_json(fit.model_doubt)},
          {"lines", lines},
          {"frames", frames},
          {"warnings", warnings_json(fit.warnings)}};
}

/// The lines that were used, the most bent first, and why others were not, the longest first.
std::string lines_text_of(const plate::LineFit& fit) {
  constexpr std::size_t kMostShown = 12;
  std::vector<const plate::LineResult*> used;
  std::vector<const plate::LineResult*> left_out;
  for (const plate::LineResult& line : fit.lines) (line.used ? used : left_out).push_back(&line);
  const auto name = [](const plate::LineResult& line) {
    return plate::title_of({.name = line.name, .frame = line.frame, .points_px = {}});
  };
  std::stable_sort(used.begin(), used.end(), [](const auto* a, const auto* b) {
    return a->before.max_px > b->before.max_px;
  });
  std::stable_sort(left_out.begin(), left_out.end(), [](const auto* a, const auto* b) {
    return a->length_px > b->length_px;
  });
  std::string text = fmt::format("  {:<36} {:>9} {:>12}  {}\n", "line", "length px", "bend px", "");
  for (std::size_t i = 0; i < std::min(kMostShown, used.size()); ++i) {
    const plate::LineResult& line = *used[i];
    text += fmt::format("  {:<36} {:>9.0f} {:>12.2f}  straightened {}\n",
                        name(line),
                        line.length_px,
                        line.before.max_px,
                        line.after ? fmt::format("{:.2f}", line.after->max_px) : "not at all");
  }
  if (used.size() > kMostShown) {
    text += fmt::format("  ... {} more that bend less\n", used.size() - kMostShown);
  }
  for (std::size_t i = 0; i < std::min(kMostShown, left_out.size()); ++i) {
    text += fmt::format("  {:<36} {:>9.0f} {:>12.2f}  not used: {}\n",
                        name(*left_out[i]),
                        left_out[i]->length_px,
                        left_out[i]->before.max_px,
                        left_out[i]->reason);
  }
  if (left_out.size() > kMostShown) {
    text += fmt::format("  ... {} more not used; --json has all reasons\n",
                        left_out.size() - kMostShown);
  }
  return text;
}

std::string summary(const LensFromLines& result, const std::string& output) {
  const plate::LineFit& fit = result.fit;
  std::string text = lines_text_of(fit);
  for (const plate::LineTrial& trial : fit.trials) {
    text += fmt::format("  {:<30} rms {} px, held out {} px{}  {}\n",
                        trial.model,
                        trial.rms_px ? fmt::format("{:.4f}", *trial.rms_px) : "-",
                        trial.held_out_rms_px ? fmt::format("{:.4f}", *trial.held_out_rms_px) : "-",
                        trial.apart ? fmt::format(", {:.2f} px apart", trial.apart->rms_px) : "",
                        trial.chosen ? "chosen" : trial.reason);
  }
  text += fmt::format("{}: {} of {}, rms {:.4f} px over {}",
                      lens::model_name(fit.lens.model),
                      fit.num_lines,
                      counted(fit.lines.size(), "line"),
                      fit.rms_px,
                      counted(static_cast<std::size_t>(fit.num_points), "point"));
  if (fit.edge_bend) {
    text +=
        fmt::format("; a straight line along the frame's edge bends by {:.2f} px (sigma {:.2f})",
                    fit.edge_bend->value_px,
                    fit.edge_bend->sigma_px);
  }
  text += fmt::format(
      "\nstraight lines come out straight to {:.2f} px rms ({:.2f} at the worst place), one "
      "standard deviation, in pixels of the plate as shot; the map, with where its middle is, to "
      "{:.2f} px ({:.2f})\n-> {}\n",
      fit.bend_sigma_rms_px,
      fit.bend_sigma_max_px,
      fit.map_sigma_rms_px,
      fit.map_sigma_max_px,
      output);
  return text;
}

/// Reads the frames again and draws what became of their lines. Returns how many are missing.
int draw_pictures(const footage::FrameSet& frames,
                  const std::vector<LinesOfFrame>& found,
                  std::span<const plate::LineResult> results,
                  FramePictures& pictures) {
  footage::FrameStream stream(frames.frames);
  while (const auto item = stream.next({.threads = 1})) {
    const LinesOfFrame& lines = found[item->index];
    draw::LineScene scene{.name = lines.name, .reason = lines.error ? lines.error->message : ""};
    Result<footage::Luma> luma = fail(ErrorCode::kUnreadable, "");
    if (item->frame) luma = footage::luma(*item->frame, 1);
    if (luma) scene.luma = luma->pixels.view();
    for (const plate::LineResult& line : results) {
      if (line.frame != lines.name) continue;
      const std::optional<int> number = parse_int(line.name);
      draw::DrawnLine drawn{.name = line.name,
                            .points_px = lines.chains_px[static_cast<std::size_t>(*number - 1)],
                            .used = line.used,
                            .bend_px = line.before.max_px};
      if (luma) {
        for (Point2d& p : drawn.points_px) p -= luma->offset_px;
      }
      scene.lines.push_back(std::move(drawn));
    }
    pictures.write(item->index, draw::line_picture(scene));
  }
  return pictures.report_failures();
}

/// What became of lines that no lens could be fitted to.
std::vector<plate::LineResult> left_out(const plate::LineSet& lines) {
  std::vector<plate::LineResult> results;
  for (const plate::LineChain& chain : lines.chains) {
    plate::LineResult& result = results.emplace_back();
    result.name = chain.name;
    result.frame = chain.frame;
  }
  return results;
}

Result<void> write_page(const LensFromLines& result,
                        const plate::LineSet& lines,
                        const footage::FrameSet* frames,
                        const Options& options,
                        const CommonOptions& common) {
  if (options.report.empty()) return {};
  const Result<std::string> date = document_date("");
  if (!date) return fail(date.error());
  return write_report_file(
      lines_page(result, lines, frames, *date, common.threads), options.report, common);
}

/// `frames` is null where the lines came from a file.
int finish(const LensFromLines& result,
           const plate::LineSet& lines,
           const footage::FrameSet* frames,
           const Options& options,
           const CommonOptions& common) {
  if (Result<void> written =
          profile::write_profile(options.output, result.profile, common.overwrite_policy());
      !written) {
    return report_failure(written.error());
  }
  print(common, summary(result, options.output));
  if (Result<void> written = write_page(result, lines, frames, options, common); !written) {
    return report_failure(written.error());
  }
  report_warnings(result.fit.warnings, common);
  if (Result<void> written = write_json(common, result_json(result)); !written) {
    return report_failure(written.error());
  }
  return kDone;
}

/// The middle is known once the plate is.
void settle_centre(const Options& options, ImageSize plate, LensFromLinesOptions& lines_options) {
  if (options.centre != "middle") return;
  lines_options.fit.centre_px = Point2d(0.5 * plate.width, 0.5 * plate.height);
}

int from_frames(const Options& options,
                LensFromLinesOptions lines_options,
                const CommonOptions& common) {
  const Result<footage::FrameSet> frames =
      footage::resolve_frames(options.frames.arguments, options.frames.range);
  if (!frames) return report_frames(frames.error());
  if (Result<void> free =
          check_outputs({options.output, options.lines, options.report}, paths_of(*frames), common);
      !free) {
    return report_failure(free.error());
  }
  Result<FramePictures> pictures = FramePictures::plan(options.draw, *frames, common);
  if (!pictures) return report_failure(pictures.error());
  Result<std::vector<LinesOfFrame>> found = fail(ErrorCode::kInterrupted, "");
  {
    Progress progress(common, "find lines");
    FindLinesOptions find;
    find.threads = common.threads;
    find.progress = [&progress](int done, int total, const std::string& name) {
      progress.update(done, total, name);
    };
    find.interrupt = &interrupt_flag();
    found = find_lines(*frames, find);
  }
  if (!found) return report_failure(found.error());
  const Result<plate::LineSet> lines = lines_of(*found);
  bool partly = false;
  for (const LinesOfFrame& frame : *found) {
    if (!frame.error) continue;
    partly = true;
    // Of one alone the failure below says it.
    if (lines || found->size() > 1) report_frame_problem(frame.error->message);
  }
  if (!lines) return report_failure(lines.error());
  if (!options.lines.empty()) {
    const std::string text =
        with_comment(plate::lines_text(*lines), "program", fmt::format("trueplate {}", kVersion));
    if (Result<void> written = write_text_file(options.lines, text, common.overwrite_policy());
        !written) {
      return report_failure(written.error());
    }
  }
  settle_centre(options, lines->plate_size, lines_options);
  const Result<LensFromLines> result = lens_from_lines(*found, *lines, lines_options);
  if (!result) {
    // The lines without a lens: a look at them tells why.
    if (pictures->wanted()) draw_pictures(*frames, *found, left_out(*lines), *pictures);
    return report_failure(result.error());
  }
  if (pictures->wanted() && draw_pictures(*frames, *found, result->fit.lines, *pictures) > 0) {
    partly = true;
  }
  const int status = finish(*result, *lines, &*frames, options, common);
  return status == kDone && partly ? kPartly : status;
}

int from_file(const Options& options,
              LensFromLinesOptions lines_options,
              const CommonOptions& common) {
  if (!options.draw.empty() || !options.lines.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         fmt::format("{} is for lines found in frames, and the input is a file of "
                                     "lines",
                                     options.draw.empty() ? "--lines" : "--draw")});
  }
  if (!options.frames.range.empty()) {
    return report_usage({ErrorCode::kInvalidInput,
                         "--frames picks from a sequence of frames, and the input is a file of "
                         "lines; leave it out"});
  }
  const std::string& path = options.frames.arguments.front();
  if (Result<void> free = check_outputs({options.output, options.report}, {path}, common); !free) {
    return report_failure(free.error());
  }
  const Result<plate::LineSet> lines = plate::read_lines(path);
  if (!lines) return report_failure(lines.error());
  settle_centre(options, lines->plate_size, lines_options);
  const Result<LensFromLines> result =
      lens_from_lines(std::filesystem::path(path), *lines, lines_options);
  if (!result) return report_failure(result.error());
  return finish(*result, *lines, nullptr, options, common);
}

int run(const Options& options, const CommonOptions& common) {
  if (Result<void> named = check_report_option(options.report); !named) {
    return report_usage(named.error());
  }
  const Result<LensFromLinesOptions> lines = lines_options(options);
  if (!lines) return report_usage(lines.error());
  const bool is_file =
      options.frames.arguments.size() == 1 &&
      std::filesystem::path(options.frames.arguments.front()).extension() == ".csv";
  return is_file ? from_file(options, *lines, common) : from_frames(options, *lines, common);
}

}  // namespace

Action add_lines(CLI::App& app) {
  auto options = std::make_shared<Options>();
  add_frames(app, options->frames, "plates (files, folders, globs, patterns) or a file of lines");
  app.add_option("-o,--output", options->output, "the lens profile")->required()->type_name("FILE");
  one_of(app.add_option("--model", options->model, "lens model"), model_words())
      ->capture_default_str();
  app.add_option("--radial-terms",
                 options->radial_terms,
                 "of radial-tangential, fit 1 (k1) or 2 (k1, k2); 0: chosen")
      ->check(CLI::Range(0, 2))
      ->capture_default_str()
      ->type_name("N");
  app.add_option("--centre",
                 options->centre,
                 "distortion centre: free is near the middle; or in plate pixels")
      ->capture_default_str()
      ->type_name("free|middle|X,Y");
  add_lens_options(
      app, options->lens, "focal length, believed: lines cannot tell it; needs --film-back");
  app.add_flag("--keep-all", options->keep_all, "take every line for straight in the world");
  app.add_option("--lines", options->lines, "write the lines that were found, a CSV file")
      ->type_name("FILE");
  app.add_option("--draw", options->draw, "write a picture of each frame with its lines, PNG")
      ->type_name("FOLDER");
  add_report_option(app, options->report);
  return [options](const CommonOptions& common) { return run(*options, common); };
}

}  // namespace trueplate::cli

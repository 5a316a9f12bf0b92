#include "calib/fit/model_choice.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <mutex>
#include <span>
#include <utility>

#include "calib/base/interrupt.h"
#include "calib/base/parallel.h"
#include "calib/fit/detail/first_look.h"
#include "calib/fit/detail/kernel.h"
#include "calib/fit/detail/used_corners.h"
#include "calib/lens/model.h"

namespace trueplate::fit {
namespace {

// A fit with this share of the most corners any fit kept is as good a judge of what is a corner.
constexpr double kNearlyAllCorners = 0.995;
constexpr std::size_t kMinJudgedFrames = 4;
// A lens that is right where there are points is worth more than one that is wrong there, though it
// has to be kept from folding beyond.
constexpr double kWorthFolding = 1.2;
// Share of the residuals' variance (LensFit::systematic_share), or of the corners, that is no
// accident.
constexpr double kLeftOver = 0.05;

// A model of very many coefficients that leaves this share of the best formula's residuals, or
// more, would not win.
constexpr double kHardlyLess = 0.95;

// So many models look for the print's shape.
constexpr std::size_t kShapeFinders = 2;

// A formula that leaves so many times the residuals of the best is given up.
constexpr double kHopeless = 3.0;

struct Trial {
  ModelTrial shown;
  std::optional<LensFit> fit;  // to the common corners
  double bic = std::numeric_limits<double>::infinity();
  bool folds = false;  // and had to be kept from it
};

FitOptions with_model(const FitOptions& options, std::string_view model) {
  FitOptions result = options;
  result.model = model;
  return result;
}

FitOptions with_chosen(const FitOptions& options, std::string_view model) {
  FitOptions result = with_model(options, model);
  result.model_was_chosen = true;
  return result;
}

FitOptions with_shape(const FitOptions& options, const ChartFit& chart) {
  FitOptions result = options;
  take_shape(chart, result);
  return result;
}

bool same_shape(const ChartFit& a, const ChartFit& b) {
  return shape_found(a) == shape_found(b) && a.bend_degree == b.bend_degree;
}

/// The fits that kept nearly as many corners as any, the one that leaves least first.
std::vector<const LensFit*> judges(const std::vector<Result<LensFit>>& fits) {
  int most = 0;
  for (const Result<LensFit>& fit : fits) {
    if (fit) most = std::max(most, fit->num_points);
  }
  std::vector<const LensFit*> result;
  for (const Result<LensFit>& fit : fits) {
    if (fit && fit->num_points >= kNearlyAllCorners * most) result.push_back(&*fit);
  }
  std::stable_sort(result.begin(), result.end(), [](const LensFit* a, const LensFit* b) {
    return a->rms_px < b->rms_px;
  });
  return result;
}

/// See fit_best_model(); null when none fits.
const LensFit* best_judge(const std::vector<Result<LensFit>>& fits) {
  const std::vector<const LensFit*> all = judges(fits);
  return all.empty() ? nullptr : all.front();
}

/// Runs body(i, options) for i = 0 .. count, several at once; each gets one thread of its own then.
template <class Body>
void one_a_thread(std::size_t count, const FitOptions& options, const Body& body) {
  FitOptions own = options;
  if (resolve_threads(options.threads) > 1) own.threads = 1;
  parallel_rows(static_cast<int>(count), options.threads, [&](int begin, int end) {
    for (int i = begin; i < end; ++i) body(static_cast<std::size_t>(i), own);
  });
}

/// Why a model of very many coefficients, which takes its time, is not worth a try: the best of the
/// formulas meets all corners and leaves next to no pattern. nullopt where it is worth one, and
/// where nobody can tell.
std::optional<std::string> not_worth_a_try(const std::vector<Result<LensFit>>& fits,
                                           const std::vector<target::View>& views) {
  const LensFit* judge = best_judge(fits);
  if (judge == nullptr || !judge->systematic_share) return std::nullopt;
  std::size_t num_corners = 0;
  for (const target::View& view : views) num_corners += view.corners.size();
  const double left_out = 1.0 - judge->num_points / static_cast<double>(num_corners);
  if (*judge->systematic_share > kLeftOver || left_out > kLeftOver) return std::nullopt;
  return fmt::format(
      "not tried: {} leaves out {:.1f} % of the corners, and in the others a pattern of "
      "{:.1f} % of the residuals' variance; a field is tried above {:.0f} % of either",
      lens::model_name(judge->lens.model),
      100.0 * left_out,
      100.0 * std::max(0.0, *judge->systematic_share),
      100.0 * kLeftOver);
}

/// Why such a model is not worth being judged on frames held out, which takes most of the time: it
/// hardly fits better than the best of the formulas, to no more corners. nullopt where it does.
std::optional<std::string> not_worth_judging(const LensFit& field,
                                             const std::vector<Result<LensFit>>& fits) {
  const LensFit* best = best_judge(fits);
  if (best == nullptr || kNearlyAllCorners * field.num_points > best->num_points ||
      field.rms_px < kHardlyLess * best->rms_px) {
    return std::nullopt;
  }
  return fmt::format("given up: it leaves {:.4f} px, {} {:.4f} px",
                     field.rms_px,
                     lens::model_name(best->lens.model),
                     best->rms_px);
}

using Models = std::vector<const lens::ModelInfo*>;

/// Counts the models that are done in one stage.
class Stage {
 public:
  Stage(const ModelProgress& progress, std::string_view words, std::size_t total)
      : progress_(progress), words_(words), total_(static_cast<int>(total)) {
    if (progress_) progress_(words_, 0, total_, "");
  }
  void done(std::string_view model) {
    const std::lock_guard lock(mutex_);
    if (progress_) progress_(words_, ++done_, total_, model);
  }

 private:
  const ModelProgress& progress_;
  std::string_view words_;
  std::mutex mutex_;
  int done_ = 0;
  int total_ = 0;
};

bool is_formula(const lens::ModelInfo& model) {
  return detail::find_kernel(model.name)->make_prior == nullptr;
}

/// For each model why it is not worth a whole fit; empty: it is. A first look of each formula
/// tells: one that leaves kHopeless times the residuals of the best cannot meet held-out frames
/// better.
std::vector<std::string> hopeless_ones(const Models& models,
                                       const std::vector<target::View>& views,
                                       const FitOptions& options) {
  std::vector<Result<LensFit>> looks(models.size(), fail(ErrorCode::kUndetermined, ""));
  one_a_thread(models.size(), options, [&](std::size_t i, const FitOptions& own) {
    if (is_formula(*models[i])) looks[i] = detail::first_look(models[i]->name, views, own);
  });
  std::vector<std::string> reasons(models.size());
  const LensFit* best = best_judge(looks);
  if (best == nullptr) return reasons;
  for (std::size_t i = 0; i < models.size(); ++i) {
    if (!looks[i] || !(looks[i]->rms_px > kHopeless * best->rms_px)) continue;
    reasons[i] = fmt::format("given up after a first look: it leaves {:.3f} px, {} {:.3f} px",
                             looks[i]->rms_px,
                             lens::model_name(best->lens.model),
                             best->rms_px);
  }
  return reasons;
}

/// Each model's own fit, with what it rejects and makes of the print. Models of very many
/// coefficients come after the formulas, and only where those leave something.
std::vector<Result<LensFit>> fit_each(const Models& models,
                                      const std::vector<target::View>& views,
                                      const FitOptions& options,
                                      const ModelProgress& progress) {
  FitOptions quick = options;
  quick.held_out_folds = 0;
  Stage stage(progress, "fit models", models.size());
  const std::vector<std::string> hopeless = hopeless_ones(models, views, options);
  std::vector<Result<LensFit>> fits(models.size(), fail(ErrorCode::kUndetermined, ""));
  one_a_thread(models.size(), quick, [&](std::size_t i, const FitOptions& own) {
    if (!is_formula(*models[i])) return;
    fits[i] = hopeless[i].empty() ? fit_lens(views, with_model(own, models[i]->name))
                                  : Result<LensFit>(fail(ErrorCode::kUndetermined, hopeless[i]));
    stage.done(models[i]->name);
  });
  for (std::size_t i = 0; i < models.size(); ++i) {
    if (is_formula(*models[i])) continue;
    std::optional<std::string> reason = not_worth_a_try(fits, views);
    if (!reason) {
      Result<LensFit> field = fit_lens(views, with_model(quick, models[i]->name));
      if (field) reason = not_worth_judging(*field, fits);
      if (!reason) fits[i] = std::move(field);
    }
    if (reason) fits[i] = fail(ErrorCode::kUndetermined, *reason);
    stage.done(models[i]->name);
  }
  return fits;
}

std::string folds_back(const Trial& trial) {
  return fmt::format(
      "left to itself it folds back inside the frame (it can be inverted in {:.1f} % of it)",
      100.0 * trial.fit->fold->invertible_share);
}

Trial judged(const std::vector<target::View>& views, const FitOptions& options) {
  Trial trial;
  Result<LensFit> fit = fit_lens(views, options);
  if (!fit) {
    trial.shown.reason = fit.error().message;
    return trial;
  }
  const double num_values = 2.0 * fit->num_points;
  const double variance =
      std::max(fit->rms_px * fit->rms_px / 2.0, std::numeric_limits<double>::min());
  trial.bic = num_values * std::log(variance) + fit->num_effective * std::log(num_values);
  trial.folds = fit->fold.has_value();
  trial.shown.rms_px = fit->rms_px;
  trial.shown.held_out_rms_px = fit->held_out_rms_px;
  trial.fit = *std::move(fit);
  if (trial.folds && !trial.fit->fold->held) {
    trial.shown.reason = folds_back(trial) + ", and nothing holds it";
    trial.fit.reset();
  }
  return trial;
}

/// By how many standard errors `complex` meets held-out frames better than `simple`; nullopt when
/// too few frames were judged by both. Frames are compared by the logarithm of the ratio of their
/// squares: a model that is far off in a few frames must not hide behind the scatter it causes.
std::optional<double> held_out_gain(const LensFit& simple, const LensFit& complex) {
  std::vector<double> gains;
  for (std::size_t i = 0; i < simple.frames.size(); ++i) {
    const double gain =
        std::log(simple.frames[i].held_out_squares_px2 / complex.frames[i].held_out_squares_px2);
    if (std::isfinite(gain)) gains.push_back(gain);
  }
  if (gains.size() < kMinJudgedFrames) return std::nullopt;
  const auto count = static_cast<double>(gains.size());
  double mean = 0.0;
  for (const double gain : gains) mean += gain / count;
  double variance = 0.0;
  for (const double gain : gains) variance += (gain - mean) * (gain - mean) / (count - 1.0);
  const double error = std::sqrt(variance / count);
  if (!(error > 0.0)) return 0.0;
  return mean / error;
}

/// How far held-out frames are met, or where none were the fitted ones.
double error_px(const Trial& trial, bool held_out) {
  return held_out ? *trial.shown.held_out_rms_px : *trial.shown.rms_px;
}

/// Whether a lens that folds unless it is held does not take part: one of no more coefficients does
/// not fold, and meets frames about as well.
bool out_for_folding(const Trial& trial, const std::vector<Trial>& trials) {
  if (!trial.fit || !trial.folds) return false;
  return std::any_of(trials.begin(), trials.end(), [&](const Trial& other) {
    if (!other.fit || other.folds || other.shown.num_coefficients > trial.shown.num_coefficients) {
      return false;
    }
    const bool held_out = trial.shown.held_out_rms_px && other.shown.held_out_rms_px;
    return error_px(other, held_out) <= kWorthFolding * error_px(trial, held_out);
  });
}

/// What speaks for `other` in the place of `trial`.
struct Comparison {
  double bic_gain = 0.0;
  std::optional<double> held_out_gain;  // nullopt where too few frames were judged

  [[nodiscard]] bool better() const {
    return bic_gain >= kMinBicGain && (!held_out_gain || *held_out_gain >= kMinHeldOutGain);
  }
};

Comparison compare(const Trial& trial, const Trial& other) {
  return {.bic_gain = trial.bic - other.bic,
          .held_out_gain = held_out_gain(*trial.fit, *other.fit)};
}

std::string why_beaten(const Trial& by, const Comparison& won) {
  return won.held_out_gain
             ? fmt::format("{} meets frames held out better, by {:.1f} standard errors",
                           by.shown.model,
                           *won.held_out_gain)
             : fmt::format(
                   "the information criterion prefers {}, by {:.0f}", by.shown.model, won.bic_gain);
}

std::string why_no_gain(const Trial& chosen, const Comparison& over_chosen) {
  if (over_chosen.held_out_gain && !(*over_chosen.held_out_gain >= kMinHeldOutGain)) {
    return fmt::format(
        "no significant gain on frames held out over {} ({:.1f} standard errors, need {:.0f})",
        chosen.shown.model,
        *over_chosen.held_out_gain,
        kMinHeldOutGain);
  }
  return fmt::format("the information criterion prefers {} (by {:.0f}; a gain of {:.0f} is needed)",
                     chosen.shown.model,
                     -over_chosen.bic_gain,
                     kMinBicGain);
}

/// The first trial that beats `trial`; null when none does.
const Trial* winner_over(const Trial& trial, const std::vector<Trial>& trials) {
  for (const Trial& other : trials) {
    if (other.fit && &other != &trial && compare(trial, other).better()) return &other;
  }
  return nullptr;
}

/// The index of the model chosen, the first that no other beats; trials.size() when none fits. To
/// beat lowers the information criterion, so there is one that is not beaten.
std::size_t choose(std::vector<Trial>& trials) {
  for (Trial& trial : trials) {
    if (!out_for_folding(trial, trials)) continue;
    trial.shown.reason = folds_back(trial);
    trial.fit.reset();
  }
  std::size_t chosen = trials.size();
  for (std::size_t i = 0; i < trials.size() && chosen == trials.size(); ++i) {
    if (trials[i].fit && winner_over(trials[i], trials) == nullptr) chosen = i;
  }
  if (chosen == trials.size()) return chosen;
  for (Trial& trial : trials) {
    if (!trial.fit || &trial == &trials[chosen]) continue;
    const Comparison over_chosen = compare(trials[chosen], trial);
    trial.shown.held_out_gain = over_chosen.held_out_gain.value_or(0.0);
    const Comparison by_chosen = compare(trial, trials[chosen]);
    const Trial* winner = by_chosen.better() ? &trials[chosen] : winner_over(trial, trials);
    trial.shown.reason = winner != nullptr ? why_beaten(*winner, compare(trial, *winner))
                                           : why_no_gain(trials[chosen], over_chosen);
  }
  return chosen;
}

/// The fits of all models with the print as they see it, and what they take it for.
struct Candidates {
  std::vector<Result<LensFit>> fits;
  FitOptions options;             // with the print's shape that they share
  std::optional<ChartFit> chart;  // what the print was tested with; nullopt where it was not
};

/// The models that leave least, of those that need not fold for it: the first few of them.
std::vector<std::string_view> closest_models(const std::vector<Result<LensFit>>& fits,
                                             std::size_t count) {
  std::vector<std::string_view> names;
  for (const LensFit* fit : judges(fits)) {
    const bool folds = fit->fold && !fit->fold->held;
    if (!folds && names.size() < count) names.push_back(lens::model_name(fit->lens.model));
  }
  return names;
}

/// Where the print's shape is to be found, the models that leave least look for it, and what leaves
/// least then is the shape for all: their residuals are the least of the lens, and a model must win
/// by the lens and not by the print.
Candidates fit_candidates(const Models& models,
                          const std::vector<target::View>& views,
                          const FitOptions& options,
                          const ModelProgress& progress) {
  const bool is_sought = options.chart_shape == ChartShape::kAuto;
  const FitOptions own = is_sought ? with_shape(options, ChartFit{}) : options;
  Candidates result{.fits = fit_each(models, views, own, progress), .options = own, .chart = {}};
  if (!is_sought) return result;
  const std::vector<std::string_view> closest = closest_models(result.fits, kShapeFinders);
  std::vector<Result<LensFit>> found(closest.size(), fail(ErrorCode::kUndetermined, ""));
  FitOptions tested = options;
  tested.held_out_folds = 0;
  Stage stage(progress, "look for the print's shape", closest.size());
  one_a_thread(closest.size(), tested, [&](std::size_t i, const FitOptions& each) {
    found[i] = fit_lens(views, with_model(each, closest[i]));
    stage.done(closest[i]);
  });
  const LensFit* finder = best_judge(found);
  if (finder == nullptr) return result;
  result.chart = finder->chart;
  if (finder->chart.as_described()) return result;
  result.options = with_shape(options, finder->chart);
  result.fits = fit_each(models, views, result.options, progress);
  return result;
}

}  // namespace

Result<ModelChoice> fit_best_model(const std::vector<target::View>& views,
                                   const FitOptions& options,
                                   const ModelProgress& progress) {
  const std::span<const lens::ModelInfo> table = lens::model_table();
  Models models;
  models.reserve(table.size());
  for (const lens::ModelInfo& model : table) models.push_back(&model);
  // The default model stays first.
  std::stable_sort(models.begin() + 1, models.end(), [](const auto* a, const auto* b) {
    return a->parameter_names.size() < b->parameter_names.size();
  });

  const Candidates candidates = fit_candidates(models, views, options, progress);
  const std::vector<Result<LensFit>>& fits = candidates.fits;
  const LensFit* judge = best_judge(fits);
  if (is_interrupted(options.interrupt)) return interruption();
  if (judge == nullptr) return fail(fits.front().error());
  const std::vector<target::View> common = detail::used_corners(views, *judge);

  std::vector<Trial> trials(models.size());
  FitOptions exact = candidates.options;
  exact.rejection = Rejection::kOff;
  Stage judging(progress,
                options.held_out_folds > 0 ? "judge models on held-out frames" : "judge models",
                models.size());
  one_a_thread(models.size(), exact, [&](std::size_t i, const FitOptions& own) {
    if (fits[i]) {
      trials[i] = judged(common, with_model(own, models[i]->name));
    } else {
      trials[i].shown.reason = fits[i].error().message;
    }
    trials[i].shown.model = models[i]->name;
    trials[i].shown.num_coefficients = static_cast<int>(models[i]->parameter_names.size());
    judging.done(models[i]->name);
  });
  if (is_interrupted(options.interrupt)) return interruption();
  const std::size_t chosen = choose(trials);
  if (chosen == trials.size()) return fail(ErrorCode::kUndetermined, trials.front().shown.reason);
  trials[chosen].shown.chosen = true;
  trials[chosen].shown.reason.clear();

  const std::string& model = trials[chosen].shown.model;
  Stage last(progress, "fit the model chosen", 1);
  Result<LensFit> fit = fit_lens(views, with_chosen(options, model));
  if (fit && candidates.chart && !same_shape(fit->chart, *candidates.chart)) {
    // What the others found of the print may be more than this model finds alone.
    Result<LensFit> as_others = fit_lens(views, with_chosen(candidates.options, model));
    if (as_others && !as_others->chart.as_described() && as_others->rms_px < fit->rms_px) {
      fit = std::move(as_others);
      fit->chart.tests = candidates.chart->tests;
      fit->chart.reason = candidates.chart->reason;
    }
  }
  if (!fit) return fail(fit.error());
  last.done(model);
  ModelChoice choice{*std::move(fit), {}};
  double smallest = std::numeric_limits<double>::infinity();
  for (const Trial& trial : trials) {
    if (trial.fit) smallest = std::min(smallest, trial.bic);
  }
  for (Trial& trial : trials) {
    if (trial.fit) trial.shown.bic_excess = trial.bic - smallest;
    choice.trials.push_back(std::move(trial.shown));
  }
  return choice;
}

}  // namespace trueplate::fit

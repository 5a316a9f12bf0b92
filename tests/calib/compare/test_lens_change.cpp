// Whether two calibrations are of one state of a lens. The judge is simulation: shoots of lenses
// that did and did not change, fitted as the program fits them. A few pairs each here;
// TRUEPLATE_CHANGE_PAIRS=400 makes the table of docs/compare.md.

#include "calib/compare/lens_change.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <string>
#include <vector>

#include "calib/fit/fit.h"
#include "tests/calib/fit/synthetic.h"

using namespace trueplate;
using compare::ChangeVerdict;
using compare::lens_change;
using compare::LensChange;

namespace {

/// One shoot of a lens, fitted.
profile::Station station_of(const lens::Lens& truth,
                            const tests::SyntheticOptions& shoot,
                            const std::string& model = "radial-tangential") {
  const auto fitted = fit::fit_lens(tests::synthetic_views(truth, shoot).views,
                                    {.model = model, .held_out_folds = 0, .threads = 1});
  REQUIRE_MESSAGE(fitted.has_value(), (fitted ? "" : fitted.error().message));
  profile::Station station;
  station.lens = fitted->lens;
  station.uncertainty = profile::Uncertainty{fitted->parameter_names, fitted->covariance};
  profile::Quality quality;
  if (fitted->misfit) quality.map_misfit_rms_px = fitted->misfit->rms_px;
  station.quality = quality;
  return station;
}

/// A station that states its lens and standard deviations, without a fit.
profile::Station stated(const lens::Lens& lens, double scale) {
  profile::Station station;
  station.lens = lens;
  const auto names = profile::station_parameter_names(lens);
  Eigen::VectorXd sigma(static_cast<Eigen::Index>(names.size()));
  sigma << 0.5, 0.5, 0.5, 0.5, 1e-3, 3e-3, 3e-3, 1e-4, 1e-4;
  station.uncertainty =
      profile::Uncertainty{names, (scale * sigma).array().square().matrix().asDiagonal()};
  return station;
}

LensChange change_of(const profile::Station& a, const profile::Station& b) {
  const Result<LensChange> change = lens_change(a, b);
  REQUIRE_MESSAGE(change.has_value(), (change ? "" : change.error().message));
  return *change;
}

/// The lens with k1 (or p1) changed until the fields lie `px` apart, root mean square, after turn
/// and focal length.
lens::Lens changed_by(const lens::Lens& lens, double px, std::size_t coefficient) {
  const auto with = [&](double amount) {
    const auto before = lens::parameters(lens.model);
    std::vector<double> values(before.begin(), before.end());
    values[coefficient] += amount;
    lens::Lens other = lens;
    other.model = *lens::make_model(lens::model_name(lens.model), values);
    return other;
  };
  constexpr double kProbe = 1e-4;
  const double per_probe = change_of(stated(lens, 0.0), stated(with(kProbe), 0.0)).after.rms_px;
  return with(kProbe * px / per_probe);
}

int num_pairs(int otherwise) {
  const char* text = std::getenv("TRUEPLATE_CHANGE_PAIRS");
  return text != nullptr ? std::max(1, std::atoi(text)) : otherwise;
}

struct Rates {
  double changed = 0.0;
  double too_uncertain = 0.0;
  double mean_detectable_px = 0.0;
};
Rates rates_of(const lens::Lens& before,
               const lens::Lens& after,
               const tests::SyntheticOptions& shoot,
               const std::string& second_model,
               int pairs) {
  Rates rates;
  for (int n = 0; n < pairs; ++n) {
    tests::SyntheticOptions one = shoot;
    one.seed = 21000U + 2U * static_cast<unsigned>(n);
    tests::SyntheticOptions two = shoot;
    two.seed = one.seed + 1U;
    const LensChange change =
        change_of(station_of(before, one), station_of(after, two, second_model));
    rates.changed += change.verdict == ChangeVerdict::kChanged ? 1.0 / pairs : 0.0;
    rates.too_uncertain += change.verdict == ChangeVerdict::kTooUncertain ? 1.0 / pairs : 0.0;
    rates.mean_detectable_px += change.detectable_rms_px / pairs;
  }
  return rates;
}

void report(const char* what, int pairs, const Rates& rates) {
  MESSAGE(
      fmt::format("{}: {} pairs, changed {:.1f} %, too uncertain {:.1f} %, detectable {:.3f} px",
                  what,
                  pairs,
                  100.0 * rates.changed,
                  100.0 * rates.too_uncertain,
                  rates.mean_detectable_px));
}

}  // namespace

TEST_CASE("one lens twice: no difference; a turn and another focal length are absorbed") {
  const lens::Lens lens = tests::synthetic_lens();
  const LensChange same = change_of(stated(lens, 1e-2), stated(lens, 1e-2));
  CHECK(same.before.rms_px < 1e-9);
  CHECK(same.verdict == ChangeVerdict::kNotDistinguishable);
  lens::Lens longer = lens;
  longer.focal_px *= 1.01;
  const LensChange absorbed = change_of(stated(lens, 1e-2), stated(longer, 1e-2));
  CHECK(absorbed.before.rms_px > 3.0);
  // Enlarging after the lens is not quite what enlarging before it is: the ratio makes up for it
  // but for the distortion, about 1 % of which remains.
  CHECK(absorbed.after.rms_px < 0.1 * absorbed.before.rms_px);
  CHECK(absorbed.focal_ratio < 1.0);
}

TEST_CASE("the same lens on a plate of half the size is the same lens") {
  const lens::Lens lens = tests::synthetic_lens();
  const lens::Lens half = lens::scaled_to(lens, {960, 540});
  const LensChange change = change_of(stated(lens, 1e-2), stated(half, 1e-2));
  CHECK(change.after.rms_px < 1e-9);
  const lens::Lens other_shape = lens::scaled_to(lens, {960, 960});
  CHECK_FALSE(lens_change(stated(lens, 1.0), stated(other_shape, 1.0)).has_value());
}

TEST_CASE("the three verdicts, and a calibration that does not say how certain it is") {
  const lens::Lens lens = tests::synthetic_lens();
  const lens::Lens other = changed_by(lens, 0.5, 0);
  const LensChange changed = change_of(stated(lens, 0.05), stated(other, 0.05));
  CHECK(changed.verdict == ChangeVerdict::kChanged);
  CHECK(changed.after.rms_px == doctest::Approx(0.5).epsilon(0.02));
  CHECK(compare::verdict_text(changed).starts_with("changed: 0."));
  CHECK(compare::verdict_text(changed).find('\n') == std::string::npos);
  const LensChange unsure = change_of(stated(lens, 5.0), stated(other, 5.0));
  CHECK(unsure.verdict == ChangeVerdict::kTooUncertain);
  CHECK(unsure.detectable_rms_px > compare::kChangeThatMattersPx);
  // The same, where only larger changes matter.
  const auto lenient = lens_change(stated(lens, 5.0), stated(other, 5.0), {.matters_px = 1e3});
  REQUIRE(lenient);
  CHECK(lenient->verdict == ChangeVerdict::kNotDistinguishable);
  profile::Station silent = stated(other, 1.0);
  silent.uncertainty.reset();
  const LensChange unknown = change_of(stated(lens, 1.0), silent);
  CHECK(unknown.verdict == ChangeVerdict::kTooUncertain);
  CHECK_FALSE(unknown.has_uncertainty);
  CHECK(compare::verdict_text(unknown).starts_with("too uncertain to say"));
}

// By the definitions alone: p against 0.01, and one root mean square against the other.
TEST_CASE("where p and the sizes seem to contradict each other a sentence says why") {
  LensChange change;
  change.has_uncertainty = true;
  change.explained_rms_px = 1.0;
  for (const double rms_px : {0.5, 2.0}) {
    for (const ChangeVerdict verdict : {ChangeVerdict::kChanged,
                                        ChangeVerdict::kNotDistinguishable,
                                        ChangeVerdict::kTooUncertain}) {
      change.after.rms_px = rms_px;
      change.verdict = verdict;
      const bool changed = verdict == ChangeVerdict::kChanged;
      CHECK(compare::chance_and_size_text(change).empty() == (changed == (rms_px > 1.0)));
    }
  }
  change.has_uncertainty = false;
  CHECK(compare::chance_and_size_text(change).empty());
}

// By the definitions alone.
TEST_CASE("each verdict comes with what to do about it") {
  LensChange change;
  change.before = {.rms_px = 0.4, .max_px = 1.0};
  change.after = {.rms_px = 0.2, .max_px = 0.5};
  CHECK(compare::advice_text(change).starts_with("calibrate from the footage again"));
  change.has_uncertainty = true;
  change.verdict = ChangeVerdict::kTooUncertain;
  CHECK(compare::advice_text(change).starts_with("shoot more frames"));
  change.verdict = ChangeVerdict::kNotDistinguishable;
  CHECK(compare::advice_text(change).starts_with("use either"));
  change.verdict = ChangeVerdict::kChanged;
  CHECK(compare::advice_text(change).find("less than 0.3 px") != std::string::npos);
  CHECK(compare::advice_text(change, {.matters_px = 0.1}).starts_with("use the one shot nearer"));
  // Whatever the verdict, two maps that do the same are interchangeable.
  change.after.max_px = 0.009;
  CHECK(compare::advice_text(change).find("0.01 px apart") != std::string::npos);
  change.before = {};
  CHECK(compare::advice_text(change).find("the same calibration") != std::string::npos);
}

TEST_CASE("what a model is known not to follow is no change") {
  const lens::Lens lens = tests::synthetic_lens();
  const lens::Lens other = changed_by(lens, 0.1, 0);
  profile::Station a = stated(lens, 0.01);
  profile::Station b = stated(other, 0.01);
  CHECK(change_of(a, b).verdict == ChangeVerdict::kChanged);
  a.quality.emplace().map_misfit_rms_px = 0.1;
  CHECK(change_of(a, b).verdict != ChangeVerdict::kChanged);
}

TEST_CASE("false alarms and power by simulated shoots") {
  const lens::Lens lens = tests::synthetic_lens();
  const tests::SyntheticOptions shoot{.num_views = 10, .noise_px = 0.15};
  const int pairs = num_pairs(12);
  const bool many = pairs >= 100;
  const Rates same = rates_of(lens, lens, shoot, "radial-tangential", pairs);
  report("nothing changed, 10 views", pairs, same);
  // 1 %, and three standard deviations of the count.
  CHECK(same.changed <= 0.01 + 3.0 * std::sqrt(0.01 / pairs) + 1e-9);
  const Rates other_model = rates_of(lens, lens, shoot, "rational", pairs);
  report("nothing changed, the second fitted as rational", pairs, other_model);
  CHECK(other_model.changed <= 0.01 + 3.0 * std::sqrt(0.01 / pairs) + 1e-9);
  const Rates strong = rates_of(lens, changed_by(lens, 0.5, 0), shoot, "radial-tangential", pairs);
  report("k1 changed, 0.5 px", pairs, strong);
  CHECK(strong.changed > 0.9);
  if (!many) return;
  tests::SyntheticOptions more = shoot;
  more.num_views = 20;
  report(
      "nothing changed, 20 views", pairs, rates_of(lens, lens, more, "radial-tangential", pairs));
  tests::SyntheticOptions noisy = shoot;
  noisy.noise_px = 0.5;
  report("nothing changed, 10 views, noise 0.5 px",
         pairs,
         rates_of(lens, lens, noisy, "radial-tangential", pairs));
  for (const double px : {0.05, 0.1, 0.2, 0.3}) {
    report(fmt::format("k1 changed, {} px", px).c_str(),
           pairs,
           rates_of(lens, changed_by(lens, px, 0), shoot, "radial-tangential", pairs));
    report(fmt::format("p1 changed (a knock), {} px", px).c_str(),
           pairs,
           rates_of(lens, changed_by(lens, px, 3), shoot, "radial-tangential", pairs));
  }
  lens::Lens other_body = lens;
  other_body.principal_point_px += Point2d(6.0, -4.0);
  report("another body: principal point off by 7 px",
         pairs,
         rates_of(lens, other_body, shoot, "radial-tangential", pairs));
}

#include <algorithm>
#include <array>
#include <span>

#include "calib/fit/detail/kernel_table.h"
#include "calib/fit/detail/kernel_template.h"
#include "calib/lens/anamorphic.h"

namespace trueplate::fit::detail {
namespace {

// Where the polynomials of x and y agree, phi turns nothing; far beyond any data, nothing holds the
// highest terms.
constexpr double kWeightPx = 0.02;
constexpr auto kPullPx = [] {
  std::array<double, lens::Anamorphic6::kNumParameters> weights{};
  weights.fill(kWeightPx);
  return weights;
}();

void grown(const double* degree_4, double* degree_6) {
  constexpr int kFew = lens::AnamorphicFormula<4>::kNumTerms;
  constexpr int kMany = lens::AnamorphicFormula<6>::kNumTerms;
  std::fill_n(degree_6, lens::Anamorphic6::kNumParameters, 0.0);
  std::copy_n(degree_4, kFew, degree_6);
  std::copy_n(degree_4 + kFew, kFew, degree_6 + kMany);
  std::copy_n(degree_4 + 2 * kFew, 4, degree_6 + 2 * kMany);
}

}  // namespace

ModelKernel kernel_anamorphic_4() {
  ModelKernel kernel = KernelOf<lens::Anamorphic4>::table_row();
  kernel.pull_px = std::span(kPullPx).first<lens::Anamorphic4::kNumParameters>();
  return kernel;
}

ModelKernel kernel_anamorphic_6() {
  ModelKernel kernel = KernelOf<lens::Anamorphic6>::table_row(lens::Anamorphic4::kName, &grown);
  kernel.pull_px = kPullPx;
  return kernel;
}

}  // namespace trueplate::fit::detail

#include "calib/base/chance.h"

#include <boost/math/special_functions/beta.hpp>
#include <boost/math/special_functions/gamma.hpp>
#include <cmath>

namespace trueplate {
namespace {

namespace policies = boost::math::policies;

/// Nothing throws: what is beyond the range of numbers is 0.
using Quiet = policies::policy<policies::domain_error<policies::ignore_error>,
                               policies::overflow_error<policies::ignore_error>,
                               policies::underflow_error<policies::ignore_error>,
                               policies::evaluation_error<policies::ignore_error>>;

}  // namespace

double chi_square_tail(double value, double degrees) {
  if (!(value > 0.0)) return 1.0;
  if (std::isinf(value)) return 0.0;
  return boost::math::gamma_q(0.5 * degrees, 0.5 * value, Quiet());
}

double f_tail(double f, double num_extra, double num_free) {
  if (!(f > 0.0)) return 1.0;
  if (std::isinf(f)) return 0.0;
  return boost::math::ibeta(
      0.5 * num_free, 0.5 * num_extra, num_free / (num_free + num_extra * f), Quiet());
}

}  // namespace trueplate

#include "calib/base/quadrature.h"

#include <algorithm>
#include <boost/math/quadrature/gauss.hpp>

namespace trueplate {

std::vector<QuadratureNode> gauss_legendre() {
  // The library holds the half that is not negative, whose weights sum to 1.
  using Rule = boost::math::quadrature::gauss<double, 10>;
  std::vector<QuadratureNode> nodes;
  for (std::size_t i = 0; i < Rule::abscissa().size(); ++i) {
    for (const double sign : {-1.0, 1.0}) {
      nodes.push_back({sign * Rule::abscissa()[i], 0.5 * Rule::weights()[i]});
    }
  }
  std::sort(nodes.begin(), nodes.end(), [](const QuadratureNode& a, const QuadratureNode& b) {
    return a.place < b.place;
  });
  return nodes;
}

}  // namespace trueplate

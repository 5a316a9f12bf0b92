#include "calib/target/coded_layout.h"

#include <doctest/doctest.h>

#include <set>

using trueplate::target::ChartSquare;
using trueplate::target::coded_marker_id;
using trueplate::target::coded_square;
using trueplate::target::is_light_square;

TEST_CASE("every light square within the limits has a number of its own, and it leads back") {
  std::set<int> ids;
  for (int row = 0; row < trueplate::target::kCodedMaxSquaresY; ++row) {
    for (int column = 0; column < trueplate::target::kCodedMaxSquaresX; ++column) {
      const ChartSquare square{column, row};
      if (!is_light_square(square)) continue;
      const int id = coded_marker_id(square);
      CAPTURE(column);
      CAPTURE(row);
      CHECK(id >= 0);
      CHECK(id < trueplate::target::kCodedNumIds);
      CHECK(ids.insert(id).second);
      CHECK(coded_square(id) == square);
    }
  }
  CHECK(ids.size() == trueplate::target::kCodedNumIds);
}

TEST_CASE("the outermost square is dark, and the first numbers are where the header says") {
  CHECK_FALSE(is_light_square({0, 0}));
  CHECK(coded_square(0) == ChartSquare{1, 0});
  CHECK(coded_square(24) == ChartSquare{49, 0});
  CHECK(coded_square(25) == ChartSquare{0, 1});
}

// Nearest pixels, a vector at a time, against counting them one by one.

#include "warp/detail/place_rows.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <random>
#include <vector>

#include "tests/warp/support.h"

using namespace trueplate;
using namespace trueplate::warp;
using trueplate::tests::on_every_target;

namespace {

constexpr ImageSize kSize{7, 5};

/// The stored pixel a distance from the first pixel centre lies in, by walking there and turning
/// at the edges; -1: none.
int walked(Edge edge, double u, int size) {
  if (!std::isfinite(u)) return -1;
  const int pixel = static_cast<int>(std::floor(u + 0.5));
  if (pixel >= 0 && pixel < size) return pixel;
  if (edge == Edge::kBlack) return -1;
  if (edge == Edge::kHold) return pixel < 0 ? 0 : size - 1;
  int place = 0;
  int step = 1;
  for (int i = 0; i < (pixel < 0 ? -1 - pixel : pixel); ++i) {
    if (place + step < 0 || place + step >= size) {
      step = -step;  // the pixel at the edge is seen twice
    } else {
      place += step;
    }
  }
  return place;
}

/// Map values all over the picture and far around it, on pixel edges and centres, and none.
std::vector<float> map_values() {
  std::mt19937 random(7);  // fixed, so that every run sees the same
  std::uniform_real_distribution<float> around(-3.0F, 4.0F);
  std::vector<float> st;
  for (int i = 0; i < 800; ++i) st.push_back(around(random));
  for (int i = -30; i <= 30; ++i) {
    st.push_back(static_cast<float>(0.5 * i / kSize.width));
    st.push_back(static_cast<float>(0.5 * i / kSize.height));
  }
  constexpr float kInf = std::numeric_limits<float>::infinity();
  constexpr float kNan = std::numeric_limits<float>::quiet_NaN();
  for (const float value : {kInf, -kInf, kNan, 1e30F, -1e30F}) st.insert(st.end(), {value, 0.5F});
  return st;
}

}  // namespace

TEST_CASE("nearest pixels on every instruction set, for every edge and length of row") {
  const Image<float> pixels(kSize.width, kSize.height, 1);
  const Window window{0, 0, kSize.width, kSize.height};
  const std::vector<float> st = map_values();
  const auto check_row = [&](const detail::LookupSource& lookup, std::span<const float> row) {
    detail::NearestPlaces places;
    const detail::StScale scale = detail::st_scale(kSize, TOrigin::kBottomLeft);
    detail::find_nearest(lookup, scale, row, places);
    int num_wrong = 0;
    for (std::size_t i = 0; i < row.size() / 2; ++i) {
      const double u = static_cast<double>(row[2 * i]) * kSize.width - 0.5;
      const double v = kSize.height - static_cast<double>(row[2 * i + 1]) * kSize.height - 0.5;
      const bool far = !(std::abs(u) < 1e9);
      const int x = far ? -1 : walked(lookup.edge, u, kSize.width);
      const int y = walked(lookup.edge, v, kSize.height);
      num_wrong += places.x[i] == x && places.y[i] == y ? 0 : 1;
      if (std::isfinite(u)) num_wrong += places.u[i] == u && places.v[i] == v ? 0 : 1;
    }
    CHECK(num_wrong == 0);
  };
  on_every_target([&](const std::string& target) {
    CAPTURE(target);
    for (const Edge edge : {Edge::kBlack, Edge::kHold, Edge::kMirror}) {
      CAPTURE(to_text(edge));
      const SourcePicture source{.pixels = pixels.view(), .windows = {window, window}};
      const detail::LookupSource lookup = detail::lookup_source(source, edge);
      constexpr std::size_t kBlock = 2 * detail::NearestPlaces::kBlock;
      for (std::size_t begin = 0; begin < st.size(); begin += kBlock) {
        check_row(lookup, std::span(st).subspan(begin, std::min(kBlock, st.size() - begin)));
      }
      for (std::size_t count = 0; count < 20; ++count) {
        check_row(lookup, std::span(st).first(2 * count));
      }
    }
  });
}

#include "calib/zoom/frame_states.h"

#include <doctest/doctest.h>

#include <cmath>
#include <limits>
#include <random>
#include <string>

namespace trueplate::tests {
namespace {

using zoom::FrameState;
using zoom::parse_frame_states;

std::string refusal(const std::string& text) {
  const auto states = parse_frame_states(text, "lens.csv");
  REQUIRE(!states);
  return states.error().message;
}

bool contains(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

}  // namespace

TEST_CASE("a table of the lens of every frame is read, with units and without") {
  const auto states = parse_frame_states(
      "# from the encoders\nframe,focus,take,focal\n1001,2.5,a,35\n1002,inf,b,50mm\n1003,,c, 2in "
      "\n",
      "lens.csv");
  REQUIRE_MESSAGE(states, states.error().message);
  REQUIRE(states->size() == 3);
  CHECK((*states)[0].frame == 1001);
  CHECK((*states)[0].state.focal_mm == 35.0);
  CHECK((*states)[0].state.focus_m == 2.5);
  CHECK((*states)[1].state.focus_m == std::numeric_limits<double>::infinity());
  CHECK((*states)[1].state.focal_mm == 50.0);
  CHECK(!(*states)[2].state.focus_m);
  CHECK((*states)[2].state.focal_mm == 50.8);
  CHECK(!(*states)[2].state.t_stop);
}

TEST_CASE("columns may be named with the unit that bare numbers count") {
  const auto states =
      parse_frame_states("frame,focal_mm,focus_m,t_stop\n1,35,2.5,4\n2,50,inf,\n", "lens.csv");
  REQUIRE_MESSAGE(states, states.error().message);
  CHECK((*states)[0].state.focal_mm == 35.0);
  CHECK((*states)[0].state.focus_m == 2.5);
  CHECK((*states)[0].state.t_stop == 4.0);
  CHECK((*states)[1].state.focus_m == std::numeric_limits<double>::infinity());
  const auto nameless = parse_frame_states("frame,focal,\n1,35,7\n", "lens.csv");
  REQUIRE(nameless);
  CHECK(!nameless->front().state.t_stop);
  CHECK(contains(refusal("frame,focal_mm\n1,wide\n"), "lens.csv:2: focal_mm is 'wide'"));
  CHECK(contains(refusal("frame,focus,focus_m\n1,2,2\n"),
                 "both a column focus and a column focus_m"));
}

TEST_CASE("tables that are no such thing are refused by line") {
  CHECK(contains(refusal("frame,x\n1,2\n"), "neither a column focal nor focus"));
  CHECK(contains(refusal("focal,focus\n35,2\n"), "frame"));
  CHECK(contains(refusal("frame,focal\n1.5,35\n"), "lens.csv:2: frame is '1.5'"));
  CHECK(contains(refusal("frame,focal\n1,35\n1,36\n"), "lens.csv:3: frame 1 stands twice"));
  for (const char* cell : {"nan", "-35", "0", "inf", "wide", "35 m m", "1e400"}) {
    CHECK(contains(refusal(std::string("frame,focal\n1,") + cell + "\n"), "lens.csv:2: focal is"));
  }
  CHECK(contains(refusal("frame,focus\n1,near\n"), "lens.csv:2: focus is 'near'"));
  CHECK(!parse_frame_states("", "lens.csv"));
  CHECK(!parse_frame_states(std::string("frame,focal\n1\0,35\n", 18), "lens.csv"));
}

TEST_CASE("smoothing keeps what moves evenly, and takes noise off") {
  std::mt19937 random(3);
  std::normal_distribution<double> noise(0.0, 0.002);
  std::vector<FrameState> even;
  std::vector<FrameState> noisy;
  for (int frame = 0; frame < 100; ++frame) {
    const double focal = 24.0 * std::exp(0.01 * frame);
    const double focus = 1.0 / (0.01 + 0.012 * frame);
    even.push_back({frame, {.focal_mm = focal, .focus_m = focus}});
    noisy.push_back({frame,
                     {.focal_mm = focal * std::exp(noise(random)),
                      .focus_m = 1.0 / (1.0 / focus + noise(random))}});
  }
  const auto straight = zoom::smoothed(even, 4.0);
  const auto calm = zoom::smoothed(noisy, 4.0);
  double before = 0.0;
  double after = 0.0;
  for (std::size_t i = 0; i < even.size(); ++i) {
    const auto error = [&](const FrameState& state) {
      return std::pow(std::log(*state.state.focal_mm / *even[i].state.focal_mm), 2);
    };
    CHECK(*straight[i].state.focal_mm == doctest::Approx(*even[i].state.focal_mm));
    CHECK(*straight[i].state.focus_m == doctest::Approx(*even[i].state.focus_m));
    before += error(noisy[i]);
    after += error(calm[i]);
  }
  // Weights of a Gaussian of s frames leave 1 / (2 sqrt(pi) s) of the variance: 0.07.
  CHECK(after < 0.15 * before);
  CHECK(zoom::smoothed(noisy, 0.0)[50].state.focal_mm == noisy[50].state.focal_mm);
  CHECK(zoom::smoothed({}, 4.0).empty());
  noisy[10].state.focus_m.reset();
  CHECK(zoom::smoothed(noisy, 4.0)[50].state.focus_m == noisy[50].state.focus_m);
  CHECK(zoom::smoothed({noisy[0]}, 4.0)[0].state.focal_mm ==
        doctest::Approx(*noisy[0].state.focal_mm));
}

}  // namespace trueplate::tests

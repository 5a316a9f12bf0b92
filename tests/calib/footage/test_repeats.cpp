// Frames that repeat others. The movies are made by FFmpeg's own filters, which follow the
// broadcast practice they are named after, so which frames repeat is known from their definition.

#include "calib/footage/repeats.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <random>
#include <string>
#include <vector>

#include "calib/footage/frame_set.h"
#include "calib/footage/frame_stream.h"
#include "tests/cli/run_program.h"
#include "tests/support/chart_movie.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::ScratchFolder;

namespace {

using Repeats = std::vector<std::optional<std::size_t>>;

Repeats repeats_in(const std::string& path) {
  const std::vector<std::string> arguments{path};
  const auto frames = resolve_frames(arguments);
  REQUIRE(frames.has_value());
  RepeatFinder finder(frames->frames.size());
  FrameStream stream(frames->frames);
  while (const auto item = stream.next()) {
    REQUIRE(item->frame.has_value());
    finder.add(item->index, luma(*item->frame)->pixels.view());
  }
  return finder.repeats();
}

int count(const Repeats& repeats) {
  int sum = 0;
  for (const auto& repeat : repeats) sum += repeat.has_value() ? 1 : 0;
  return sum;
}

}  // namespace

TEST_CASE("24 frames a second in 30: every fifth frame repeats the one before") {
  if (!tests::has_ffmpeg()) return;
  const ScratchFolder scratch;
  const tests::ChartMovie movie(scratch.path());
  for (const auto& codec : {std::vector<std::string>{"-c:v", "ffv1"},
                            std::vector<std::string>{"-c:v", "libx264", "-crf", "20"},
                            std::vector<std::string>{"-c:v", "prores_ks"}}) {
    CAPTURE(codec[1]);
    std::vector<std::string> arguments{"-vf", "fps=30"};
    arguments.insert(arguments.end(), codec.begin(), codec.end());
    const std::string path = movie.encode(fmt::format("{}.mov", codec[1]), arguments);
    const Repeats repeats = repeats_in(path);
    REQUIRE(repeats.size() >= 28);
    int distance = 0;
    int last = -1;
    for (std::size_t i = 0; i < repeats.size(); ++i) {
      if (!repeats[i]) continue;
      CHECK(*repeats[i] == i - 1);
      if (last >= 0) {
        distance = static_cast<int>(i) - last;
        CHECK(distance == 5);
      }
      last = static_cast<int>(i);
    }
    CHECK(count(repeats) >= static_cast<int>(repeats.size()) / 5 - 1);
    // As it was shot there are none.
    std::vector<std::string> plain(codec.begin(), codec.end());
    CHECK(count(repeats_in(movie.encode(fmt::format("{}_plain.mov", codec[1]), plain))) == 0);
  }
}

TEST_CASE("shot on twos and on threes: all but the first of each run repeat it") {
  if (!tests::has_ffmpeg()) return;
  const ScratchFolder scratch;
  const tests::ChartMovie movie(scratch.path());
  for (const int factor : {2, 3}) {
    CAPTURE(factor);
    const std::string path =
        movie.encode(fmt::format("f{}.mp4", factor),
                     {"-vf", fmt::format("fps={}", 24 * factor), "-c:v", "libx264", "-crf", "20"});
    const Repeats repeats = repeats_in(path);
    for (std::size_t i = 0; i < repeats.size(); ++i) {
      const std::size_t first = i - i % static_cast<std::size_t>(factor);
      CAPTURE(i);
      CHECK(repeats[i] == (first == i ? std::nullopt : std::optional(first)));
    }
  }
}

TEST_CASE("a still camera is no repeat: each exposure has its own noise") {
  std::mt19937 random(5);
  std::normal_distribution<float> noise(0.0F, 0.004F);
  RepeatFinder finder(8);
  for (std::size_t i = 0; i < 8; ++i) {
    Image<float> image(320, 200, 1);
    const int shift = i < 4 ? 0 : 9;  // moved once, so that the shot does change
    for (int y = 0; y < 200; ++y) {
      for (int x = 0; x < 320; ++x) {
        image.at(x, y) = (((x + shift) / 20 + y / 20) % 2 == 0 ? 0.1F : 0.9F) + noise(random);
      }
    }
    finder.add(i, image.view());
  }
  CHECK(count(finder.repeats()) == 0);
}

TEST_CASE("frames in any order, gaps, other sizes and NaN") {
  const auto picture = [](int width, float level) {
    Image<float> image(width, 64, 1);
    for (int y = 0; y < 64; ++y) {
      for (int x = 0; x < width; ++x) {
        image.at(x, y) = level * static_cast<float>((x / 5 + y / 7) % 3);
      }
    }
    image.at(0, 0) = std::nanf("");
    return image;
  };
  // 0 1 1 - 1 1(wide) 2 2: frame 3 has no picture, frame 5 another size.
  RepeatFinder finder(8);
  finder.add(7, picture(64, 2.0F).view());
  finder.add(2, picture(64, 1.0F).view());
  finder.add(0, picture(64, 0.0F).view());
  finder.add(5, picture(80, 1.0F).view());
  finder.add(1, picture(64, 1.0F).view());
  finder.add(6, picture(64, 2.0F).view());
  finder.skip(3);
  finder.add(4, picture(64, 1.0F).view());
  const Repeats repeats = finder.repeats();
  CHECK(repeats == Repeats{std::nullopt,
                           std::nullopt,
                           1,
                           std::nullopt,
                           std::nullopt,
                           std::nullopt,
                           std::nullopt,
                           6});
  CHECK(RepeatFinder(0).repeats().empty());
  Image<float> none(40, 40, 1);
  none.fill(std::nanf(""));
  RepeatFinder empty(2);
  empty.add(0, none.view());
  empty.add(1, none.view());
  CHECK(empty.repeats().size() == 2);
}

// Movies as FFmpeg's own program writes them: each frame must come back as itself, whatever the
// codec, the order its frames are stored in, and whoever asks for them.

#include "calib/footage/movie.h"

#include <doctest/doctest.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>
#include <thread>
#include <vector>

#include "calib/footage/frame_set.h"
#include "calib/footage/frame_stream.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::run_program;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;

constexpr int kWidth = 192;
constexpr int kHeight = 128;
constexpr int kNumFrames = 50;

constexpr double kTolerance = 1.45;  // below half a step

/// Grey of frame i: a step that survives every codec, and no two frames of a movie alike.
int level_of(int i) { return 40 + 3 * i; }

/// Frames as pictures, each of one grey with a white square in the upper left.
class Movies {
 public:
  Movies() {
    for (int i = 0; i < kNumFrames; ++i) {
      char name[32];
      std::snprintf(name, sizeof(name), "f.%03d.pgm", i);
      std::ofstream file(folder_.path() / name, std::ios::binary);
      file << "P5\n" << kWidth << " " << kHeight << "\n255\n";
      std::string pixels(static_cast<std::size_t>(kWidth) * kHeight,
                         static_cast<char>(level_of(i)));
      for (int y = 0; y < 32; ++y)
        for (int x = 0; x < 32; ++x) pixels[static_cast<std::size_t>(y * kWidth + x)] = '\xEB';
      file << pixels;
    }
  }

  /// Encodes them; false without the program (after saying so).
  bool encode(const std::string& name, const std::vector<std::string>& codec) const {
    std::vector<std::string> arguments{
        "-v", "error", "-y", "-framerate", "24", "-i", (folder_.path() / "f.%03d.pgm").string()};
    arguments.insert(arguments.end(), codec.begin(), codec.end());
    arguments.push_back((folder_.path() / name).string());
    const auto result = run_program("ffmpeg", arguments);
    if (result.status == 127) {
      MESSAGE("skipped: no ffmpeg program to make movies with");
      return false;
    }
    CAPTURE(result.errors);
    REQUIRE(result.status == 0);
    return true;
  }
  [[nodiscard]] fs::path operator/(const std::string& name) const { return folder_.path() / name; }

 private:
  ScratchFolder folder_;
};

const Movies& movies() {
  static const Movies shared;
  return shared;
}

/// The grey of the lower right of a frame, in steps of level_of().
double shown(const Frame& frame) {
  double sum = 0.0;
  int count = 0;
  for (int y = 64; y < 120; ++y) {
    for (int x = 64; x < 180; ++x, ++count) sum += frame.pixels.row(y)[3 * x + 1];
  }
  return 255.0 * sum / count;
}

struct Kind {
  const char* name;
  std::vector<std::string> codec;
  int bits;
};

const std::vector<Kind>& kinds() {
  static const std::vector<Kind> all{
      {"long_gop.mp4",
       {"-c:v", "libx264", "-bf", "3", "-g", "25", "-crf", "12", "-pix_fmt", "yuv420p"},
       8},
      {"all_intra.mov", {"-c:v", "prores_ks", "-profile:v", "3", "-pix_fmt", "yuv422p10le"}, 10},
      {"all_intra.mxf",
       {"-vf",
        "scale=256:120",
        "-c:v",
        "dnxhd",
        "-profile:v",
        "dnxhr_hqx",
        "-pix_fmt",
        "yuv422p10le"},
       10},
      {"motion.avi", {"-c:v", "mjpeg", "-q:v", "2", "-pix_fmt", "yuvj444p"}, 8}};
  return all;
}

std::vector<FrameRef> frames_of(const fs::path& path, const std::string& range = {}) {
  const auto set = resolve_frames(std::vector<std::string>{path.string()}, range);
  REQUIRE(set);
  return set->frames;
}

}  // namespace

TEST_CASE("every frame comes back as itself, in order, whatever the codec") {
  for (const Kind& kind : kinds()) {
    CAPTURE(kind.name);
    if (!movies().encode(kind.name, kind.codec)) return;
    const fs::path path = movies() / kind.name;
    CHECK(*num_movie_frames(path) == kNumFrames);
    auto movie = Movie::open(path);
    REQUIRE(movie);
    CHECK(movie->facts().bits == kind.bits);
    CHECK(movie->facts().frames_per_second == doctest::Approx(24.0));
    CHECK_FALSE(movie->facts().interlaced);
    double last = -1.0;
    for (int i = 0; i < kNumFrames; ++i) {
      CAPTURE(i);
      CHECK(movie->position() == i);
      auto frame = movie->next();
      REQUIRE(frame);
      REQUIRE(*frame);
      // BT.601 or BT.709, 8 or 10 bits: grey stays grey.
      CHECK(std::abs(shown(**frame) - level_of(i)) < kTolerance);
      CHECK(shown(**frame) > last);
      last = shown(**frame);
      CHECK((*frame)->windows.display.size() == movie->facts().size);
    }
    const auto end = movie->next();
    REQUIRE(end);
    CHECK_FALSE(*end);
    CHECK_FALSE(movie->skip());
  }
}

TEST_CASE("frames are chosen by number, from 1, by any number of threads") {
  const Kind& kind = kinds().front();
  if (!movies().encode(kind.name, kind.codec)) return;
  const auto all = frames_of(movies() / kind.name);
  REQUIRE(all.size() == kNumFrames);
  CHECK(all[0].number == 1);
  CHECK(all[0].name == "long_gop.mp4#1");
  const auto some = frames_of(movies() / kind.name, "3,10-30x5,50");
  REQUIRE(some.size() == 7);
  for (const int threads : {1, 3}) {
    FrameStream stream(some);
    std::vector<double> seen(some.size(), -1.0);
    std::vector<std::jthread> workers;
    for (int t = 0; t < threads; ++t) {
      workers.emplace_back([&] {
        while (auto item = stream.next({.threads = 1})) {
          if (item->frame) seen[item->index] = shown(*item->frame);
        }
      });
    }
    workers.clear();
    for (std::size_t i = 0; i < some.size(); ++i) {
      CHECK(std::abs(seen[i] - level_of(*some[i].movie_frame)) < kTolerance);
    }
  }
}

TEST_CASE("numbers that the movie does not have are left out and named") {
  const Kind& kind = kinds().front();
  if (!movies().encode(kind.name, kind.codec)) return;
  const auto set =
      resolve_frames(std::vector<std::string>{(movies() / kind.name).string()}, "49-52");
  REQUIRE(set);
  CHECK(set->frames.size() == 2);
  REQUIRE(set->left_out.size() == 2);
  CHECK(set->left_out[0].reason.message.find("frame 51") != std::string::npos);
}

TEST_CASE("interlaced footage says so") {
  if (!movies().encode(
          "fields.mov",
          {"-c:v", "prores_ks", "-flags", "+ildct", "-field_order", "tt", "-vf", "setfield=tff"})) {
    return;
  }
  auto movie = Movie::open(movies() / "fields.mov");
  REQUIRE(movie);
  const auto frame = movie->next();
  REQUIRE(frame);
  REQUIRE(*frame);
  REQUIRE((*frame)->warnings.size() == 1);
  CHECK((*frame)->warnings[0].code == "interlaced");
}

TEST_CASE("damaged, truncated and other files are refused or end with a reason, never crash") {
  const Kind& kind = kinds()[1];
  if (!movies().encode(kind.name, kind.codec)) return;
  std::ifstream file(movies() / kind.name, std::ios::binary);
  const std::string whole{std::istreambuf_iterator<char>(file), {}};
  const fs::path broken = movies() / "broken.mov";
  const auto write = [&](const std::string& content) {
    std::ofstream(broken, std::ios::binary) << content;
  };
  for (const std::size_t length : {std::size_t{0}, std::size_t{10}, whole.size() / 2}) {
    write(whole.substr(0, length));
    const auto movie = Movie::open(broken);
    CHECK_FALSE(movie);
    if (!movie) CHECK(movie.error().code == ErrorCode::kUnreadable);
  }
  write("this is no movie, though it is called one");
  CHECK_FALSE(Movie::open(broken));
  CHECK(Movie::open(movies() / "absent.mov").error().code == ErrorCode::kNotFound);
  CHECK(Movie::open(movies() / "").error().code == ErrorCode::kUnreadable);
  CHECK_FALSE(num_movie_frames(broken));
  // A sound track alone is no movie.
  if (run_program("ffmpeg",
                  {"-v",
                   "error",
                   "-y",
                   "-f",
                   "lavfi",
                   "-i",
                   "sine=duration=1",
                   (movies() / "sound.mov").string()})
          .status == 0) {
    const auto sound = Movie::open(movies() / "sound.mov");
    REQUIRE_FALSE(sound);
    CHECK(sound.error().message.find("no video") != std::string::npos);
  }
  // Bytes changed anywhere: any answer but a crash or an endless loop.
  unsigned seed = 7;
  MESSAGE("seed ", seed);
  for (int round = 0; round < 60; ++round) {
    std::string changed = whole;
    for (int i = 0; i < 20; ++i) {
      seed = seed * 1664525U + 1013904223U;
      changed[seed % changed.size()] = static_cast<char>(seed >> 24);
    }
    write(changed);
    auto movie = Movie::open(broken, 1);
    if (!movie) continue;
    int given = 0;
    for (;; ++given) {
      const auto frame = movie->next();
      if ((frame && !*frame) || given > 1000) break;
    }
    CHECK(given <= 1000);
  }
}

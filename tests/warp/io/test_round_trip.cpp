// Plate -> straight -> plate by the two maps of one lens: what is left of the picture, beside the
// same through cv::remap (which snaps positions to 1/32 px) and `oiiotool --st_warp`. The table of
// docs/accuracy.md, "Round trip".

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <random>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"
#include "warp/io/frame_writer.h"
#include "warp/io/st_map_file.h"
#include "warp/overscan.h"
#include "warp/resample.h"

using namespace trueplate;
using namespace trueplate::warp;

namespace {

constexpr int kWidth = 640;
constexpr int kHeight = 360;
/// Compared: what is inside both pictures, kernels of the library included (8 pixels).
constexpr int kMargin = 90;

lens::Lens barrel() {
  lens::Lens lens;
  lens.plate_size = {kWidth, kHeight};
  lens.focal_px = {580.0, 581.0};
  lens.principal_point_px = {323.3, 178.1};
  lens.model = lens::RadialTangential({-0.18, 0.04, 0.002, -0.001, 0.0});
  return lens;
}

/// A picture with the spectrum of photographs, amplitude falling with frequency (D. Field, J. Opt.
/// Soc. Am. A 4, 1987), up to `finest` cycles per pixel, around 0.5.
Image<float> textured_plate(double finest) {
  std::mt19937 random(1987);
  std::uniform_real_distribution<double> uniform(0.0, 1.0);
  struct Wave {
    double x, y, phase, size;
  };
  std::vector<Wave> waves;
  for (int i = 0; i < 80; ++i) {
    const double frequency = 0.005 * std::pow(finest / 0.005, uniform(random));
    const double angle = 6.283185307179586 * uniform(random);
    waves.push_back({6.283185307179586 * frequency * std::cos(angle),
                     6.283185307179586 * frequency * std::sin(angle),
                     6.283185307179586 * uniform(random),
                     0.0006 / (frequency + 0.01)});
  }
  Image<float> plate(kWidth, kHeight, 1);
  for (int y = 0; y < kHeight; ++y) {
    for (int x = 0; x < kWidth; ++x) {
      double value = 0.5;
      for (const Wave& wave : waves)
        value += wave.size * std::sin(wave.x * x + wave.y * y + wave.phase);
      plate.at(x, y) = static_cast<float>(value);
    }
  }
  return plate;
}

struct Loss {
  double psnr_db = 0.0;  // of a range of 1
  double worst = 0.0;
};

template <class Value>
Loss loss(const Image<float>& plate, const Value& value) {
  double sum = 0.0;
  Loss result;
  long count = 0;
  for (int y = kMargin / 2; y < kHeight - kMargin / 2; ++y) {
    for (int x = kMargin; x < kWidth - kMargin; ++x) {
      const double error = std::abs(value(x, y) - plate.at(x, y));
      sum += error * error;
      result.worst = std::max(result.worst, error);
      ++count;
    }
  }
  result.psnr_db = -10.0 * std::log10(sum / static_cast<double>(count));
  return result;
}

SourcePicture picture(const Image<float>& image) {
  const Window window{0, 0, image.width(), image.height()};
  return {image.view(), {window, window}};
}

Loss ours(const Image<float>& plate, const StMap& there, const StMap& back, Filter filter) {
  const Result<Image<float>> straight = resample(picture(plate), there, {.filter = filter});
  REQUIRE(straight);
  const Result<Image<float>> bent = resample(picture(*straight), back, {.filter = filter});
  REQUIRE(bent);
  return loss(plate, [&](int x, int y) { return bent->at(x, y); });
}

cv::Mat remapped(const cv::Mat& from, const StMap& map, int method) {
  cv::Mat x(kHeight, kWidth, CV_32FC1), y(kHeight, kWidth, CV_32FC1), to;
  for (int j = 0; j < kHeight; ++j) {
    for (int i = 0; i < kWidth; ++i) {
      const Point2d p_px = position_from_st(
          {map.st.at(i, j, 0), map.st.at(i, j, 1)}, {kWidth, kHeight}, map.t_origin);
      // The library puts pixel centres at whole numbers.
      x.at<float>(j, i) = static_cast<float>(p_px.x() - 0.5);
      y.at<float>(j, i) = static_cast<float>(p_px.y() - 0.5);
    }
  }
  cv::remap(from, to, x, y, method, cv::BORDER_CONSTANT);
  return to;
}

Loss library(const Image<float>& plate, const StMap& there, const StMap& back, int method) {
  const cv::Mat from(kHeight, kWidth, CV_32FC1, const_cast<float*>(plate.data()));
  const cv::Mat bent = remapped(remapped(from, there, method), back, method);
  return loss(plate, [&](int x, int y) { return bent.at<float>(y, x); });
}

std::optional<Loss> other_program(const Image<float>& plate,
                                  const StMap& there,
                                  const StMap& back,
                                  const std::string& filter) {
  const tests::ScratchFolder folder;
  const auto path = [&](const char* name) { return (folder.path() / name).string(); };
  footage::Frame frame;
  frame.pixels = plate.clone();
  frame.windows = picture(plate).windows;
  frame.channels = {{"Y", footage::SampleFormat::kFloat}};
  REQUIRE(write_frame(path("plate.exr"), frame));
  REQUIRE(write_st_map(path("there.exr"), there));
  REQUIRE(write_st_map(path("back.exr"), back));
  const std::string warp = "--st_warp:flip_t=1:filter=" + filter;
  const tests::ProgramResult done = tests::run_program(
      "oiiotool",
      {path("plate.exr"), path("there.exr"), warp, path("back.exr"), warp, "-o", path("bent.exr")});
  if (done.status != 0) return std::nullopt;
  const Result<footage::Frame> bent = footage::read_frame(path("bent.exr"));
  REQUIRE(bent);
  return loss(plate, [&](int x, int y) { return bent->pixels.at(x, y, 0); });
}

}  // namespace

TEST_CASE("round trip: what each filter loses, beside the general libraries") {
  const lens::Lens lens = barrel();
  const Result<StMap> there = make_undistort_map(lens);
  const Result<StMap> back = make_redistort_map(lens);
  REQUIRE(there);
  REQUIRE(back);
  struct Row {
    Filter filter;
    int remap;          // cv::remap's nearest to it, -1: none
    const char* other;  // oiiotool's
  };
  const bool has_other = tests::run_program("oiiotool", {"--version"}).status == 0;
  if (!has_other) MESSAGE("skipped: no oiiotool to compare with");
  // In the first plate there is nothing finer than 12 pixels, so that what is left is position; in
  // the second the filter itself is what counts.
  for (const double finest : {0.08, 0.35}) {
    const Image<float> plate = textured_plate(finest);
    std::printf("up to %.2f cycles per pixel\n", finest);
    std::printf("filter    |  ours dB  worst    |  remap dB  worst   |  oiiotool dB  worst\n");
    for (const Row& row : {Row{Filter::kBilinear, cv::INTER_LINEAR, "triangle"},
                           Row{Filter::kCubic, cv::INTER_CUBIC, "catmull-rom"},
                           Row{Filter::kLanczos, cv::INTER_LANCZOS4, "lanczos3"},
                           Row{Filter::kArea, -1, nullptr}}) {
      const std::string name(to_text(row.filter));
      CAPTURE(name);
      const Loss mine = ours(plate, *there, *back, row.filter);
      std::printf("%-9s | %7.2f %10.6f |", name.c_str(), mine.psnr_db, mine.worst);
      if (row.remap >= 0) {
        const Loss theirs = library(plate, *there, *back, row.remap);
        std::printf(" %7.2f %10.6f |", theirs.psnr_db, theirs.worst);
        // The library's cubic has a = -0.75 and its Lanczos four lobes: sharper on fine texture.
        CHECK(mine.psnr_db > theirs.psnr_db - (finest < 0.1 ? 0.0 : 2.0));
      } else {
        std::printf("       -          - |");
      }
      if (has_other && row.other != nullptr) {
        const std::optional<Loss> theirs = other_program(plate, *there, *back, row.other);
        REQUIRE(theirs);
        std::printf(" %7.2f %10.6f", theirs->psnr_db, theirs->worst);
        // The same formulas: the same loss.
        CHECK(mine.psnr_db > theirs->psnr_db - 0.1);
      }
      std::printf("\n");
    }
  }
}

TEST_CASE("round trip of the whole plate with overscan auto: what each edge costs at the rim") {
  // The table of docs/accuracy.md, "Round trip", second part.
  constexpr int kInsets = 5;
  const lens::Lens lens = barrel();
  const Image<float> plate = textured_plate(0.08);
  std::printf("filter    edge   | whole dB | worst at 0 .. 4 pixels from the rim\n");
  for (const Filter filter : {Filter::kCubic, Filter::kLanczos}) {
    const Result<Overscan> around =
        overscan(lens, {}, {.round_to = 2, .margin_px = kernel_width(filter) / 2});
    REQUIRE(around);
    const Result<StMap> there = make_undistort_map(lens, {.overscan_px = around->edges});
    const Result<StMap> back = make_redistort_map(lens);
    REQUIRE(there);
    REQUIRE(back);
    for (const Edge edge : {Edge::kBlack, Edge::kHold, Edge::kMirror}) {
      const ResampleOptions how{.filter = filter, .edge = edge};
      const Result<Image<float>> straight = resample(picture(plate), *there, how);
      REQUIRE(straight);
      const Result<Image<float>> bent = resample(
          {straight->view(), {picture(plate).windows.display, there->output.data}}, *back, how);
      REQUIRE(bent);
      double sum = 0.0;
      double worst[kInsets] = {};
      for (int y = 0; y < kHeight; ++y) {
        for (int x = 0; x < kWidth; ++x) {
          const int inset = std::min({x, y, kWidth - 1 - x, kHeight - 1 - y});
          const double error = std::abs(bent->at(x, y) - plate.at(x, y));
          sum += error * error;
          double& here = worst[std::min(inset, kInsets - 1)];
          here = std::max(here, error);
        }
      }
      std::printf("%-9s %d | %7.2f | %.5f %.5f %.5f %.5f, then %.5f\n",
                  std::string(to_text(filter)).c_str(),
                  static_cast<int>(edge),
                  -10.0 * std::log10(sum / (double{kWidth} * kHeight)),
                  worst[0],
                  worst[1],
                  worst[2],
                  worst[3],
                  worst[4]);
      CAPTURE(to_text(filter));
      CAPTURE(static_cast<int>(edge));
      CHECK(worst[4] < 5e-4);  // within, the edge is nothing
      if (filter == Filter::kCubic) CHECK(worst[3] < 2e-4);
      if (edge == Edge::kBlack) {
        CHECK(worst[0] > 0.03);  // blended with black on the way there
      } else {
        CHECK(worst[0] < 0.005);
        CHECK(worst[1] < 0.005);
      }
    }
  }
}

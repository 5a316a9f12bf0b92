// Our maps in other programs' hands: oiiotool --st_warp (OpenImageIO) and cv::remap (OpenCV) read
// the files that `stmap` writes. The pictures are ramps of x and y, so what comes out is where each
// pixel was taken from, in pixels.

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <opencv2/imgproc.hpp>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "calib/lens/lens.h"
#include "tests/cli/lens_files.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using tests::read_json;
using tests::run_well;
using tests::window_of;

constexpr ImageSize kPlate{512, 300};

lens::Lens barrel() {
  lens::Lens lens = tests::make_lens(kPlate, {500.0, 501.0}, {9.7, -6.2});
  lens.model = lens::RadialTangential({-0.2, 0.05, -0.005, 0.001, -0.0007});
  return lens;
}

/// R = x, G = y from the display window's top-left corner, at the centres of pixels.
footage::Frame ramps(const FrameWindows& windows) {
  footage::Frame frame;
  frame.pixels = Image<float>(windows.data.width, windows.data.height, 2);
  for (int y = 0; y < frame.pixels.height(); ++y) {
    for (int x = 0; x < frame.pixels.width(); ++x) {
      frame.pixels.at(x, y, 0) = static_cast<float>(x + windows.data.x - windows.display.x + 0.5);
      frame.pixels.at(x, y, 1) = static_cast<float>(y + windows.data.y - windows.display.y + 0.5);
    }
  }
  frame.windows = windows;
  frame.channels = {{"R", footage::SampleFormat::kFloat}, {"G", footage::SampleFormat::kFloat}};
  return frame;
}

/// The part `window` of a picture.
Image<float> part_of(const fs::path& path, const Window& window) {
  const auto frame = footage::read_frame(path);
  REQUIRE_MESSAGE(frame.has_value(), (frame ? "" : frame.error().message));
  const Window& data = frame->windows.data;
  const int x0 = window.x - data.x;
  const int y0 = window.y - data.y;
  REQUIRE(x0 >= 0);
  REQUIRE(y0 >= 0);
  REQUIRE(x0 + window.width <= data.width);
  REQUIRE(y0 + window.height <= data.height);
  Image<float> part(window.width, window.height, 2);
  for (int y = 0; y < window.height; ++y) {
    std::copy_n(frame->pixels.row(y0 + y) + 2 * x0, 2 * window.width, part.row(y));
  }
  return part;
}

/// The map's file applied to the picture by cv::remap, by its documentation:
/// positions count from the centre of the first pixel there is.
Image<float> remapped(const fs::path& map_path, const footage::Frame& source, bool from_bottom) {
  const auto map = footage::read_frame(map_path);
  REQUIRE(map);
  const int width = map->pixels.width();
  const int height = map->pixels.height();
  cv::Mat map_x(height, width, CV_32FC1);
  cv::Mat map_y(height, width, CV_32FC1);
  const Window& display = source.windows.display;
  const Window& data = source.windows.data;
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      const float s = map->pixels.at(x, y, 0);
      const float t = map->pixels.at(x, y, 1);
      map_x.at<float>(y, x) = s * display.width - 0.5F - (data.x - display.x);
      map_y.at<float>(y, x) =
          (from_bottom ? 1.0F - t : t) * display.height - 0.5F - (data.y - display.y);
    }
  }
  const cv::Mat picture(source.pixels.height(),
                        source.pixels.width(),
                        CV_32FC2,
                        const_cast<float*>(source.pixels.data()));
  Image<float> result(width, height, 2);
  cv::Mat output(height, width, CV_32FC2, result.data());
  cv::remap(picture, output, map_x, map_y, cv::INTER_LINEAR, cv::BORDER_CONSTANT);
  REQUIRE(output.data == reinterpret_cast<uchar*>(result.data()));
  return result;
}

struct Worst {
  double px = 0.0;
  long pixels = 0;
};

/// Largest distance of the places that a picture shows from those wanted, where the lens looks
/// well inside the source: at its edge black is blended in.
template <class Truth, class Wanted>
Worst worst_px(const Image<float>& found,
               const Window& inside,
               const Truth& truth,
               const Wanted& wanted) {
  Worst worst;
  constexpr double kEdge = 4.0;  // kernels widen with the local scale
  for (int y = 0; y < found.height(); ++y) {
    for (int x = 0; x < found.width(); ++x) {
      const std::optional<Point2d> p = truth(x, y);
      if (!p || p->x() < inside.x + kEdge || p->y() < inside.y + kEdge ||
          p->x() > inside.x + inside.width - kEdge || p->y() > inside.y + inside.height - kEdge) {
        continue;
      }
      const Point2d difference = Point2d(found.at(x, y, 0), found.at(x, y, 1)) - wanted(x, y);
      worst.px = std::max(worst.px, difference.norm());
      ++worst.pixels;
    }
  }
  return worst;
}

}  // namespace

TEST_CASE("oiiotool and cv::remap take our maps, with overscan and both origins, to our places") {
  const bool has_oiiotool = tests::run_program("oiiotool", {"--version"}).status == 0;
  if (!has_oiiotool) MESSAGE("skipped for lack of oiiotool: the comparison with it");
  const tests::ScratchFolder scratch;
  const fs::path folder = scratch.path();
  const lens::Lens lens = barrel();
  const std::string profile = (folder / "lens.json").string();
  tests::write_lens(profile, lens);
  for (const std::string& origin : {std::string("bottom-left"), std::string("top-left")}) {
    for (const std::string& overscan : {std::string("auto"), std::string("30,18,22,26")}) {
      run_well({"stmap",
                profile,
                "--undistort",
                (folder / "undistort.exr").string(),
                "--redistort",
                (folder / "redistort.exr").string(),
                "--origin",
                origin,
                "--overscan",
                overscan,
                "--handoff",
                (folder / "numbers.json").string(),
                "--overwrite"});
      const auto render = read_json(folder / "numbers.json").at("render");
      const Window display = window_of(render.at("display_window"));
      const Window data = window_of(render.at("data_window"));
      for (const bool undistort : {true, false}) {
        const std::string direction = undistort ? "undistort" : "redistort";
        const std::string what =
            fmt::format("{}, t from {}, overscan {}", direction, origin, overscan);
        CAPTURE(what);
        const FrameWindows source{display, undistort ? display : data};
        const Window output = undistort ? data : display;
        const fs::path map = folder / (direction + ".exr");
        const fs::path in = folder / "in.exr";
        const fs::path ours_path = folder / "ours.exr";
        const fs::path theirs_path = folder / "theirs.exr";
        const footage::Frame frame = ramps(source);
        tests::write_frame(in, frame);
        std::vector<std::string> call{
            direction, profile, in.string(), "-o", ours_path.string(), "--filter", "bilinear"};
        if (undistort) call.insert(call.end(), {"--overscan", overscan, "--handoff", "none"});
        if (undistort && overscan == "auto") {
          // The same windows as the map, which leaves room for the cubic filter.
          call[call.size() - 3] = fmt::format("{},{},{},{}",
                                              -data.x,
                                              -data.y,
                                              data.width + data.x - display.width,
                                              data.height + data.y - display.height);
        }
        run_well(call);
        const Image<float> ours = part_of(ours_path, output);
        const auto truth = [&](int x, int y) {
          const Point2d p(x + output.x + 0.5, y + output.y + 0.5);
          return undistort ? lens::distort_px(lens, p) : lens::undistort_px(lens, p);
        };
        const auto our_place = [&](int x, int y) {
          return Point2d(ours.at(x, y, 0), ours.at(x, y, 1));
        };
        const Worst to_truth =
            worst_px(ours, source.data, truth, [&](int x, int y) { return *truth(x, y); });
        const Worst to_cv =
            worst_px(remapped(map, frame, origin == "bottom-left"), source.data, truth, our_place);
        std::string text = fmt::format(
            "{}: ours to the lens in double {:.1e} px, cv::remap to ours "
            "{:.4f} px",
            what,
            to_truth.px,
            to_cv.px);
        // A float of a few hundred pixels steps by 3e-5; the map and the ramp are rounded to it.
        CHECK(to_truth.px < 2e-4);
        CHECK(to_truth.pixels > 0.8 * kPlate.width * kPlate.height);
        // cv::remap rounds positions to 1/32 px: at most 1/64 in x and in y.
        CHECK(to_cv.px < std::sqrt(2.0) / 64.0 + 2e-4);
        CHECK(to_cv.px > 0.0);
        if (has_oiiotool) {
          // It makes a picture of the source's window, so that has to be as large as the output.
          const auto theirs = tests::run_program(
              "oiiotool",
              {in.string(),
               "--crop",
               fmt::format("{}x{}{:+}{:+}", data.width, data.height, data.x, data.y),
               map.string(),
               fmt::format("--st_warp:filter=triangle:flip_t={}", origin == "bottom-left" ? 1 : 0),
               "-d",
               "float",
               "-o",
               theirs_path.string()});
          CAPTURE(theirs.errors);
          REQUIRE(theirs.status == 0);
          const Worst to_oiio =
              worst_px(part_of(theirs_path, output), source.data, truth, our_place);
          text += fmt::format(", oiiotool to ours {:.1e} px", to_oiio.px);
          CHECK(to_oiio.px < 5e-4);
        }
        MESSAGE(text);
        for (const fs::path& path : {in, ours_path, theirs_path}) fs::remove(path);
      }
    }
  }
}

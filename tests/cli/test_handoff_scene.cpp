// The hand-off as a department uses it: a scene in 3D is rendered through a pinhole that knows the
// hand-off's numbers and nothing else, and bent back by the program. It has to lie on the plate
// that a ray caster with the lens's own formula makes. The ray caster and the formulas below are
// the test's own; the formulas are those of docs/lens-models.md (radial-tangential: that of
// OpenCV).

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <Eigen/LU>
#include <algorithm>
#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/footage/frame.h"
#include "tests/cli/lens_files.h"
#include "tests/support/quad_scene.h"
#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;
using namespace trueplate;
using nlohmann::json;
using tests::frame_of;
using tests::read_json;
using tests::run_well;
using tests::size_of;
using tests::window_of;
using tests::write_frame;

/// What the figure is promised for; measured values are well below.
constexpr double kMostPx = 0.02;

/// A square of the scene this small has too few pixels to place it well.
constexpr double kLeastSquarePx = 9.0;

/// Shifts are measured over the pixels this near to a place.
constexpr int kReach = 8;

Point2d radial_tangential(const Point2d& p, const std::vector<double>& k) {
  const double r2 = p.squaredNorm();
  const double radial = 1.0 + r2 * (k[0] + r2 * (k[1] + r2 * k[2]));
  return {p.x() * radial + 2 * k[3] * p.x() * p.y() + k[4] * (r2 + 2 * p.x() * p.x()),
          p.y() * radial + k[3] * (r2 + 2 * p.y() * p.y()) + 2 * k[4] * p.x() * p.y()};
}

/// a20 a02 a40 a22 a04, b20 .. b04; p1, p2, phi and skew are 0 here.
Point2d anamorphic_4(const Point2d& p, const std::vector<double>& c) {
  const double u = p.x() * p.x();
  const double v = p.y() * p.y();
  return {p.x() * (1 + c[0] * u + c[1] * v + c[2] * u * u + c[3] * u * v + c[4] * v * v),
          p.y() * (1 + c[5] * u + c[6] * v + c[7] * u * u + c[8] * u * v + c[9] * v * v)};
}

/// A lens and the formula that its plate is rendered with.
struct Case {
  const char* name;
  lens::Lens lens;
  Point2d (*distort)(const Point2d&, const std::vector<double>&);
  std::vector<double> coefficients;

  [[nodiscard]] Point2d image_of(const Eigen::Vector3d& p) const {
    return lens.focal_px.cwiseProduct(distort({p.x() / p.z(), p.y() / p.z()}, coefficients)) +
           lens.principal_point_px;
  }

  /// The ray that the lens images at a place of the plate: Newton's method on the formula, with
  /// differences for its derivatives.
  [[nodiscard]] Eigen::Vector3d ray(const Point2d& p_plate_px) const {
    const Point2d wanted = (p_plate_px - lens.principal_point_px).cwiseQuotient(lens.focal_px);
    constexpr double kStep = 1e-6;
    Point2d p = wanted;
    for (int i = 0; i < 4; ++i) {
      const Point2d here = distort(p, coefficients);
      Eigen::Matrix2d slope;
      slope << (distort(p + Point2d(kStep, 0), coefficients) - here) / kStep,
          (distort(p + Point2d(0, kStep), coefficients) - here) / kStep;
      p -= slope.inverse() * (here - wanted);
    }
    return {p.x(), p.y(), 1.0};
  }
};

Case spherical() {
  Case c{"spherical",
         tests::make_lens({640, 360}, {620.0, 620.4}, {1.3, -0.7}),
         &radial_tangential,
         {-0.16, 0.04, -0.005, 0.0012, -0.0008}};
  c.lens.film_back = lens::FilmBack{24.89, 14.0};
  return c;
}

Case off_centre() {
  Case c{"off-centre",
         tests::make_lens({640, 360}, {600.0, 599.0}, {47.3, -31.6}),
         &radial_tangential,
         {0.11, -0.02, 0.0, 0.0, 0.0}};
  c.lens.film_back = lens::FilmBack{24.89, 14.0};
  return c;
}

Case squeezed() {
  Case c{"squeezed 2x",
         tests::make_lens({480, 405}, {475.0, 942.0}, {-6.4, 4.2}),
         &anamorphic_4,
         {-0.09, -0.14, 0.012, 0.02, 0.03, -0.05, -0.11, 0.008, 0.015, 0.02, 0, 0, 0, 0}};
  c.lens.film_back = lens::FilmBack{20.56, 17.5};
  c.lens.pixel_aspect = 2.0;
  c.lens.squeeze = 2.0;
  return c;
}

lens::Model model_of(const Case& c) {
  const auto model = lens::make_model(
      c.distort == &radial_tangential ? "radial-tangential" : "cylindrical-2", c.coefficients);
  REQUIRE(model);
  return *model;
}

// Three ways to set a 3D program's camera, each with some of the numbers.

/// Focal length, film back, shift of the film back.
tests::RayOf film_camera(const json& camera) {
  const ImageSize size = size_of(camera.at("size_px"));
  const double focal = camera.at("focal_mm");
  const Point2d film(camera.at("film_back_mm").at("width"), camera.at("film_back_mm").at("height"));
  const Point2d shift(camera.at("window_shift_mm").at("x"), camera.at("window_shift_mm").at("y"));
  return [=](const Point2d& p) -> std::optional<Eigen::Vector3d> {
    const double right = (p.x() / size.width - 0.5) * film.x() + shift.x();
    const double up = (0.5 - p.y() / size.height) * film.y() + shift.y();
    return Eigen::Vector3d(right, -up, focal);
  };
}

/// Focal length, width of the film back, pixel aspect, and where the axis meets the picture.
tests::RayOf width_camera(const json& camera) {
  const ImageSize size = size_of(camera.at("size_px"));
  const double focal = camera.at("focal_mm");
  const double width = camera.at("film_back_mm").at("width");
  const double height = width * size.height / size.width / camera.at("pixel_aspect").get<double>();
  const Point2d axis(camera.at("principal_offset_mm").at("x"),
                     camera.at("principal_offset_mm").at("y"));
  return [=](const Point2d& p) -> std::optional<Eigen::Vector3d> {
    return Eigen::Vector3d((p.x() / size.width - 0.5) * width - axis.x(),
                           (p.y() / size.height - 0.5) * height - axis.y(),
                           focal);
  };
}

/// The edges at distance 1.
tests::RayOf window_camera(const json& camera) {
  const ImageSize size = size_of(camera.at("size_px"));
  const json& edges = camera.at("unit_window");
  const double left = edges.at("left"), right = edges.at("right");
  const double bottom = edges.at("bottom"), top = edges.at("top");
  return [=](const Point2d& p) -> std::optional<Eigen::Vector3d> {
    const double x = left + (right - left) * p.x() / size.width;
    const double y_up = top + (bottom - top) * p.y() / size.height;
    return Eigen::Vector3d(x, -y_up, 1.0);
  };
}

Image<float> read_plate(const fs::path& path, const FrameWindows& windows) {
  auto frame = footage::read_frame(path);
  REQUIRE(frame);
  CHECK(frame->windows == windows);
  return std::move(frame->pixels);
}

struct Shifts {
  int measured = 0;
  double rms_px = 0.0;
  double worst_px = 0.0;
};

Shifts shifts_of(const Image<float>& picture,
                 const Image<float>& truth,
                 const std::vector<Point2d>& places) {
  Shifts result;
  double sum = 0.0;
  for (const Point2d& place : places) {
    const auto shift = tests::shift_px(picture, truth, place, kReach);
    if (!shift) continue;
    ++result.measured;
    sum += shift->squaredNorm();
    result.worst_px = std::max(result.worst_px, shift->norm());
  }
  result.rms_px = result.measured == 0 ? 0.0 : std::sqrt(sum / result.measured);
  return result;
}

void check(const std::string& what, const Shifts& shifts) {
  MESSAGE(fmt::format("{}: {} places, shift {:.4f} px rms, {:.4f} px at most",
                      what,
                      shifts.measured,
                      shifts.rms_px,
                      shifts.worst_px));
  CHECK(shifts.measured >= 100);
  CHECK(shifts.worst_px <= kMostPx);
}

/// Everything of one lens that the cases of overscan share.
struct Stage {
  Case c;
  tests::QuadScene scene;
  Image<float> plate;
  std::vector<Point2d> places_px;         // on the plate
  std::vector<Eigen::Vector3d> meetings;  // whose squares are not too small to measure

  explicit Stage(Case given)
      : c(std::move(given)),
        scene(tests::QuadScene::filling(Point2d(c.lens.plate_size.width, c.lens.plate_size.height)
                                            .cwiseQuotient(2.0 * c.lens.focal_px))),
        plate(tests::ray_cast(
            scene, c.lens.plate_size, [&](const Point2d& p) { return c.ray(p); }, 3)) {
    for (const tests::QuadScene::Meeting& meeting : scene.visible_meetings()) {
      const Point2d p = c.image_of(meeting.place);
      if ((c.image_of(meeting.next_u) - p).norm() < kLeastSquarePx ||
          (c.image_of(meeting.next_v) - p).norm() < kLeastSquarePx || !alone(meeting, p)) {
        continue;
      }
      meetings.push_back(meeting.place);
      places_px.push_back(p);
    }
  }

 private:
  /// Whether nothing but its own quad is near: at the edge of a quad the pixels of two renderings
  /// differ by where they fall, which says nothing about places.
  [[nodiscard]] bool alone(const tests::QuadScene::Meeting& meeting, const Point2d& p_px) const {
    constexpr int kNear = kReach + 4;
    for (const int dy : {-kNear, 0, kNear}) {
      for (const int dx : {-kNear, 0, kNear}) {
        if (scene.quad_at(c.ray(p_px + Point2d(dx, dy))) != meeting.quad) return false;
      }
    }
    return true;
  }
};

FrameWindows moved(FrameWindows windows, int x, int y) {
  for (Window* window : {&windows.display, &windows.data}) {
    window->x += x;
    window->y += y;
  }
  return windows;
}

}  // namespace

TEST_CASE("CG rendered by the hand-off's numbers, bent back, lies on the plate within 0.02 px") {
  const tests::ScratchFolder scratch;
  const fs::path folder = scratch.path();
  for (const Case& c : {spherical(), off_centre(), squeezed()}) {
    const Stage stage(c);
    const std::string lens = (folder / "lens.json").string();
    lens::Lens with_model = c.lens;
    with_model.model = model_of(c);
    tests::write_lens(lens, with_model);
    const Window display{
        .x = 0, .y = 0, .width = c.lens.plate_size.width, .height = c.lens.plate_size.height};
    for (const char* overscan_word : {"auto", "9%", "61,44,57,52"}) {
      const std::string overscan = overscan_word;
      const std::string what = fmt::format("{}, overscan {}", c.name, overscan);
      CAPTURE(what);
      run_well({"handoff",
                lens,
                "--overscan",
                overscan,
                "--json",
                (folder / "h.json").string(),
                "--quiet",
                "--overwrite"});
      const json handoff = read_json(folder / "h.json");
      const json& render = handoff.at("render");
      const json& camera = render.at("camera");
      const tests::RayOf ray_of = film_camera(camera);
      for (const Point2d& p : {Point2d(0, 0), Point2d(100.5, 300.25)}) {
        const Eigen::Vector3d wanted = *ray_of(p) / ray_of(p)->z();
        CHECK((*width_camera(camera)(p) / width_camera(camera)(p)->z() - wanted).norm() < 1e-12);
        CHECK((*window_camera(camera)(p) - wanted).norm() < 1e-12);
      }
      // A plate need not begin at (0, 0).
      const bool elsewhere = overscan == "9%";
      const FrameWindows windows =
          moved({window_of(render.at("display_window")), window_of(render.at("data_window"))},
                elsewhere ? -37 : 0,
                elsewhere ? 1001 : 0);
      const Image<float> cg =
          tests::ray_cast(stage.scene, size_of(camera.at("size_px")), ray_of, 3);
      write_frame(folder / "cg.exr", frame_of(cg.clone(), windows));
      run_well(
          {"redistort", lens, (folder / "cg.exr").string(), "-o", (folder / "bent.exr").string()});
      const Image<float> bent = read_plate(folder / "bent.exr", {windows.display, windows.display});
      check(what, shifts_of(bent, stage.plate, stage.places_px));

      if (overscan == "9%") {
        // The same in a format without windows: a percentage says all there is to say.
        const Window whole{.width = cg.width(), .height = cg.height()};
        write_frame(folder / "cg.tif", frame_of(cg.clone(), {whole, whole}));
        run_well({"redistort",
                  lens,
                  (folder / "cg.tif").string(),
                  "-o",
                  (folder / "bent.tif").string(),
                  "--overscan",
                  overscan});
        const Image<float> same = read_plate(folder / "bent.tif", {display, display});
        check(what + ", TIFF", shifts_of(same, stage.plate, stage.places_px));
      }
      if (overscan == "auto") {
        // And the way there: the plate straightened lies on what the render's camera sees.
        write_frame(folder / "plate.exr", frame_of(stage.plate.clone(), {display, display}));
        run_well({"undistort",
                  lens,
                  (folder / "plate.exr").string(),
                  "-o",
                  (folder / "straight.exr").string(),
                  "--handoff",
                  "none"});
        const Image<float> straight = read_plate(folder / "straight.exr", windows);
        std::vector<Point2d> places;
        for (const Eigen::Vector3d& place : stage.meetings) {
          const Point2d p_plate = c.image_of(place);
          if (p_plate.x() < 12 || p_plate.y() < 12 || p_plate.x() > display.width - 12 ||
              p_plate.y() > display.height - 12) {
            continue;  // the black beyond the plate's edge would be seen
          }
          places.push_back(c.lens.focal_px.cwiseProduct(place.head<2>() / place.z()) +
                           Point2d(camera.at("principal_point_px").at("x"),
                                   camera.at("principal_point_px").at("y")));
        }
        check(what + ", straightened", shifts_of(straight, cg, places));
        fs::remove(folder / "straight.exr");
        fs::remove(folder / "plate.exr");
      }
      for (const char* name : {"cg.exr", "bent.exr", "cg.tif", "bent.tif"}) {
        fs::remove(folder / name);
      }
    }
    fs::remove(lens);
  }
}

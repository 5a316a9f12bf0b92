#include "charts/synth/detail/set_scene.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <utility>

namespace trueplate::synth::detail {
namespace {

// The palette: lime-washed walls over sage paint, grey tiles, tarred and oiled timber, one door in
// slate blue, terracotta and ochre crates. CG in coral, rings in mint.
const Rgb kLime(0.58, 0.55, 0.49);
const Rgb kSage(0.155, 0.205, 0.185);
const Rgb kTileLight(0.33, 0.315, 0.29);
const Rgb kTileDark(0.20, 0.20, 0.195);
const Rgb kBrick(0.35, 0.20, 0.145);
const Rgb kBrickPale(0.44, 0.29, 0.215);
const Rgb kTimber(0.285, 0.185, 0.105);
const Rgb kDarkTimber(0.115, 0.085, 0.06);
const Rgb kSlateBlue(0.085, 0.155, 0.215);
const Rgb kTerracotta(0.42, 0.165, 0.09);
const Rgb kOchre(0.47, 0.31, 0.115);
const Rgb kTeal(0.10, 0.235, 0.235);
const Rgb kFrameWhite(0.62, 0.61, 0.57);
const Rgb kIron(0.06, 0.062, 0.066);
const Rgb kPaper(0.74, 0.73, 0.69);
const Rgb kInk(0.035, 0.035, 0.04);
const Rgb kCoral(0.82, 0.20, 0.125);
const Rgb kCoralLine(0.98, 0.90, 0.82);
const Rgb kMint(0.10, 0.86, 0.58);

constexpr double kLeft = -3.0;
constexpr double kRight = 3.0;
constexpr double kCeiling = 3.45;

Material plain(const Rgb& colour) { return {.pattern = Pattern::kPlain, .colour = colour}; }
Material wood(const Rgb& colour) { return {.pattern = Pattern::kWood, .colour = colour}; }
Material crate(const Rgb& colour) { return {.pattern = Pattern::kCrate, .colour = colour}; }

/// Collects boxes; all lengths in m.
class Builder {
 public:
  explicit Builder(std::vector<Box>* boxes) : boxes_(boxes) {}

  /// A box given by its two extreme corners.
  void block(const Vector3d& low, const Vector3d& high, const Material& material) {
    boxes_->push_back(
        {.centre = 0.5 * (low + high), .half = 0.5 * (high - low), .material = material});
  }
  /// A box that stands at (x, z) on the height y, turned about its own axis.
  void stand(double x,
             double y,
             double z,
             const Vector3d& size,
             double turn_deg,
             const Material& material) {
    const double turn = turn_deg * std::numbers::pi / 180.0;
    boxes_->push_back({.centre = {x, y + 0.5 * size.y(), z},
                       .half = 0.5 * size,
                       .material = material,
                       .cos_turn = std::cos(turn),
                       .sin_turn = std::sin(turn)});
  }

 private:
  std::vector<Box>* boxes_;
};

void add_back_window(Builder* set) {
  const double x0 = -1.55;
  const double x1 = 0.55;
  const double y0 = 1.32;
  const double y1 = 2.72;
  const Material frame = plain(kFrameWhite);
  set->block(
      {x0, y0, 0.0},
      {x1, y1, 0.012},
      {.pattern = Pattern::kSky, .colour = {0.95, 0.97, 0.96}, .second = {0.66, 0.80, 0.97}});
  set->block({x0 - 0.08, y0 - 0.05, 0.0}, {x0, y1 + 0.08, 0.07}, frame);
  set->block({x1, y0 - 0.05, 0.0}, {x1 + 0.08, y1 + 0.08, 0.07}, frame);
  set->block({x0, y1, 0.0}, {x1, y1 + 0.08, 0.07}, frame);
  set->block({x0 - 0.14, y0 - 0.09, 0.0}, {x1 + 0.14, y0, 0.16}, frame);  // sill
  for (int i = 1; i < 4; ++i) {
    const double x = x0 + i * (x1 - x0) / 4.0;
    const double half = i == 2 ? 0.03 : 0.014;
    set->block({x - half, y0, 0.012}, {x + half, y1, 0.045}, frame);
  }
  for (int i = 1; i < 3; ++i) {
    const double y = y0 + i * (y1 - y0) / 3.0;
    set->block({x0, y - 0.014, 0.012}, {x1, y + 0.014, 0.04}, frame);
  }
}

void add_left_window(double z0, double z1, SetScene* scene, Builder* set) {
  const double y0 = 0.95;
  const double y1 = 2.75;
  const Material frame = plain(kFrameWhite);
  scene->sun_openings.push_back({y0, y1, z0, z1});
  set->block({kLeft, y0, z0},
             {kLeft + 0.006, y1, z1},
             {.pattern = Pattern::kSky, .colour = {1.25, 1.18, 1.05}, .second = {1.05, 1.12, 1.2}});
  set->block({kLeft, y0 - 0.06, z0 - 0.08}, {kLeft + 0.14, y0, z1 + 0.08}, frame);
  set->block({kLeft, y1, z0 - 0.08}, {kLeft + 0.06, y1 + 0.08, z1 + 0.08}, frame);
  set->block({kLeft, y0, z0 - 0.08}, {kLeft + 0.06, y1, z0}, frame);
  set->block({kLeft, y0, z1}, {kLeft + 0.06, y1, z1 + 0.08}, frame);
  const double middle = 0.5 * (z0 + z1);
  set->block({kLeft + 0.006, y0, middle - 0.022}, {kLeft + 0.05, y1, middle + 0.022}, frame);
  for (int i = 1; i < 4; ++i) {
    const double y = y0 + i * (y1 - y0) / 4.0;
    set->block({kLeft + 0.006, y - 0.014, z0}, {kLeft + 0.04, y + 0.014, z1}, frame);
  }
}

void add_door(Builder* set) {
  const Material frame = wood(kDarkTimber);
  set->block(
      {1.22, 0.0, 0.0}, {2.12, 2.06, 0.03}, {.pattern = Pattern::kDoor, .colour = kSlateBlue});
  set->block({1.11, 0.0, 0.0}, {1.22, 2.17, 0.08}, frame);
  set->block({2.12, 0.0, 0.0}, {2.23, 2.17, 0.08}, frame);
  set->block({1.22, 2.06, 0.0}, {2.12, 2.17, 0.08}, frame);
  set->block({2.03, 0.98, 0.03}, {2.07, 1.06, 0.09}, plain(kIron));
}

void add_timber(Builder* set) {
  const Material timber = wood(kTimber);
  const Material dark = wood(kDarkTimber);
  for (const double x : {-2.16, 2.44}) {
    set->block({x - 0.09, 0.0, 4.31}, {x + 0.09, kCeiling, 4.49}, timber);
    set->block({x - 0.14, 0.0, 4.26}, {x + 0.14, 0.16, 4.54}, plain(kIron));
  }
  set->block({kLeft, 2.66, 4.34}, {kRight, 2.86, 4.46}, timber);  // tie-beam
  for (const double z : {0.55, 1.75, 2.95}) {
    set->block({kLeft, kCeiling - 0.24, z - 0.08}, {kRight, kCeiling, z + 0.08}, dark);
  }
  set->block({kLeft, 0.0, 0.0}, {1.11, 0.12, 0.025}, dark);  // skirting
  set->block({2.23, 0.0, 0.0}, {kRight, 0.12, 0.025}, dark);
  set->block({kLeft, 0.0, 0.0}, {kLeft + 0.025, 0.12, 6.0}, dark);
}

void add_furniture(Builder* set) {
  const Material top = wood(kTimber);
  const Material leg = wood(kDarkTimber);
  // Workbench
  set->block({0.85, 0.84, 2.15}, {2.55, 0.91, 2.95}, top);
  for (const double x : {0.93, 2.41}) {
    for (const double z : {2.2, 2.84}) set->block({x, 0.0, z}, {x + 0.07, 0.84, z + 0.07}, leg);
  }
  set->block({0.93, 0.22, 2.24}, {2.48, 0.26, 2.86}, leg);
  set->stand(1.12, 0.91, 2.55, {0.34, 0.22, 0.26}, 14.0, crate(kOchre));
  set->stand(1.62, 0.91, 2.45, {0.22, 0.36, 0.22}, -20.0, plain(kTeal));
  set->stand(2.12, 0.91, 2.55, {0.42, 0.14, 0.32}, 6.0, plain(kFrameWhite * 0.8));
  set->stand(2.14, 1.05, 2.53, {0.30, 0.11, 0.22}, -9.0, plain(kTerracotta));
  set->stand(1.65, 0.26, 2.55, {0.62, 0.40, 0.44}, 4.0, crate(kTimber));
  // Crates on the left
  set->stand(-2.05, 0.0, 1.95, {0.92, 0.84, 0.92}, 17.0, crate(kOchre * 0.92));
  set->stand(-2.02, 0.84, 1.92, {0.58, 0.52, 0.58}, -11.0, crate(kTerracotta));
  set->stand(-1.22, 0.0, 1.35, {0.60, 0.56, 0.60}, -24.0, crate(kTeal));
  // Shelves on the right wall
  for (const double y : {1.42, 1.92}) {
    set->block({kRight - 0.32, y, 0.55}, {kRight, y + 0.035, 3.35}, top);
    for (const double z : {0.9, 1.95, 3.0}) {
      set->block({kRight - 0.28, y - 0.12, z}, {kRight, y, z + 0.03}, plain(kIron));
    }
  }
  const Rgb goods[] = {
      kTerracotta, kFrameWhite * 0.8, kTeal, kOchre, kSlateBlue, kFrameWhite * 0.7};
  for (int i = 0; i < 11; ++i) {
    const double y = i % 2 == 0 ? 1.455 : 1.955;
    const double z = 0.72 + 0.235 * i;
    const double height = 0.16 + 0.05 * ((i * 5) % 4);
    set->stand(kRight - 0.17,
               y,
               z,
               {0.2, height, 0.17 + 0.02 * (i % 3)},
               7.0 * ((i * 3) % 5 - 2),
               plain(goods[static_cast<std::size_t>(i) % std::size(goods)]));
  }
  // A pipe along the right wall, a lamp, a pallet, and the plinth the CG stands on
  set->block({kRight - 0.12, 2.62, 0.0}, {kRight - 0.05, 2.69, 6.0}, plain(kIron * 2.0));
  set->block({1.642, 2.30, 2.542}, {1.658, kCeiling, 2.558}, plain(kIron));
  set->block({1.42, 2.19, 2.32}, {1.88, 2.30, 2.78}, plain(kTeal * 0.8));
  for (int i = 0; i < 4; ++i) {
    const double z = 3.62 + 0.19 * i;
    set->block({0.95, 0.10, z}, {2.0, 0.13, z + 0.13}, top);
  }
  for (const double x : {0.97, 1.43, 1.9}) {
    set->block({x, 0.0, 3.62}, {x + 0.08, 0.10, 4.32}, leg);
  }
  set->stand(-0.42, 0.0, 3.55, {0.86, 0.42, 0.86}, 28.0, plain(kFrameWhite * 0.62));
}

Material paper() { return {.pattern = Pattern::kTarget, .colour = kInk, .second = kPaper}; }

/// Targets are glued on, a millimetre off the surface.
void add_targets(std::vector<Card>* cards) {
  constexpr double kOff = 0.001;
  const auto add = [&](std::string name,
                       const Vector3d& at,
                       const Vector3d& x_axis,
                       const Vector3d& y_axis,
                       double half) {
    const Vector3d off = kOff * x_axis.cross(y_axis);
    cards->push_back({std::move(name), at + off, x_axis, y_axis, {half, half}, paper()});
  };
  const Vector3d right = Vector3d::UnitX();
  const Vector3d up = Vector3d::UnitY();
  const Vector3d towards = Vector3d::UnitZ();
  add("wall-1", {-2.45, 2.88, 0.0}, right, up, 0.095);
  add("wall-2", {-2.45, 1.75, 0.0}, right, up, 0.095);
  add("wall-3", {0.85, 2.95, 0.0}, right, up, 0.095);
  add("wall-4", {2.60, 2.55, 0.0}, right, up, 0.095);
  add("wall-5", {0.85, 1.45, 0.0}, right, up, 0.095);
  add("wall-6", {-0.50, 3.0, 0.0}, right, up, 0.095);
  add("wall-7", {0.55, 0.55, 0.0}, right, up, 0.095);
  add("left-1", {kLeft, 3.0, 1.55}, -towards, up, 0.095);
  add("left-2", {kLeft, 2.2, 2.25}, -towards, up, 0.085);
  add("right-1", {kRight, 2.35, 2.3}, towards, up, 0.085);
  add("right-2", {kRight, 1.1, 2.9}, towards, up, 0.085);
  add("right-3", {kRight, 1.0, 3.75}, towards, up, 0.085);
  add("floor-1", {-1.5, 0.0, 3.5}, right, -towards, 0.1);
  add("floor-2", {0.45, 0.0, 3.55}, right, -towards, 0.1);
  add("floor-3", {0.3, 0.0, 1.6}, right, -towards, 0.11);
  add("floor-4", {2.25, 0.0, 3.7}, right, -towards, 0.1);
  add("post-1", {-2.16, 2.2, 4.49}, right, up, 0.07);
  add("post-2", {-2.16, 0.95, 4.49}, right, up, 0.07);
  add("post-3", {2.44, 2.25, 4.49}, right, up, 0.07);
  add("post-4", {2.44, 0.8, 4.49}, right, up, 0.07);
  add("beam-1", {-1.25, 2.76, 4.46}, right, up, 0.07);
  add("beam-2", {0.15, 2.76, 4.46}, right, up, 0.07);
  add("beam-3", {1.55, 2.76, 4.46}, right, up, 0.07);
}

/// CG that belongs to things of the set: a lattice cube on the plinth, and bright outlines along
/// the tie-beam, the posts and the door, where a lens that is not put back shows at once.
void add_cg(std::vector<Box>* boxes) {
  Builder cg(boxes);
  cg.stand(-0.42,
           0.42,
           3.55,
           {0.72, 0.72, 0.72},
           28.0,
           {.pattern = Pattern::kLattice, .colour = kCoral, .second = kCoralLine});
  const Material line = {.pattern = Pattern::kSignal, .colour = kCoral * 1.05};
  constexpr double kWidth = 0.016;
  const auto outline = [&](double x0, double x1, double y0, double y1, double z) {
    cg.block({x0, y0, z}, {x1, y0 + kWidth, z + 0.004}, line);
    cg.block({x0, y1 - kWidth, z}, {x1, y1, z + 0.004}, line);
    cg.block({x0, y0, z}, {x0 + kWidth, y1, z + 0.004}, line);
    cg.block({x1 - kWidth, y0, z}, {x1, y1, z + 0.004}, line);
  };
  outline(-2.07, 2.35, 2.66, 2.86, 4.465);
  outline(-2.25, -2.07, 0.16, 2.66, 4.495);
  outline(2.35, 2.53, 0.16, 2.66, 4.495);
  outline(1.11, 2.23, 0.0, 2.17, 0.085);
}

SetScene build() {
  SetScene scene;
  scene.set.room = {
      .low = {kLeft, 0.0, 0.0},
      .high = {kRight, kCeiling, 14.0},
      .floor = {.pattern = Pattern::kTiles, .colour = kTileLight, .second = kTileDark},
      .ceiling = {.pattern = Pattern::kBoards, .colour = kLime * 0.62},
      .left = {.pattern = Pattern::kPlaster, .colour = kLime, .second = kSage},
      .right = {.pattern = Pattern::kBricks, .colour = kBrick, .second = kBrickPale},
      .back = {.pattern = Pattern::kPlaster, .colour = kLime, .second = kSage},
      .front = plain(kLime * 0.5)};
  Builder set(&scene.set.boxes);
  add_back_window(&set);
  for (const double z : {0.75, 2.55, 4.75}) add_left_window(z, z + 1.25, &scene, &set);
  add_door(&set);
  add_timber(&set);
  add_furniture(&set);
  add_targets(&scene.set.cards);
  add_cg(&scene.cg_boxes);
  scene.towards_sun = Vector3d(-0.80, 0.56, -0.10).normalized();
  return scene;
}

/// Darkening where surfaces meet: near the walls of the room and on the floor beside boxes.
double openness(const SetScene& scene, const Hit& hit) {
  const Room& room = scene.set.room;
  double open = 1.0;
  const auto near_plane = [&](double distance, double strength) {
    const double k = 1.0 + std::max(0.0, distance) / 0.55;
    open *= 1.0 - strength / (k * k);
  };
  const Vector3d& p = hit.position;
  if (std::abs(hit.normal.x()) < 0.5) {
    near_plane(p.x() - room.low.x(), 0.35);
    near_plane(room.high.x() - p.x(), 0.35);
  }
  if (std::abs(hit.normal.y()) < 0.5) {
    near_plane(p.y() - room.low.y(), 0.35);
    near_plane(room.high.y() - p.y(), 0.45);
  }
  if (std::abs(hit.normal.z()) < 0.5) near_plane(p.z() - room.low.z(), 0.35);
  if (hit.normal.y() > 0.5) {
    for (const Box& box : scene.set.boxes) {
      const double gap = box.centre.y() - box.half.y() - p.y();
      if (gap < -0.001 || gap > 0.3 || box.half.y() < 0.02) continue;
      const Vector3d local = box.to_local(p - box.centre);
      const double dx = std::max(0.0, std::abs(local.x()) - box.half.x());
      const double dz = std::max(0.0, std::abs(local.z()) - box.half.z());
      const double k = 1.0 + std::sqrt(dx * dx + dz * dz) / 0.2;
      open *= 1.0 - 0.62 / (k * k * k) * (1.0 - gap / 0.3);
    }
  }
  return open;
}

bool in_sun(const SetScene& scene, const Vector3d& position, const Vector3d& normal) {
  const Vector3d& sun = scene.towards_sun;
  if (normal.dot(sun) <= 0.0) return false;
  const double t = (scene.set.room.low.x() - position.x()) / sun.x();
  const Vector3d at_wall = position + t * sun;
  const bool through_opening =
      std::any_of(scene.sun_openings.begin(), scene.sun_openings.end(), [&](const auto& opening) {
        return at_wall.y() > opening.y_low && at_wall.y() < opening.y_high &&
               at_wall.z() > opening.z_low && at_wall.z() < opening.z_high;
      });
  if (!through_opening) return false;
  const Ray to_sun{position, sun};
  constexpr double kOff = 1e-4;
  return std::none_of(scene.set.boxes.begin(), scene.set.boxes.end(), [&](const Box& box) {
    // The panes themselves lie against the wall and let the sun in.
    return box.material.pattern != Pattern::kSky && blocks(to_sun, box, kOff);
  });
}

}  // namespace

const SetScene& set_scene() {
  static const SetScene scene = build();
  return scene;
}

Surface shade(const SetScene& scene, const Hit& hit, const Point2d& footprint) {
  Surface surface = surface_at(*hit.material, hit.uv, hit.half, footprint);
  if (surface.emits || !surface.opaque) return surface;
  const Vector3d& n = hit.normal;
  // Light from the windows on the left and at the back, from the sky above the roof light, and
  // what the floor throws back.
  const Rgb cool(0.50, 0.56, 0.64);
  const Rgb warm(1.00, 0.86, 0.68);
  const double from_left = 0.5 - 0.5 * n.x();
  const double from_back = 0.5 - 0.5 * n.z();
  const double from_front = 0.5 + 0.5 * n.z();
  const double from_above = 0.5 + 0.5 * n.y();
  // Nearer to the windows it is brighter.
  const double across = (hit.position.x() - kLeft) / (kRight - kLeft);
  const double window_light = 1.0 / (0.75 + 0.55 * across);
  Rgb light = cool * (0.30 + 0.42 * from_above + 0.22 * from_back) +
              cool.cwiseProduct(Rgb(1.15, 1.1, 1.0)) * (0.75 * from_left * window_light) +
              warm * (0.16 * from_front + 0.22 * (1.0 - from_above));
  light *= openness(scene, hit);
  if (in_sun(scene, hit.position, n)) {
    light += Rgb(2.7, 2.2, 1.55) * n.dot(scene.towards_sun);
    surface.part |= 2U;
  }
  surface.colour = surface.colour.cwiseProduct(light);
  return surface;
}

}  // namespace trueplate::synth::detail

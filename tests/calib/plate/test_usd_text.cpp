// The USD text is read back by a strict parser of the part of the grammar that it needs (the text
// form of Universal Scene Description as its documentation describes it, from memory; no Debian
// package reads it), and the camera in it projects the points to where the tracks are: with row
// vectors, a camera that looks along -Z, and film back and focal length as a USD camera has them.

#include "calib/plate/usd_text.h"

#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <cctype>
#include <cmath>
#include <cstdlib>
#include <map>
#include <stdexcept>
#include <string>
#include <variant>
#include <vector>

#include "calib/plate/usd_camera.h"
#include "tests/support/made_shot.h"

namespace {

using namespace trueplate::plate;
using trueplate::Point2d;
using trueplate::Result;
using trueplate::tests::MadeShot;
using trueplate::tests::make_shot;
using trueplate::tests::ShotPlan;

/// A number, a string, or a list of values (of a tuple, an array, or time samples one after
/// another).
struct Value {
  std::variant<double, std::string, std::vector<Value>> is;
  std::map<double, Value> samples;

  [[nodiscard]] double number() const { return std::get<double>(is); }
  [[nodiscard]] const std::string& text() const { return std::get<std::string>(is); }
  [[nodiscard]] const std::vector<Value>& list() const { return std::get<std::vector<Value>>(is); }
};

struct Prim {
  std::string type;
  std::map<std::string, Value>
      properties;  // by "type name" as written, without "uniform", "custom"
  std::map<std::string, Prim> children;
};

class Parser {
 public:
  explicit Parser(const std::string& text) : text_(text) {
    const std::string magic = "#usda 1.0\n";
    if (text.compare(0, magic.size(), magic) != 0) throw std::runtime_error("magic");
    at_ = magic.size();
  }

  Prim stage() {
    Prim stage;
    expect('(');
    while (!accept(')')) {
      const std::string key = word();
      expect('=');
      stage.properties[key] = value();
    }
    while (peek() != '\0') {
      const auto [name, prim] = definition();
      stage.children[name] = prim;
    }
    return stage;
  }

 private:
  char peek() {
    while (at_ < text_.size() && std::isspace(static_cast<unsigned char>(text_[at_])) != 0) ++at_;
    return at_ < text_.size() ? text_[at_] : '\0';
  }
  bool accept(char c) {
    if (peek() != c) return false;
    ++at_;
    return true;
  }
  void expect(char c) {
    if (!accept(c)) throw std::runtime_error(std::string("wanted ") + c);
  }
  std::string word() {
    peek();
    const std::size_t begin = at_;
    while (at_ < text_.size() && (std::isalnum(static_cast<unsigned char>(text_[at_])) != 0 ||
                                  text_[at_] == '_' || text_[at_] == ':' || text_[at_] == '.')) {
      ++at_;
    }
    if (at_ == begin) throw std::runtime_error("wanted a word");
    return text_.substr(begin, at_ - begin);
  }
  double number() {
    peek();
    const char* begin = text_.c_str() + at_;
    char* end = nullptr;
    const double result = std::strtod(begin, &end);
    if (end == begin || !std::isfinite(result)) throw std::runtime_error("wanted a number");
    at_ += static_cast<std::size_t>(end - begin);
    return result;
  }
  std::string string() {
    expect('"');
    std::string result;
    while (at_ < text_.size() && text_[at_] != '"') {
      if (text_[at_] == '\n') throw std::runtime_error("line break in a string");
      if (text_[at_] == '\\') ++at_;
      result += text_[at_++];
    }
    expect('"');
    return result;
  }
  std::vector<Value> list(char end) {
    std::vector<Value> values;
    if (accept(end)) return values;
    do {
      values.push_back(value());
    } while (accept(','));
    expect(end);
    return values;
  }
  Value value() {
    const char c = peek();
    if (c == '"') return {string(), {}};
    if (accept('(')) return {list(')'), {}};
    if (accept('[')) return {list(']'), {}};
    if (accept('{')) {
      Value result;
      while (!accept('}')) {
        const double time = number();
        expect(':');
        if (!result.samples.emplace(time, value()).second) throw std::runtime_error("time twice");
        expect(',');
      }
      return result;
    }
    return {number(), {}};
  }
  std::pair<std::string, Prim> definition() {
    if (word() != "def") throw std::runtime_error("wanted def");
    Prim prim;
    prim.type = word();
    const std::string name = string();
    expect('{');
    while (!accept('}')) {
      const std::size_t begin = at_;
      std::string type = word();
      if (type == "def") {
        at_ = begin;
        const auto [child, its] = definition();
        prim.children[child] = its;
        continue;
      }
      if (type == "uniform" || type == "custom") type = word();
      if (accept('[')) {
        expect(']');
        type += "[]";
      }
      const std::string property = word();
      expect('=');
      if (!prim.properties.emplace(type + " " + property, value()).second) {
        throw std::runtime_error("property twice");
      }
    }
    return {name, prim};
  }

  const std::string& text_;
  std::size_t at_ = 0;
};

struct Solved {
  MadeShot shot;
  Trial trial;
};

Solved solved(const ShotPlan& plan) {
  Solved result{make_shot(plan), {}};
  Result<Trial> trial = try_solve(result.shot.tracks, {.focal_px = plan.focal_px});
  REQUIRE(trial.has_value());
  REQUIRE(!trial->solves.empty());
  result.trial = std::move(*trial);
  return result;
}

}  // namespace

TEST_CASE("the camera of the USD text sees the points where the tracks are") {
  ShotPlan plan{.num_tracks = 20, .num_frames = 12, .travel = 4.0};
  Solved made = solved(plan);
  made.shot.tracks.names[3] = "a \"quoted\\\" name\n\xFF";
  CameraSolve solve = *made.trial.find(LensUse::kNone);
  solve.lens.film_back = trueplate::lens::FilmBack{24.0, 13.5};
  const double distance = (made.shot.points[0] - made.shot.points[1]).norm();
  const Result<PlacedScene> scene =
      placed(made.shot.tracks,
             solve,
             {.scale = PlacementOptions::Scale{.track_a = 0, .track_b = 1, .distance_m = distance},
              .ground = std::array{2, 3, 4},
              .origin = 5});
  REQUIRE(scene.has_value());
  CHECK(scene->metres);
  // The ground stays in Y = 0 below the origin's track, which stands off it.
  CHECK(std::abs(scene->points[5]->x()) < 1e-12);
  CHECK(std::abs(scene->points[5]->z()) < 1e-12);
  CHECK(std::abs(scene->points[5]->y()) > 1e-3);
  for (const std::size_t floor : {2, 3, 4}) CHECK(std::abs(scene->points[floor]->y()) < 1e-12);
  CHECK(scene->poses.front()->position.y() > 0.0);
  const Result<PlacedScene> without_ground = placed(made.shot.tracks, solve, {.origin = 5});
  REQUIRE(without_ground.has_value());
  CHECK(without_ground->points[5]->norm() < 1e-12);

  const std::string text = usd_text(made.shot.tracks, solve, *scene);
  Parser parser(text);
  Prim stage;
  REQUIRE_NOTHROW(stage = parser.stage());
  CHECK(stage.properties.at("upAxis").text() == "Y");
  CHECK(stage.properties.at("metersPerUnit").number() == 0.01);
  CHECK(stage.properties.at("timeCodesPerSecond").number() == 24.0);
  CHECK(stage.properties.at("framesPerSecond").number() == 24.0);
  CHECK(
      usd_text(made.shot.tracks, solve, *scene, 23.976).find("    timeCodesPerSecond = 23.976\n") !=
      std::string::npos);
  CHECK(stage.properties.at("doc").text() ==
        "Camera solve, to scale. It goes with the plate as shot, without a lens.");
  CHECK(stage.properties.at("startTimeCode").number() == 1001.0);
  CHECK(stage.properties.at("defaultPrim").text() == "shot");
  const Prim& shot = stage.children.at("shot");
  const Prim& camera = shot.children.at("camera");
  CHECK(camera.type == "Camera");
  const double focal = camera.properties.at("float focalLength").number();
  const double width = camera.properties.at("float horizontalAperture").number();
  const double height = camera.properties.at("float verticalAperture").number();
  CHECK(width == 24.0);
  CHECK(focal == doctest::Approx(plan.focal_px * 24.0 / 2048.0));
  CHECK(camera.properties.at("token[] xformOpOrder").list().front().text() == "xformOp:transform");
  const auto& samples = camera.properties.at("matrix4d xformOp:transform.timeSamples").samples;
  REQUIRE(samples.size() == 12);
  const auto& points = shot.children.at("tracks").properties.at("point3f[] points").list();
  const auto& names = shot.children.at("tracks").properties.at("string[] trackNames").list();
  REQUIRE(points.size() == 20);
  REQUIRE(names.size() == 20);
  CHECK(names[3].text() == "a \"quoted\\\" namen\xEF\xBF\xBD");  // the parser drops backslashes

  double squares = 0.0;
  for (const TrackPoint& seen : made.shot.tracks.points) {
    Eigen::Matrix4d m;
    const auto& rows =
        samples.at(made.shot.tracks.frames[static_cast<std::size_t>(seen.frame)]).list();
    for (int i = 0; i < 4; ++i) {
      for (int j = 0; j < 4; ++j) {
        m(i, j) = rows[static_cast<std::size_t>(i)].list()[static_cast<std::size_t>(j)].number();
      }
    }
    CHECK(m.topLeftCorner<3, 3>().determinant() == doctest::Approx(1.0));
    const auto& p = points[static_cast<std::size_t>(seen.track)].list();
    const Eigen::RowVector4d in_camera =
        Eigen::RowVector4d(p[0].number(), p[1].number(), p[2].number(), 1.0) * m.inverse();
    REQUIRE(in_camera.z() < 0.0);
    const Point2d film = focal * Point2d(in_camera.x(), in_camera.y()) / -in_camera.z();
    const Point2d px(2048.0 * (0.5 + film.x() / width), 1152.0 * (0.5 - film.y() / height));
    squares += (px - seen.p_px).squaredNorm();
  }
  const double rms = std::sqrt(squares / static_cast<double>(made.shot.tracks.points.size()));
  CHECK(rms == doctest::Approx(solve.used.rms_px).epsilon(1e-3));
  // In centimetres: the scale given is that of the truth.
  const auto place = [&points](std::size_t i) {
    const auto& p = points[i].list();
    return Eigen::Vector3d(p[0].number(), p[1].number(), p[2].number());
  };
  const double true_distance = (made.shot.points[6] - made.shot.points[9]).norm();
  CHECK((place(6) - place(9)).norm() / 100.0 == doctest::Approx(true_distance).epsilon(5e-3));
}

TEST_CASE("a principal point beside the middle shifts the aperture") {
  trueplate::lens::Lens lens;
  lens.plate_size = {2000, 1000};
  lens.focal_px = {2000.0, 1000.0};
  lens.principal_point_px = {1100.0, 450.0};
  lens.film_back = trueplate::lens::FilmBack{20.0, 20.0};
  const CameraApertures apertures = apertures_of(lens);
  CHECK(apertures.focal_mm == doctest::Approx(20.0));
  CHECK(apertures.height_mm == doctest::Approx(20.0));
  // The picture's middle lies 100 px left of the axis, and 50 px below it.
  CHECK(apertures.offset_x_mm == doctest::Approx(-1.0));
  CHECK(apertures.offset_y_mm == doctest::Approx(-1.0));
}

TEST_CASE("a scene that cannot be placed says which track is at fault") {
  const Solved made = solved({.num_tracks = 20, .num_frames = 8, .travel = 4.0});
  CameraSolve solve = *made.trial.find(LensUse::kNone);
  solve.points[4].reset();
  solve.points[6] = solve.points[5];
  const auto error = [&](const PlacementOptions& options) {
    const Result<PlacedScene> scene = placed(made.shot.tracks, solve, options);
    REQUIRE(!scene);
    return scene.error().message;
  };
  using Scale = PlacementOptions::Scale;
  CHECK(error({.scale = Scale{.track_a = 0, .track_b = 4, .distance_m = 1.0}}).find("'t4'") !=
        std::string::npos);
  CHECK(error({.scale = Scale{.track_a = 5, .track_b = 6, .distance_m = 1.0}}).find("one place") !=
        std::string::npos);
  CHECK(error({.scale = Scale{.track_a = 0, .track_b = 1, .distance_m = NAN}}).find("distance") !=
        std::string::npos);
  CHECK(error({.ground = std::array{1, 5, 6}}).find("on one line") != std::string::npos);
  CHECK(error({.origin = 99}).find("no track 99") != std::string::npos);
  for (auto& pose : solve.poses) pose.reset();
  CHECK(error({}).find("no solved camera") != std::string::npos);
}

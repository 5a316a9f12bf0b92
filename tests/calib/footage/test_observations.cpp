#include "calib/footage/observations.h"

#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <random>
#include <string>

#include "tests/support/test_data.h"

using trueplate::ImageSize;
using trueplate::Overwrite;
using trueplate::Result;
using trueplate::footage::Observations;
using trueplate::footage::observations_text;
using trueplate::footage::parse_observations;
using trueplate::target::Corner;
using trueplate::target::View;

namespace {

constexpr const char* kHeader = "frame,chart_x_mm,chart_y_mm,x,y\n";

std::string error_of(const std::string& content) {
  const Result<Observations> read = parse_observations(content, "obs.csv");
  return read ? "no error" : read.error().message;
}

std::string error_of(const Observations& observations) {
  const Result<std::string> text = observations_text(observations);
  return text ? "no error" : text.error().message;
}

View view_of(const std::string& frame) {
  View view{.frame = frame, .plate_size = {640, 480}, .corners = {}};
  view.corners.push_back({.p_chart_mm = {0.0, 0.0, 0.0}, .p_plate_px = {1.0, 2.0}});
  return view;
}

}  // namespace

TEST_CASE("the documented file reads") {
  const Result<Observations> read = parse_observations(
      "# image: 2048x1080\n# lens: prime 35\n"
      "note,x,y,frame,chart_y_mm,chart_x_mm,sigma_px,chart_z_mm\n"
      "a,312.4178,207.9053,grid.1002,25,0,,\nb,1,2,grid.1001,0,0,0.04,\"1.5\"\n"
      "c,3,4,grid.1002,0,0,0.1,\n",
      "obs.csv");
  REQUIRE_MESSAGE(read.has_value(), (read ? "" : read.error().message));
  REQUIRE(read->views.size() == 2);
  const View& first = read->views[0];
  CHECK(first.frame == "grid.1002");
  CHECK(first.plate_size == ImageSize{2048, 1080});
  REQUIRE(first.corners.size() == 2);
  CHECK(first.corners[0].p_chart_mm == Eigen::Vector3d(0.0, 25.0, 0.0));
  CHECK(first.corners[0].p_plate_px == trueplate::Point2d(312.4178, 207.9053));
  CHECK(std::isnan(first.corners[0].sigma_px));
  CHECK(first.corners[1].sigma_px == 0.1);
  CHECK(read->views[1].corners[0].p_chart_mm.z() == 1.5);
  REQUIRE(read->comments.size() == 1);
  CHECK(read->comments[0] == trueplate::CsvComment{"lens", "prime 35"});
}

TEST_CASE("what is written reads back bit for bit") {
  constexpr unsigned kSeed = 7;
  MESSAGE("seed ", kSeed);
  std::mt19937_64 random(kSeed);
  std::uniform_real_distribution<double> x(-100.0, 2148.0);
  for (const bool with_optional : {false, true}) {
    Observations written;
    written.comments = {{"chart", "25 mm, \"A3\""}, {"", "free text"}};
    for (const char* frame : {"grid.1001", "odd, \"name\"", "# 3", " padded"}) {
      View view{.frame = frame, .plate_size = {2048, 1080}, .corners = {}};
      for (int i = 0; i < 50; ++i) {
        Corner corner{.p_chart_mm = {i / 3.0, -i * 0.1, 0.0}, .p_plate_px = {x(random), x(random)}};
        if (with_optional && i % 2 == 0) {
          corner.p_chart_mm.z() = 1.0 / (i + 3);
          corner.sigma_px = 0.01 * (i + 1);
        }
        view.corners.push_back(corner);
      }
      written.views.push_back(view);
    }
    const Result<std::string> text = observations_text(written);
    REQUIRE_MESSAGE(text.has_value(), (text ? "" : text.error().message));
    CHECK((text->find("sigma_px") != std::string::npos) == with_optional);
    const Result<Observations> read = parse_observations(*text, "obs.csv");
    REQUIRE_MESSAGE(read.has_value(), (read ? "" : read.error().message));
    CHECK(read->comments == written.comments);
    REQUIRE(read->views.size() == written.views.size());
    for (std::size_t v = 0; v < read->views.size(); ++v) {
      CHECK(read->views[v].frame == written.views[v].frame);
      REQUIRE(read->views[v].corners.size() == written.views[v].corners.size());
      for (std::size_t i = 0; i < read->views[v].corners.size(); ++i) {
        const Corner& a = read->views[v].corners[i];
        const Corner& b = written.views[v].corners[i];
        CHECK(a.p_chart_mm == b.p_chart_mm);
        CHECK(a.p_plate_px == b.p_plate_px);
        CHECK(((std::isnan(a.sigma_px) && std::isnan(b.sigma_px)) || a.sigma_px == b.sigma_px));
      }
    }
  }
}

TEST_CASE("broken files are refused where they break") {
  const std::string image = "# image: 640x480\n";
  const std::array<std::array<std::string, 2>, 13> cases{{
      {"", "obs.csv:1: is empty"},
      {std::string(kHeader) + "f,0,0,1,1\n", "obs.csv: no comment '# image: WIDTHxHEIGHT'"},
      {"# image: 640\n" + std::string(kHeader), "obs.csv: the comment '# image:' is '640'"},
      {image + kHeader, "obs.csv: no rows"},
      {image + "frame,chart_x_mm,x,y\n", "obs.csv:2: no column 'chart_y_mm'"},
      {image + kHeader + "f,0,0,abc,1\n", "obs.csv:3: x is 'abc', wanted a number"},
      {image + kHeader + "f,0,0,nan,1\n", "obs.csv:3: x is 'nan'"},
      {image + kHeader + "f,0,0,,1\n", "obs.csv:3: x is blank"},
      {image + kHeader + " ,0,0,1,1\n", "obs.csv:3: frame is blank"},
      {image + kHeader + "f,0,0,1,1\nf,0,0,2000,1\n", "obs.csv:4: x is 2000 px, far outside"},
      {image + kHeader + "f,0,0,1,-481\n", "obs.csv:3: y is -481 px, far outside"},
      {image + kHeader + "f,0,0,1,1\ng,0,0,1,1\nf,-0,0,2,2\n",
       "obs.csv:5: the chart point (-0, 0, 0) mm stands twice in frame 'f', also on line 3"},
      {image + "frame,chart_x_mm,chart_y_mm,x,y,sigma_px\nf,0,0,1,1,0\n",
       "obs.csv:3: sigma_px is 0"},
  }};
  for (const auto& texts : cases) {
    const std::string& content = texts[0];
    const std::string& message = texts[1];
    CAPTURE(content);
    const std::string error = error_of(content);
    CHECK_MESSAGE(error.starts_with(message), error);
  }
}

TEST_CASE("views that could not be read back are not written") {
  constexpr double kNan = std::numeric_limits<double>::quiet_NaN();
  CHECK(error_of(Observations{}).find("no frame") != std::string::npos);
  CHECK(error_of(Observations{{view_of("a"), view_of("a")}, {}}).find("twice") !=
        std::string::npos);
  View other = view_of("b");
  other.plate_size = {1, 1};
  CHECK(error_of(Observations{{view_of("a"), other}, {}}).find("one file holds one size") !=
        std::string::npos);
  View broken = view_of("a");
  broken.corners[0].p_plate_px.x() = kNan;
  CHECK(error_of(Observations{{broken}, {}}).find("not a finite number") != std::string::npos);
  broken = view_of("a");
  broken.corners.push_back(broken.corners[0]);
  CHECK(error_of(Observations{{broken}, {}}).find("twice") != std::string::npos);
  broken = view_of(" ");
  CHECK(error_of(Observations{{broken}, {}}).find("no name") != std::string::npos);
  broken = view_of("a");
  broken.corners.clear();
  CHECK(error_of(Observations{{broken}, {}}).find("no corners") != std::string::npos);
}

TEST_CASE("from file to file") {
  const trueplate::tests::ScratchFolder scratch;
  const auto path = scratch.path() / "obs.csv";
  const Observations written{{view_of("a")}, {}};
  REQUIRE(trueplate::footage::write_observations(path, written, Overwrite::kRefuse));
  CHECK(trueplate::footage::read_observations(path).has_value());
  CHECK(trueplate::footage::write_observations(path, written, Overwrite::kRefuse).error().code ==
        trueplate::ErrorCode::kExists);
  CHECK(trueplate::footage::read_observations(scratch.path() / "none.csv").error().code ==
        trueplate::ErrorCode::kNotFound);
}

#include "calib/plate/tracks.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <iterator>
#include <string>

using trueplate::Result;
using trueplate::plate::frame_starts;
using trueplate::plate::num_common_tracks;
using trueplate::plate::parse_tracks;
using trueplate::plate::Tracks;

namespace {

Tracks tracks_in(const std::string& text) {
  Result<Tracks> tracks = parse_tracks(text, "t.csv");
  REQUIRE_MESSAGE(tracks.has_value(), (tracks ? "" : tracks.error().message));
  return std::move(*tracks);
}

std::string error_in(const std::string& text) {
  const Result<Tracks> tracks = parse_tracks(text, "t.csv");
  REQUIRE(!tracks);
  return tracks.error().message;
}

}  // namespace

TEST_CASE("columns stand in any order among others, rows in any order, frames are numbers") {
  const Tracks tracks = tracks_in(
      "# image: 1920x1080\n"
      "note,y,frame,track,x,weight\n"
      "a,2.5,1002,wall,1.5,1\n"
      "b,4,1001.5,\"door, left\",3,1\n"
      ",6,1001.5,wall,5,\n");
  CHECK(tracks.plate_size == trueplate::ImageSize{1920, 1080});
  CHECK(tracks.names == std::vector<std::string>{"wall", "door, left"});
  CHECK(tracks.frames == std::vector<double>{1001.5, 1002.0});
  REQUIRE(tracks.points.size() == 3);
  CHECK(tracks.points[0].track == 0);
  CHECK(tracks.points[0].p_px == trueplate::Point2d(5.0, 6.0));
  CHECK(tracks.points[1].track == 1);
  CHECK(tracks.points[2].frame == 1);
  CHECK(frame_starts(tracks) == std::vector<std::size_t>{0, 2, 3});
  CHECK(num_common_tracks(tracks, 0, 1) == 1);
  CHECK(tracks.warnings.empty());
}

TEST_CASE("names may hold anything") {
  const std::string name = "\"\xC3\xA4 \"\"x\"\" \n;\\ \xFF\"";
  const Tracks tracks = tracks_in("track,frame,x,y\n" + name + ",1,2,3\n-1,1,2,3\n");
  CHECK(tracks.names == std::vector<std::string>{"\xC3\xA4 \"x\" \n;\\ \xFF", "-1"});
}

TEST_CASE("gaps, NaN, repeated rows and points outside are kept apart and named") {
  const Tracks tracks = tracks_in(
      "# image: 100x50\n"
      "track,frame,x,y\n"
      "a,1,10,10\n"
      "a,2,,\n"
      "a,3,nan,-Inf\n"
      "a,1,10,10\n"
      "b,1,103,54\n");
  CHECK(tracks.points.size() == 2);
  CHECK(tracks.num_gaps == 2);
  REQUIRE(tracks.warnings.size() == 3);
  CHECK(tracks.warnings[0].code == "tracks-repeated");
  CHECK(tracks.warnings[0].message.find("line 6") != std::string::npos);
  CHECK(tracks.warnings[1].code == "tracks-not-a-number");
  CHECK(tracks.warnings[2].code == "tracks-outside-frame");
  CHECK(tracks.warnings[2].message.find("up to 5 px (first: line 7)") != std::string::npos);
}

TEST_CASE("what is no tracks file is refused with line and column") {
  CHECK(error_in("track,frame,x\na,1,2\n").find("'y'") != std::string::npos);
  CHECK(error_in("track,frame,x,y\n").find("no row with a point") != std::string::npos);
  CHECK(error_in("track,frame,x,y\na,1,,\n").find("no row with a point") != std::string::npos);
  CHECK(error_in("track,frame,x,y\na,one,2,3\n").find("t.csv:2: frame is 'one'") == 0);
  CHECK(error_in("track,frame,x,y\na,1,2,inf\n").find("no row with a point") != std::string::npos);
  CHECK(error_in("track,frame,x,y\na,1,2,infinite\n").find("t.csv:2: y is 'infinite'") == 0);
  CHECK(error_in("track,frame,x,y\na,-1.003e12,2,3\n").find("t.csv:2: frame is -1003000000000") ==
        0);
  CHECK(error_in("track,frame,x,y\na,shot.exr,2,3\n").find("t.csv:2: frame is 'shot.exr'") == 0);
  CHECK(error_in("track,frame,x,y\na,1,2,\n").find("t.csv:2: y is") == 0);
  CHECK(error_in("track,frame,x,y\n ,1,2,3\n").find("t.csv:2: track is blank") == 0);
  CHECK(error_in("track,frame,x,y\na,1,2,3\na,1,2,4\n") ==
        "t.csv:3: track 'a' is at (2, 4) in frame 1, but at (2, 3) on line 2; keep one");
  CHECK(error_in("").find("t.csv") == 0);
}

TEST_CASE("a million rows are read") {
  fmt::memory_buffer text;
  fmt::format_to(std::back_inserter(text), "track,frame,x,y\n");
  for (int frame = 0; frame < 1000; ++frame) {
    for (int track = 0; track < 1000; ++track) {
      fmt::format_to(std::back_inserter(text), "t{},{},{}.5,{}.25\n", track, frame, track, frame);
    }
  }
  const Tracks tracks = tracks_in(fmt::to_string(text));
  CHECK(tracks.points.size() == 1000000);
  CHECK(tracks.names.size() == 1000);
  CHECK(num_common_tracks(tracks, 0, 999) == 1000);
}

TEST_CASE("a file may call its columns otherwise") {
  const Result<Tracks> tracks =
      parse_tracks("name,t,u,v,x\na,1,2,3,9\n",
                   "t.csv",
                   {{"track", "name"}, {"frame", "t"}, {"x", "u"}, {"y", "v"}});
  REQUIRE(tracks.has_value());
  CHECK(tracks->names.front() == "a");
  CHECK(tracks->points.front().p_px == trueplate::Point2d(2.0, 3.0));
  const Result<Tracks> absent =
      parse_tracks("name,frame,x,y\na,1,2,3\n", "t.csv", {{"track", "id"}});
  REQUIRE(!absent);
  CHECK(absent.error().message == "t.csv:1: no column 'id'; the header row has: name, frame, x, y");
}

TEST_CASE("a point beyond any picture is a gap, and is told") {
  const Tracks tracks = tracks_in(
      "# image: 100x100\n"
      "track,frame,x,y\n"
      "a,1,1e300,1e300\n"
      "a,2,50,-1000001\n"
      "a,3,50,-999900\n");
  CHECK(tracks.points.size() == 1);
  CHECK(tracks.num_gaps == 2);
  REQUIRE(tracks.warnings.size() == 2);
  CHECK(tracks.warnings[0].code == "tracks-beyond-any-picture");
  CHECK(tracks.warnings[0].message.find("2 points are more than 1000000 px") != std::string::npos);
  CHECK(tracks.warnings[0].message.find("first: line 3") != std::string::npos);
  CHECK(tracks.warnings[1].message.find("up to 999900 px (first: line 5)") != std::string::npos);
  CHECK(error_in("track,frame,x,y\na,1,1e300,2\n").find("no row with a point") !=
        std::string::npos);
}

TEST_CASE("a frame may be a file's name, and tabs may separate the columns") {
  const Tracks tracks = tracks_in(
      "track\tframe\tx\ty\n"
      "a\tplates/shot.1001.exr\t1\t2\n"
      "a\tleft07.jpg\t1\t2\n"
      "a\t1002\t1\t2\n"
      "a\ttake2_0990\t1\t2\n");
  CHECK(tracks.frames == std::vector<double>{7.0, 990.0, 1001.0, 1002.0});
}

TEST_CASE("tracks that fill only a quarter of the plate may be those of a smaller copy") {
  std::string text = "# image: 2000x1000\ntrack,frame,x,y\n";
  for (int i = 0; i < 30; ++i) text += fmt::format("t{},1,{},{}\n", i, 30 * i, 15 * i);
  const Tracks quarter = tracks_in(text);
  REQUIRE(quarter.warnings.size() == 1);
  CHECK(quarter.warnings[0].code == "tracks-in-a-quarter");
  CHECK(tracks_in(text + "right,1,1900,10\n").warnings.empty());
}

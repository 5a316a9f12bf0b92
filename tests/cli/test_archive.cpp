// The catalogue from the command line: filing, finding, getting back, checking; hostile input.

#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "calib/base/atomic_file.h"
#include "calib/profile/profile.h"
#include "tests/calib/profile/example_profile.h"
#include "tests/cli/run_program.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using tests::ProgramResult;
using tests::run_program;
using tests::run_trueplate;

namespace {

namespace fs = std::filesystem;

std::string content_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

class Catalogue {
 public:
  Catalogue() : archive_((folder_.path() / "lenses.archive").string()) {}

  ProgramResult run(std::vector<std::string> arguments) const {
    arguments.insert(arguments.begin(), "archive");
    arguments.insert(arguments.end(), {"--archive", archive_});
    return run_trueplate(arguments);
  }
  nlohmann::json json(std::vector<std::string> arguments) const {
    arguments.insert(arguments.end(), {"--json", "-"});
    return nlohmann::json::parse(run(arguments).output);
  }
  std::string path(const std::string& name) const { return (folder_.path() / name).string(); }

  /// A profile file; `rms_px` tells one from another.
  std::string profile(const std::string& name, const std::string& serial, double rms_px) const {
    profile::Profile profile = tests::example_profile();
    profile.stations.resize(1);
    profile.labels.lens = "Lumen Vista 35";
    profile.labels.serial = serial;
    profile.stations[0].quality->rms_px = rms_px;
    REQUIRE(profile::write_profile(path(name), profile, Overwrite::kRefuse).has_value());
    return path(name);
  }

 private:
  tests::ScratchFolder folder_;
  std::string archive_;
};

}  // namespace

TEST_CASE("a list stays within the terminal, also where a label is long") {
  if (run_program("script", {"--version"}).status != 0) {
    MESSAGE("skipped: script(1) of util-linux is not installed");
    return;
  }
  const Catalogue catalogue;
  REQUIRE(catalogue.run({"add", catalogue.profile("a.json", "A-1", 0.1)}).status == 0);
  const auto shown = [&](int columns) {
    const std::string line = "stty cols " + std::to_string(columns) + "; NO_COLOR=1 TERM=xterm " +
                             tests::trueplate_program() + " archive find --archive " +
                             catalogue.path("lenses.archive");
    const std::string text = run_program("script", {"-qec", line, "/dev/null"}).output;
    std::size_t longest = 0;
    for (std::size_t begin = 0; begin < text.size();) {
      const std::size_t end = std::min(text.find("\r\n", begin), text.size());
      longest = std::max(longest, end - begin);
      begin = end + 2;
    }
    CAPTURE(text);
    CHECK(longest <= static_cast<std::size_t>(columns));
    return text;
  };
  CHECK(shown(80).find("predicted error") != std::string::npos);
  REQUIRE(catalogue
              .run({"add",
                    catalogue.profile("b.json", "B-1", 0.1),
                    "--body",
                    std::string(60, 'x'),
                    "--by",
                    std::string(40, 'y')})
              .status == 0);
  CHECK(shown(80).find("body xxx") != std::string::npos);
  CHECK(shown(120).find("A-1") != std::string::npos);
  // Elsewhere a line each, for grep.
  CHECK(catalogue.run({"find"}).output.find("predicted px") != std::string::npos);
}

TEST_CASE("a lens is filed, found, got back byte by byte, and takes the place of the old one") {
  const Catalogue catalogue;
  const std::string first = catalogue.profile("first.json", "A-1001", 0.11);
  std::ofstream(catalogue.path("obs.csv")) << "# image: 1920x1080\nframe,chart_x_mm\n";
  const ProgramResult filed = catalogue.run({"add",
                                             first,
                                             "--maker",
                                             "Lumen",
                                             "--note",
                                             "before the shoot",
                                             "--observations",
                                             catalogue.path("obs.csv")});
  CHECK_MESSAGE(filed.status == 0, filed.errors);
  CHECK(filed.output == first + ": filed as 1\n");
  CHECK(catalogue.run({"add", first}).output == first + ": is there already, as 1\n");
  const ProgramResult again = catalogue.run({"add", first, "--maker", "Other", "--note", "new"});
  CHECK(again.status == 0);
  CHECK(again.errors.find("not taken over: maker, note") != std::string::npos);

  const std::string second = catalogue.profile("second.json", "A-1001", 0.12);
  CHECK(catalogue.json({"add", second, "--maker", "Lumen"})["added"][0]["supersedes"] == 1);
  const nlohmann::json found = catalogue.json({"find", "vista", "35mm", "near", "2", "m"});
  REQUIRE(found["calibrations"].size() == 1);
  CHECK(found["calibrations"][0]["id"] == 2);
  CHECK(catalogue.json({"history", "2"})["calibrations"].size() == 2);
  CHECK(catalogue.run({"show", "vista"}).output.find("takes place of  1") != std::string::npos);

  CHECK(catalogue.run({"get", "A-1001", "-o", catalogue.path("back.json")}).status == 0);
  CHECK(content_of(catalogue.path("back.json")) == content_of(second));
  const ProgramResult old = catalogue.run(
      {"get", "1", "-o", catalogue.path("old.json"), "--attachments", catalogue.path("kept")});
  CHECK(old.status == 0);
  CHECK(old.errors.find("superseded by 2") != std::string::npos);
  CHECK(content_of(catalogue.path("kept/1_obs.csv")) == content_of(catalogue.path("obs.csv")));
  CHECK(catalogue.run({"get", "1", "-o", catalogue.path("old.json")}).status == 1);  // exists
  CHECK(
      catalogue
          .run(
              {"get", "1", "-o", catalogue.path("x.json"), "--attachments", catalogue.path("kept")})
          .status == 1);
  CHECK_FALSE(fs::exists(catalogue.path("x.json")));  // all or nothing

  const nlohmann::json checked = catalogue.json({"verify"});
  CHECK(checked["checked"] == 2);
  CHECK(catalogue.run({"verify", "--seal", checked["seal"]}).status == 0);
  CHECK(catalogue.run({"verify", "--seal", std::string(64, '0')}).status == 1);
}

TEST_CASE("a folder is taken in, everything is written out, and taken in elsewhere") {
  const Catalogue catalogue;
  fs::create_directories(catalogue.path("in/below"));
  for (int i = 0; i < 5; ++i) {
    catalogue.profile("in/" + std::string(i % 2 == 0 ? "" : "below/") + std::to_string(i) + ".json",
                      "S-" + std::to_string(i),
                      0.1);
  }
  std::ofstream(catalogue.path("in/other.json")) << "{\"no\": \"profile\"}";
  std::ofstream(catalogue.path("in/readme.txt")) << "nothing to file";
  const ProgramResult filed = catalogue.run({"add", catalogue.path("in")});
  CHECK(filed.status == 3);
  CHECK(filed.errors.find("other.json") != std::string::npos);
  CHECK(catalogue.run({"export", "-o", catalogue.path("out")}).status == 0);
  CHECK(fs::exists(catalogue.path("out/000001_lumen-vista-35_s-0.json")));
  CHECK(content_of(catalogue.path("out/index.csv")).starts_with("id,maker,model,"));

  const Catalogue other;
  const nlohmann::json again = other.json({"add", catalogue.path("out")});
  CHECK(again["added"].size() == 5);
  CHECK(again["failed"].empty());
  CHECK(other.json({"add", catalogue.path("out")})["added"][0]["was_there"] == true);
  CHECK(catalogue.run({"find", "--csv", catalogue.path("list.csv"), "--most", "2"})
            .output.find("more than 2") != std::string::npos);
  CHECK(catalogue.run({"find", "--csv", "-", "--most", "2"}).output ==
        content_of(catalogue.path("list.csv")));
  CHECK(catalogue.run({"find", "--csv", "-", "--json", "-"}).status == 2);
}

TEST_CASE("an export taken in again brings its labels, notes, files, and who filed it when") {
  const Catalogue catalogue;
  const std::string first = catalogue.profile("first.json", "A-1001", 0.11);
  const std::string second = catalogue.profile("second.json", "A-1001", 0.12);
  const std::string third = catalogue.profile("third.json", "A-1001", 0.13);
  std::ofstream(catalogue.path("Obs, 1.csv")) << "# image: 1920x1080\nframe,chart_x_mm\n";
  std::ofstream(catalogue.path("grid.json")) << "no picture, no profile";
  const std::vector<std::string> labels{"--maker",
                                        "'=Lumen",
                                        "--series",
                                        "=HYPERLINK(1)",
                                        "--recording-mode",
                                        "open gate",
                                        "--note",
                                        "fell\n\"hard\", wobbles",
                                        "--by",
                                        "mira"};
  const auto add = [&](std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), "add");
    arguments.insert(arguments.end(), labels.begin(), labels.end());
    CHECK(catalogue.run(arguments).status == 0);
  };
  add({first, "--observations", catalogue.path("Obs, 1.csv")});
  add({second, "--picture", catalogue.path("grid.json")});
  add({third, "--supersedes", "none"});
  CHECK(catalogue.run({"export", "-o", catalogue.path("out")}).status == 0);
  // No cell is a formula.
  CHECK(content_of(catalogue.path("out/index.csv")).find(",'=HYPERLINK(1),") != std::string::npos);

  const Catalogue other;
  const ProgramResult told = other.run({"add", catalogue.path("out")});
  CHECK_MESSAGE(told.status == 0, told.errors);
  CHECK(told.output.find("taken over for 3 profiles") != std::string::npos);
  for (const char* id : {"1", "2", "3"}) {
    const nlohmann::json before = catalogue.json({"show", id});
    const nlohmann::json after = other.json({"show", id});
    CHECK(before == after);  // the checksum too, so all that it covers
  }
  CHECK(other.json({"verify"})["seal"] == catalogue.json({"verify"})["seal"]);

  // Who takes it in may say who files it; what was exported must still be there, and nothing else.
  const Catalogue by_another;
  const nlohmann::json added =
      by_another.json({"add", catalogue.path("out"), "--by", "z", "--note", "from the house"});
  CHECK(added["added"].size() == 3);
  const nlohmann::json shown = by_another.json({"show", "1"});
  CHECK(shown["added_by"] == "z");
  CHECK(shown["note"] == "from the house");
  CHECK(shown["maker"] == "'=Lumen");
  const Catalogue damaged;
  std::ofstream(catalogue.path("out/000001_attachments/1_obs-1.csv")) << "another";
  CHECK(damaged.run({"add", catalogue.path("out")}).errors.find("not the file that was exported") !=
        std::string::npos);
  std::ofstream(catalogue.path("out/attachments.csv"))
      << "id,kind,name,file,sha256\n1,picture,x,../third.json,00\n";
  CHECK(damaged.run({"add", catalogue.path("out")}).errors.find("outside the folder") !=
        std::string::npos);
  std::ofstream(catalogue.path("out/index.csv")) << "shot,lens\n1,wide\n";  // another list
  CHECK(damaged.json({"add", catalogue.path("out")})["failed"].empty());
}

TEST_CASE("profiles of one state in one call are warned of: they may be several states") {
  const Catalogue catalogue;
  const std::string first = catalogue.profile("first.json", "A-1001", 0.11);
  const std::string second = catalogue.profile("second.json", "A-1001", 0.12);
  const nlohmann::json told = catalogue.json({"add", first, second});
  REQUIRE(told["added"].size() == 2);
  CHECK(told["added"][1]["supersedes"] == told["added"][0]["id"]);
  REQUIRE(told["warnings"].size() == 1);
  CHECK(told["warnings"][0]["code"] == "superseded-in-one-call");
  // In a later call it is what it says, a new calibration.
  const nlohmann::json later =
      catalogue.json({"add", catalogue.profile("third.json", "A-1001", 0.13)});
  CHECK(later["warnings"].empty());
  CHECK(later["added"][0]["supersedes"] == told["added"][1]["id"]);
}

TEST_CASE("wrong words, absent archives and hostile labels") {
  const Catalogue catalogue;
  CHECK(run_trueplate({"archive"}).status == 2);
  CHECK(run_trueplate({"archive", "find"}).status == 2);  // no archive named
  CHECK(catalogue.run({"find"}).status == 1);             // none there
  CHECK_FALSE(fs::exists(catalogue.path("lenses.archive")));
  CHECK(catalogue.run({"add", catalogue.path("gone.json")}).status == 1);

  const std::string profile = catalogue.profile("a.json", "A", 0.1);
  const std::string hostile = "\x1b[31mred'; DROP TABLE lens; --\n../../etc";
  CHECK(catalogue.run({"add", profile, "--model", hostile, "--note", hostile}).status == 0);
  const ProgramResult list = catalogue.run({"find"});
  CHECK(list.output.find('\x1b') == std::string::npos);
  CHECK(list.output.find("DROP TABLE") != std::string::npos);
  CHECK(catalogue.run({"show", "1"}).output.find('\x1b') == std::string::npos);
  CHECK(catalogue.run({"export", "-o", catalogue.path("out")}).status == 0);
  CHECK(fs::exists(catalogue.path("out/000001_31mred-drop-table-lens-etc_a.json")));

  CHECK(catalogue.run({"find", "--focal", "wide"}).status == 2);
  CHECK(catalogue.run({"find", "35mm", "50mm"}).status == 2);
  CHECK(catalogue.run({"find", "%"}).status == 2);
  CHECK(catalogue.run({"find", "--plate", "huge"}).status == 2);
  CHECK(catalogue.run({"find", "--footage", catalogue.path("gone.exr")}).status == 1);
  CHECK(catalogue.run({"show", "99"}).status == 1);
  CHECK(catalogue.run({"get", "nothing-like-it", "-o", catalogue.path("x.json")}).status == 1);
  CHECK(catalogue.run({"add", profile, "--supersedes", "first"}).status == 2);
  catalogue.profile("b.json", "B", 0.1);
  CHECK(catalogue.run({"add", catalogue.path("b.json")}).status == 0);
  const ProgramResult several =
      catalogue.run({"show", "--by", tests::run_program("id", {"-un"}).output.substr(0, 4)});
  CHECK(several.errors.find("name one by its id") != std::string::npos);
  CHECK(catalogue.run({"add", profile, catalogue.path("b.json"), "--picture", profile}).status ==
        2);
  std::ofstream(catalogue.path("text")) << "no archive";
  CHECK(run_trueplate({"archive", "find", "--archive", catalogue.path("text")}).status == 1);
  CHECK(run_trueplate({"archive", "find", "--archive", "postgresql://x:y@127.0.0.1:1/z"}).status ==
        1);
}

#include "calib/base/temporary_file.h"

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <set>
#include <string>
#include <string_view>

#include "calib/base/atomic_file.h"
#include "tests/support/test_data.h"

using namespace trueplate;
using trueplate::tests::ScratchFolder;

namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;

fs::path touch(const fs::path& path, std::chrono::hours age = 0h) {
  std::ofstream(path) << "half a picture";
  fs::last_write_time(path, fs::file_time_type::clock::now() - age);
  return path;
}

/// The name a temporary file of this process has, with one of its numbers changed: 0 the place, 1
/// the process, 2 its start.
std::string name_with(const fs::path& temporary, int which, const std::string& number) {
  const std::string name = temporary.filename().string();
  std::size_t begin = name.find('.', 1) + 1;
  for (int i = 0; i < which; ++i) begin = name.find('-', begin) + 1;
  return name.substr(0, begin) + number + name.substr(name.find('-', begin));
}

}  // namespace

TEST_CASE("temporary names: hidden, beside the file, with its extension, never the same twice") {
  const fs::path first = temporary_path_for("plates/straight.0001.exr");
  const fs::path second = temporary_path_for("plates/straight.0001.exr");
  CHECK(first != second);
  CHECK(first.parent_path() == "plates");
  CHECK(first.extension() == ".exr");
  CHECK(first.filename().string().starts_with(".straight.0001."));
  CHECK(temporary_path_for("no_extension").filename().string().ends_with(".part"));
  CHECK(temporary_path_for(std::string(250, 'n').append(".exr")).filename().string().size() == 255);
}

TEST_CASE("what a dead process left is removed, what a living one writes is not") {
  const ScratchFolder folder;
  const fs::path final_path = folder.path() / "straight.0001.exr";
  const fs::path mine = touch(temporary_path_for(final_path), 1000h);
  const pid_t child = ::fork();
  if (child == 0) {
    touch(temporary_path_for(final_path));
    ::_exit(0);
  }
  REQUIRE(::waitpid(child, nullptr, 0) == child);
  // A process id is given out again: this one's, but of an earlier start.
  const fs::path recycled = touch(folder.path() / name_with(mine, 2, "1"));
  const fs::path absurd = touch(folder.path() / name_with(mine, 1, "18446744073709551615"));
  CHECK(remove_leftovers(folder.path()).size() == 3);
  CHECK(fs::exists(mine));
  CHECK(!fs::exists(recycled));
  CHECK(!fs::exists(absurd));
  CHECK(std::distance(fs::directory_iterator(folder.path()), fs::directory_iterator()) == 1);
}

TEST_CASE("of another machine only what is old enough is removed") {
  const ScratchFolder folder;
  const fs::path mine = temporary_path_for(folder.path() / "straight.0001.exr");
  const fs::path fresh = touch(folder.path() / name_with(mine, 0, "00000000000000a1"));
  const fs::path old =
      touch(folder.path() / name_with(mine, 0, "00000000000000a2"), kLeftoverAge + 1h);
  const fs::path unknown = touch(folder.path() / name_with(mine, 0, "0000000000000000"));
  CHECK(remove_leftovers(folder.path()) == std::vector<fs::path>{old});
  CHECK(fs::exists(fresh));
  CHECK(fs::exists(unknown));
}

TEST_CASE("other names are nobody's business") {
  const ScratchFolder folder;
  for (const char* name : {"straight.0001.exr",
                           ".straight.part.exr",
                           ".straight.12-0.part.exr",
                           ".straight.a1-1-1-x.part.exr",
                           ".straight.a1-1-1-1-1.part.exr",
                           ".straight.a1--1-1-1.part.exr",
                           ".straight.a1-1-1-1.part.exr.bak",
                           ".straight.a1-1-1-1.exr",
                           "straight.a1-1-1-1.part.exr",
                           ".part",
                           ".straight.fffffffffffffffffffff-1-1-1.part"}) {
    touch(folder.path() / name, kLeftoverAge + 1h);
  }
  fs::create_directory(folder.path() / ".folder.a1-1-1-1.part.exr");
  fs::create_symlink("straight.0001.exr", folder.path() / ".link.a1-1-1-1.part.exr");
  CHECK(remove_leftovers(folder.path()).empty());
  CHECK(remove_leftovers(folder.path() / "gone").empty());
}

TEST_CASE("files written whole or not at all use these names") {
  const ScratchFolder folder;
  const auto file = AtomicFile::create(folder.path() / "a.exr", Overwrite::kRefuse);
  REQUIRE(file);
  touch(file->temporary_path());
  CHECK(remove_leftovers(folder.path()).empty());
  CHECK(fs::exists(file->temporary_path()));
}

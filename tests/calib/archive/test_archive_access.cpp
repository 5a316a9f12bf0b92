// Who may read an archive's file and not write to it, and files that are no archive: what stands
// beside a file, and the file itself, is afterwards as it was. SQLite's log is two files, -wal and
// -shm, made by whoever opens the database first (https://www.sqlite.org/wal.html).

#include <doctest/doctest.h>
#include <grp.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <functional>
#include <iterator>
#include <set>
#include <string>
#include <thread>

#include "tests/calib/archive/archives.h"

using namespace trueplate;
using namespace trueplate::archive;
using namespace trueplate::tests;
using namespace std::chrono_literals;

namespace {

namespace fs = std::filesystem;

int status_of(const std::function<int()>& work) {
  const pid_t process = fork();
  if (process == 0) _exit(work());
  int status = 0;
  waitpid(process, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

/// Runs `work` as a user to whom nothing here belongs; whoever runs the tests when that is not the
/// administrator, so take permissions from the owner too.
int status_as_other(const std::function<int()>& work) {
  return status_of([&] {
    constexpr uid_t kNobody = 65534;
    if (geteuid() == 0 &&
        (setgroups(0, nullptr) != 0 || setgid(kNobody) != 0 || setuid(kNobody) != 0)) {
      return 99;
    }
    return work();
  });
}

/// How many calibrations this user reads in it, in each way there is; 90 and above: cannot.
int readable(const std::string& location) {
  const Result<Archive> archive = Archive::open(location);
  if (!archive) return 90;
  const Result<std::vector<Entry>> found = archive->find({.superseded = true});
  if (!found) return 91;
  if (!archive->document(1) || !archive->attachments(1) || !archive->history(1)) return 92;
  const Result<Verification> verified = archive->verify();
  if (!verified || !verified->damages.empty()) return 93;
  return static_cast<int>(found->size());
}

/// 0 when this user's filing is refused in words that hold `words`, before or after opening.
int refused(const std::string& location, const Filing& filing, const std::string& words) {
  for (const Absent absent : {Absent::kCreate, Absent::kRefuse}) {
    Result<Archive> archive = Archive::open(location, absent);
    const Error error = archive ? archive->add({&filing, 1}).error() : archive.error();
    if (error.code != ErrorCode::kUnwritable) return 1;
    if (error.message.find(words) == std::string::npos) return 2;
    if (error.message.find("backend") != std::string::npos) return 3;
  }
  return 0;
}

std::set<std::string> names_in(const fs::path& folder) {
  std::set<std::string> names;
  for (const auto& entry : fs::directory_iterator(folder)) names.insert(entry.path().filename());
  return names;
}

std::string bytes_of(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(file), {}};
}

constexpr auto kAll = fs::perms::all;
constexpr auto kReadFolder = fs::perms(0555);
constexpr auto kReadFile = fs::perms(0444);
constexpr auto kOwnFile = fs::perms(0644);

/// A folder for everybody with an archive of one calibration that others may read.
class Shared {
 public:
  Shared() : location((folder_.path() / "the lenses #1.archive").string()) {
    fs::permissions(folder_.path(), kAll);
    add(0.1);
  }
  ~Shared() { fs::permissions(folder_.path(), kAll); }

  void add(double rms_px) const {
    Archive archive = open_archive({"SQLite", location});
    file_one(archive, filing_of(LensWords{.rms_px = rms_px}));
  }
  fs::path folder() const { return folder_.path(); }

 private:
  ScratchFolder folder_;

 public:
  const std::string location;
};

}  // namespace

TEST_CASE("a reader who may not write leaves nothing behind, and the owner files on") {
  const Shared shared;
  const std::set<std::string> before = names_in(shared.folder());
  CHECK(before.size() == 1);
  fs::permissions(shared.location, kReadFile);
  CHECK(status_as_other([&] { return readable(shared.location); }) == 1);
  CHECK(names_in(shared.folder()) == before);
  const Filing filing = filing_of(LensWords{.rms_px = 0.2});
  CHECK(status_as_other([&] { return refused(shared.location, filing, "not write to it"); }) == 0);
  CHECK(names_in(shared.folder()) == before);
  fs::permissions(shared.location, kOwnFile);
  shared.add(0.3);
}

TEST_CASE("an archive is read in a folder where nothing may be made") {
  const Shared shared;
  fs::permissions(shared.location, fs::perms(0666));
  fs::permissions(shared.folder(), kReadFolder);
  CHECK(status_as_other([&] { return readable(shared.location); }) == 1);
  const Filing filing = filing_of(LensWords{.rms_px = 0.2});
  CHECK(status_as_other(
            [&] { return refused(shared.location, filing, "may not write to this folder"); }) == 0);
}

TEST_CASE("what a killed writer left is read beside its log, or said to wait") {
  const Shared shared;
  CHECK(status_of([&] {  // ends without closing
          Archive archive = open_archive({"SQLite", shared.location});
          file_one(archive, filing_of(LensWords{.rms_px = 0.2}));
          _exit(7);
          return 0;
        }) == 7);
  const std::set<std::string> left = names_in(shared.folder());
  REQUIRE(left.size() == 3);
  for (const std::string& name : left) fs::permissions(shared.folder() / name, kReadFile);
  CHECK(status_as_other([&] { return readable(shared.location); }) == 2);
  CHECK(names_in(shared.folder()) == left);

  fs::remove(shared.location + "-shm");
  CHECK(status_as_other([&] {
          const Result<Archive> archive = Archive::open(shared.location);
          if (archive) return 1;
          return archive.error().message.find("archive verify") == std::string::npos ? 2 : 0;
        }) == 0);
  for (const std::string& name : names_in(shared.folder())) {
    fs::permissions(shared.folder() / name, kOwnFile);
  }
  shared.add(0.3);
  CHECK(readable(shared.location) == 3);
  CHECK(names_in(shared.folder()).size() == 1);
}

TEST_CASE("a log that belongs to somebody else is named, with what helps") {
  const Shared shared;
  fs::permissions(shared.location, fs::perms(0666));
  for (const char* end : {"-wal", "-shm"}) {
    std::ofstream(shared.location + end);
    fs::permissions(shared.location + end, kReadFile);
  }
  const Filing filing = filing_of(LensWords{.rms_px = 0.2});
  CHECK(status_as_other([&] { return refused(shared.location, filing, "chown --reference"); }) ==
        0);
}

TEST_CASE("what is read without locks is not trusted once somebody wrote to it") {
  const Shared shared;
  fs::permissions(shared.location, kReadFile);
  int opened[2];
  int written[2];
  REQUIRE(pipe(opened) == 0);
  REQUIRE(pipe(written) == 0);
  std::thread owner([&] {
    char byte = 0;
    if (read(opened[0], &byte, 1) != 1) return;
    fs::last_write_time(shared.location, fs::last_write_time(shared.location) + 1s);
    if (write(written[1], &byte, 1) != 1) return;
  });
  CHECK(status_as_other([&] {
          const Result<Archive> archive = Archive::open(shared.location);
          if (!archive || !archive->find({})) return 1;
          char byte = '+';
          if (write(opened[1], &byte, 1) != 1 || read(written[0], &byte, 1) != 1) return 2;
          const Result<std::vector<Entry>> found = archive->find({});
          return !found && found.error().message.find("ask again") != std::string::npos ? 0 : 3;
        }) == 0);
  close(opened[1]);  // ends the wait of an owner who was not told
  owner.join();
  for (const int end : {opened[0], written[0], written[1]}) close(end);
  fs::permissions(shared.location, kOwnFile);
}

TEST_CASE("a database that is no archive, and an empty file, stay as they are") {
  const Shared shared;
  const std::string other = (shared.folder() / "other.db").string();
  std::ofstream{other};
  for (const Absent absent : {Absent::kRefuse, Absent::kCreate}) {
    if (absent == Absent::kRefuse) {
      CHECK(Archive::open(other, absent).error().code == ErrorCode::kNotFound);
      CHECK(fs::file_size(other) == 0);
      CHECK(send_sql({"SQLite", other}, "CREATE TABLE recipes (name TEXT)") == "");
    }
    const std::string before = bytes_of(other);
    CHECK(Archive::open(other, absent).error().code == ErrorCode::kUnreadable);
    CHECK(bytes_of(other) == before);
  }
  CHECK(names_in(shared.folder()).size() == 2);
}

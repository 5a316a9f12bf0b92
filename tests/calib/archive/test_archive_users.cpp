// Several processes at one archive, and processes that are killed at any moment.

#include <doctest/doctest.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <cstdlib>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "tests/calib/archive/archives.h"

using namespace trueplate;
using namespace trueplate::archive;
using namespace trueplate::tests;

namespace {

/// Runs `work` in a process of its own, which ends with the status it returns.
pid_t start(const std::function<int()>& work) {
  const pid_t process = fork();
  if (process != 0) return process;
  _exit(work());
}

int status_of(pid_t process) {
  int status = 0;
  waitpid(process, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
}

/// Documents made beforehand, so that a process has nothing to do but to file them.
std::vector<Filing> filings(int count, const std::string& serial) {
  std::vector<Filing> result;
  for (int i = 0; i < count; ++i) {
    result.push_back(filing_of(LensWords{.serial = serial, .rms_px = 0.1 + 1e-6 * i}));
  }
  return result;
}

/// Files them one by one and says so in the pipe after each.
int file_and_tell(const ArchivePlace& place, const std::vector<Filing>& mine, int pipe) {
  Result<Archive> archive = Archive::open(place.location, Absent::kCreate);
  if (!archive) return 2;
  for (const Filing& filing : mine) {
    if (!archive->add({&filing, 1})) return 3;
    const char done = '+';
    if (write(pipe, &done, 1) != 1) return 4;
  }
  return 0;
}

/// How many records a writer of `mine` said it had filed, before or after it was killed: while it
/// was at the one after its first `first` ones, at a moment that chance chooses.
int filed_until_killed(const ArchivePlace& place,
                       const std::vector<Filing>& mine,
                       int first,
                       useconds_t moment_us) {
  int pipes[2];
  REQUIRE(pipe(pipes) == 0);
  const pid_t process = start([&] { return file_and_tell(place, mine, pipes[1]); });
  close(pipes[1]);
  int reported = 0;
  char done = 0;
  while (reported < first && read(pipes[0], &done, 1) == 1) ++reported;
  usleep(moment_us);
  kill(process, SIGKILL);
  const int status = status_of(process);
  CHECK((status == 128 + SIGKILL || status == 0));
  while (read(pipes[0], &done, 1) == 1) ++reported;
  close(pipes[0]);
  return reported;
}

}  // namespace

TEST_CASE("eight writers and eight readers at once, none lost") {
  constexpr int kUsers = 8;
  constexpr int kEach = 12;
  const ScratchFolder folder;
  for (const ArchivePlace& place : archive_places(folder)) {
    CAPTURE(place.kind);
    std::vector<pid_t> processes;
    for (int user = 0; user < kUsers; ++user) {
      // Half of them calibrate the same lens, so that each takes the place of another's.
      const std::vector<Filing> mine =
          filings(kEach, user % 2 == 0 ? "shared" : "own-" + std::to_string(user));
      std::vector<Filing> own = mine;
      for (Filing& filing : own) filing.note = "by user " + std::to_string(user);
      for (std::size_t i = 0; i < own.size(); ++i) {
        // No two users file the same document.
        profile::Profile profile =
            lens_profile({.serial = user % 2 == 0 ? "shared" : "own-" + std::to_string(user),
                          .rms_px = 0.1 + 0.01 * user + 1e-6 * double(i)});
        own[i].document = *profile::profile_text(profile);
      }
      processes.push_back(start([&place, own] {
        Result<Archive> archive = Archive::open(place.location, Absent::kCreate);
        if (!archive) return 2;
        for (const Filing& filing : own) {
          if (!archive->add({&filing, 1})) return 3;
        }
        return 0;
      }));
      processes.push_back(start([&place] {
        for (int i = 0; i < 20; ++i) {
          const Result<Archive> archive = Archive::open(place.location, Absent::kCreate);
          if (!archive) {
            std::fprintf(stderr, "%s\n", archive.error().message.c_str());
            return 4;
          }
          const auto entries = archive->find({.serial = "shared", .most = 10});
          if (!entries) return 5;
          // Of one lens, camera and state there is never more than one current calibration.
          if (entries->size() > 1) return 6;
          if (!entries->empty() && !archive->document(entries->front().id)) return 7;
        }
        return 0;
      }));
    }
    for (const pid_t process : processes) CHECK(status_of(process) == 0);
    const Archive archive = open_archive(place);
    CHECK(archive.find({.superseded = true, .most = 1000})->size() == kUsers * kEach);
    const Result<Verification> verified = archive.verify();
    REQUIRE(verified.has_value());
    CHECK(verified->num_checked == kUsers * kEach);
    CHECK(verified->damages.empty());
  }
}

TEST_CASE("a writer killed at any moment, 200 times: what it had filed is there, and whole") {
  constexpr int kKills = 200;
  const ScratchFolder folder;
  for (const ArchivePlace& place : archive_places(folder)) {
    CAPTURE(place.kind);
    { Archive archive = open_archive(place); }
    std::mt19937 random(7);
    // A record takes some milliseconds; of 0 the kill comes while the archive is opened.
    std::uniform_int_distribution<int> first(0, 3);
    std::uniform_int_distribution<useconds_t> moment_us(0, 8'000);
    std::int64_t reported = 0;
    std::int64_t waited_for = 0;
    for (int kill_number = 0; kill_number < kKills; ++kill_number) {
      const std::vector<Filing> mine = filings(8, "killed-" + std::to_string(kill_number));
      const int until = first(random);
      waited_for += until;
      reported += filed_until_killed(place, mine, until, moment_us(random));
    }
    const Archive archive = open_archive(place);
    const Result<Verification> verified = archive.verify();
    REQUIRE(verified.has_value());
    CHECK(verified->damages.empty());
    CHECK(reported >= waited_for);
    // One more a kill may be in: filed, but killed before it could say so.
    CHECK(verified->num_checked >= reported);
    CHECK(verified->num_checked <= reported + kKills);
    MESSAGE(place.kind, ": ", reported, " records filed between ", kKills, " kills");
  }
}

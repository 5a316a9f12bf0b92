#include "calib/footage/content_digest.h"

#include <doctest/doctest.h>
#include <sys/stat.h>

#include <fstream>
#include <string>

#include "tests/support/test_data.h"

using namespace trueplate;
using namespace trueplate::footage;
using trueplate::tests::ScratchFolder;

namespace fs = std::filesystem;

TEST_CASE("XXH3 with 128 bits, as others compute it") {
  // The empty input: XXH3 reference vectors of the xxHash project (XSUM_sanity_check, seed 0). The
  // others: `xxhsum -H128` 0.8.1 of Debian on files made with printf.
  CHECK(digest_of_text("") == "99aa06d3014798d86001c324468d497f");
  CHECK(digest_of_text("a") == "a96faf705af16834e6c632b61e964e1f");
  CHECK(digest_of_text(std::string(1000, 'x')) == "50a1af5a5f2dcf01c0a4877b962cba82");
}

TEST_CASE("files, in pieces and whole") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "file";
  std::string content;
  for (int i = 0; i < 700'000; ++i) content += static_cast<char>(i * i >> 3);
  std::ofstream(path, std::ios::binary) << content;
  const auto digest = digest_of_file(path);
  REQUIRE(digest);
  CHECK(*digest == digest_of_text(content));
  ContentDigest pieces;
  for (std::size_t i = 0; i < content.size(); i += 999) {
    pieces.add(std::string_view(content).substr(i, 999));
  }
  CHECK(pieces.text() == *digest);

  // Blanked bytes across the border of two reads.
  const BlankedBytes blanked = {.begin = (std::size_t{1} << 18) - 5, .count = 32};
  std::string zeros = content;
  zeros.replace(blanked.begin, blanked.count, std::string(blanked.count, '0'));
  CHECK(*digest_of_file(path, blanked) == digest_of_text(zeros));
  CHECK(*digest_of_file(path, {.begin = 699'990, .count = 32}) ==
        digest_of_text(content.substr(0, 699'990) + std::string(10, '0')));
}

TEST_CASE("what is no file is refused, a pipe without waiting for it") {
  const ScratchFolder folder;
  CHECK(digest_of_file(folder.path() / "gone").error().code == ErrorCode::kNotFound);
  CHECK(digest_of_file(folder.path()).error().code == ErrorCode::kUnreadable);
  const fs::path pipe = folder.path() / "pipe";
  REQUIRE(::mkfifo(pipe.c_str(), 0600) == 0);
  CHECK(digest_of_file(pipe).error().code == ErrorCode::kUnreadable);
}

TEST_CASE("a change of the content shows in the state, whatever was done to hide it") {
  const ScratchFolder folder;
  const fs::path path = folder.path() / "file";
  CHECK(!file_state(path));
  std::ofstream(path) << "one";
  const auto before = file_state(path);
  REQUIRE(before);
  CHECK(*file_state(path) == *before);
  const fs::file_time_type time = fs::last_write_time(path);
  // The kernel's clock for files ticks every few milliseconds.
  do {
    std::ofstream(path) << "two";
    fs::last_write_time(path, time);
  } while (file_state(path)->changed_ns == before->changed_ns);
  const auto after = file_state(path);
  CHECK(after->size == before->size);
  CHECK(after->modified_ns == before->modified_ns);
  CHECK(*after != *before);
}

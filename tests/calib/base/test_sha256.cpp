#include "calib/base/sha256.h"

#include <doctest/doctest.h>

#include <fstream>
#include <string>

#include "tests/support/test_data.h"

using namespace trueplate;

// FIPS 180-4's example computations for SHA-256 ("abc", the 448-bit message; NIST, "Examples with
// Intermediate Values"), and the empty message and a million times `a` of the same set. Typed in
// from memory and confirmed with the sha256sum program of GNU coreutils.
TEST_CASE("SHA-256 of the standard's example messages") {
  const tests::ScratchFolder folder;
  const auto hash = [&](const std::string& content) {
    const auto path = folder.path() / "content";
    std::ofstream(path, std::ios::binary) << content;
    const std::string of_file = *sha256_of_file(path);
    CHECK(*sha256_of_text(content) == of_file);
    return of_file;
  };
  CHECK(hash("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  CHECK(hash("abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq") ==
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1");
  CHECK(hash("") == "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
  CHECK(hash(std::string(1000000, 'a')) ==
        "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0");
}

TEST_CASE("what is no file has no hash") {
  const tests::ScratchFolder folder;
  CHECK(sha256_of_file(folder.path() / "gone").error().code == ErrorCode::kNotFound);
  CHECK(sha256_of_file(folder.path()).error().code == ErrorCode::kUnreadable);
  CHECK(sha256_of_file("/dev/zero").error().code == ErrorCode::kUnreadable);
}

#include "calib/base/utf8.h"

#include <doctest/doctest.h>

#include <string>

using trueplate::find_invalid_utf8;
using trueplate::printable;
using trueplate::replace_invalid_utf8;

// RFC 3629, section 7: the three examples; then what its section 3 and 4 rule out.
TEST_CASE("well-formed UTF-8") {
  for (const char* good : {"\x41\xE2\x89\xA2\xCE\x91\x2E",
                           "\xED\x95\x9C\xEA\xB5\xAD\xEC\x96\xB4",
                           "\xE6\x97\xA5\xE6\x9C\xAC\xE8\xAA\x9E",
                           "\xEF\xBB\xBF\xF0\xA3\x8E\xB4",
                           "\xF4\x8F\xBF\xBF",
                           ""}) {
    CAPTURE(good);
    CHECK(find_invalid_utf8(good) == std::string::npos);
  }
  for (const char* bad : {"ab\xC0\x80",          // overlong
                          "ab\xE0\x80\x80",      // overlong
                          "ab\xF0\x80\x80\x80",  // overlong
                          "ab\xED\xA0\x80",      // surrogate
                          "ab\xF4\x90\x80\x80",  // above U+10FFFF
                          "ab\xFF",
                          "ab\x80",
                          "ab\xE2\x89"}) {  // truncated
    CAPTURE(bad);
    CHECK(find_invalid_utf8(bad) == 2);
    CHECK(find_invalid_utf8(replace_invalid_utf8(bad)) == std::string::npos);
  }
  CHECK(replace_invalid_utf8("a\xFF"
                             "b") ==
        "a\xEF\xBF\xBD"
        "b");
}

TEST_CASE("text for a person cannot drive a terminal") {
  CHECK(printable("a\x1b[2J\tb\nc\x7f") == "a\xEF\xBF\xBD[2J b c\xEF\xBF\xBD");
  CHECK(printable("a\xC2\x9B"
                  "2J") ==
        "a\xEF\xBF\xBD"
        "2J");
  CHECK(printable("\xC3\xA9t\xC3\xA9") == "\xC3\xA9t\xC3\xA9");
  // U+202E turns what follows (Unicode Standard Annex 9): "lens\u202Egpj.exe".
  CHECK(printable("lens\xE2\x80\xAEgpj.exe") == "lens\xEF\xBF\xBDgpj.exe");
  CHECK(printable("\xFF") == "\xEF\xBF\xBD");
  CHECK(printable(std::string(1000, 'x')) == std::string(60, 'x') + "...");
  CHECK(printable("\xC3\xA9\xC3\xA9", 3) == "\xC3\xA9...");
}

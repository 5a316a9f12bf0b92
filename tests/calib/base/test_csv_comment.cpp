#include "calib/base/csv_comment.h"

#include <doctest/doctest.h>

using trueplate::with_comment;

TEST_CASE("a comment is put in its place, all else is kept") {
  CHECK(with_comment("# image: 4x3\nx,y\n1,2\n", "program", "p 1") ==
        "# image: 4x3\n# program: p 1\nx,y\n1,2\n");
  CHECK(with_comment("\xEF\xBB\xBF# program: q\r\n# program\r\n\r\nx\r\n", "program", "p 1") ==
        "\xEF\xBB\xBF# program: p 1\r\n# program\r\n\r\nx\r\n");
  CHECK(with_comment("\n#a\r\n\n\nx\n\"\n# program: q\"\n", "program", "p") ==
        "\n#a\r\n# program: p\r\n\n\nx\n\"\n# program: q\"\n");
  for (const char* none : {"", "x,y\n1,2\n", "\xEF\xBB\xBFx\n", "\n\n"}) {
    CHECK(with_comment(none, "program", "p") == none);
  }
}

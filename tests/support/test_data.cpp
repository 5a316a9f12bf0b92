#include "tests/support/test_data.h"

#include <cstdio>
#include <cstdlib>
#include <stdexcept>
#include <string>

namespace trueplate::tests {

std::optional<std::filesystem::path> photograph_set(std::string_view name) {
  const char* from_environment = std::getenv("TRUEPLATE_TEST_DATA");
  const std::filesystem::path root =
      from_environment != nullptr
          ? std::filesystem::path(from_environment)
          : std::filesystem::path(TRUEPLATE_SOURCE_DIR) / ".." / "shared" / "data";
  std::filesystem::path folder = root / name;
  if (std::filesystem::is_directory(folder)) return folder;
  std::printf("skipped: the photograph set %s is not in %s\n",
              std::string(name).c_str(),
              root.string().c_str());
  return std::nullopt;
}

ScratchFolder::ScratchFolder() {
  std::string pattern = (std::filesystem::temp_directory_path() / "trueplate-test-XXXXXX").string();
  if (::mkdtemp(pattern.data()) == nullptr)
    throw std::runtime_error("cannot make a scratch folder");
  path_ = pattern;
}

ScratchFolder::~ScratchFolder() {
  std::error_code code;
  std::filesystem::remove_all(path_, code);
}

std::filesystem::path test_data_folder() {
  return std::filesystem::path(TRUEPLATE_SOURCE_DIR) / "tests" / "data";
}

}  // namespace trueplate::tests

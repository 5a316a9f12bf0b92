#pragma once

#include <filesystem>
#include <optional>
#include <string_view>

namespace trueplate::tests {

/// The folder `name` of the photograph sets (stereo-640, chess-640, ...), or nullopt, after
/// printing "skipped: ..." with the reason, when it is not on this machine. Looked for in the
/// folder that the environment variable TRUEPLATE_TEST_DATA names, else in ../shared/data beside
/// the source tree.
std::optional<std::filesystem::path> photograph_set(std::string_view name);

/// A fresh, empty folder for this test's files, removed when the object goes.
class ScratchFolder {
 public:
  ScratchFolder();
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;
  ~ScratchFolder();

  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

/// tests/data of the source tree.
std::filesystem::path test_data_folder();

}  // namespace trueplate::tests

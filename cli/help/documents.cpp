#include "cli/help/documents.h"

#include <filesystem>
#include <system_error>

#include "calib/base/atomic_file.h"

namespace trueplate::cli {
namespace {

namespace fs = std::filesystem;

Result<void> write(const fs::path& path, const std::string& text) {
  std::error_code code;
  fs::create_directories(path.parent_path(), code);
  return write_text_file(path, text, Overwrite::kAllow);
}

Result<void> write_manual(const CommandEntry& command, const fs::path& folder) {
  if (Result<void> written = write(folder / (command.name('-') + ".1"), manual_page(command));
      !written) {
    return written;
  }
  for (const CommandEntry& below : command.commands) {
    if (Result<void> written = write_manual(below, folder); !written) return written;
  }
  return {};
}

}  // namespace

Result<void> write_documents(const CommandEntry& program, const std::string& folder) {
  const fs::path root = folder;
  if (Result<void> written = write_manual(program, root / "man" / "man1"); !written) return written;
  if (Result<void> written =
          write(root / "bash-completion" / "completions" / "trueplate", bash_completion(program));
      !written) {
    return written;
  }
  if (Result<void> written = write(root / "fish" / "vendor_completions.d" / "trueplate.fish",
                                   fish_completion(program));
      !written) {
    return written;
  }
  return write(root / "zsh" / "vendor-completions" / "_trueplate", zsh_completion(program));
}

}  // namespace trueplate::cli

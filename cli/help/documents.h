#pragma once

#include <string>

#include "calib/base/result.h"
#include "cli/help/reference.h"

namespace trueplate::cli {

/// The manual page of a command as text for man(1), section 1; without the pages of those below it.
std::string manual_page(const CommandEntry& command);

/// Scripts that complete the command line: for bash, without the helpers of bash-completion, for
/// fish and for zsh.
std::string bash_completion(const CommandEntry& program);
std::string fish_completion(const CommandEntry& program);
std::string zsh_completion(const CommandEntry& program);

/// Writes all of these below `folder`, as an installation has them: man/man1/trueplate-stmap.1,
/// bash-completion/completions/trueplate, fish/vendor_completions.d/trueplate.fish,
/// zsh/vendor-completions/_trueplate.
Result<void> write_documents(const CommandEntry& program, const std::string& folder);

}  // namespace trueplate::cli

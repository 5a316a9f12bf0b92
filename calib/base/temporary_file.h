#pragma once

#include <chrono>
#include <filesystem>
#include <string>
#include <vector>

namespace trueplate {

/// A temporary file of a process that cannot be asked whether it still lives (another machine,
/// another container, before a reboot) is taken for a leftover when nothing was written to it for
/// so long. Writing a frame takes seconds.
inline constexpr std::chrono::hours kLeftoverAge{24};

/// A fresh name, in the folder of `final_path`, to write that file under until it is whole:
/// `.STEM.PLACE-PID-START-COUNT.part.EXT`. The extension stays, since image writers choose the
/// format by it; the dot hides the file from patterns and globs. PLACE (a hash of the running
/// kernel's boot id and of the process id namespace), PID and START (when the process began, in
/// clock ticks since the boot) together name one process among all that share a file server.
[[nodiscard]] std::filesystem::path temporary_path_for(const std::filesystem::path& final_path);

/// Removes the temporary files in `folder` that nobody will finish: those of a process of this
/// place that no longer runs, and those of other places older than kLeftoverAge. Files of living
/// processes, and everything whose name is not of the form above, stay. Returns the paths removed;
/// a folder that cannot be listed holds none.
std::vector<std::filesystem::path> remove_leftovers(const std::filesystem::path& folder);

}  // namespace trueplate

#pragma once

#include "cli/command.h"

namespace trueplate::cli {

/// One function a command; each is defined in the file of that name.
Action add_apply(CLI::App& app);
Action add_archive(CLI::App& app);
Action add_calibrate(CLI::App& app);
Action add_chart(CLI::App& app);
Action add_compare(CLI::App& app);
Action add_convert(CLI::App& app);
Action add_demo(CLI::App& app);
Action add_detect(CLI::App& app);
Action add_gather(CLI::App& app);
Action add_handoff(CLI::App& app);
Action add_info(CLI::App& app);
Action add_invert(CLI::App& app);
Action add_lines(CLI::App& app);
Action add_points(CLI::App& app);
Action add_redistort(CLI::App& app);
Action add_reformat(CLI::App& app);
Action add_report(CLI::App& app);
Action add_solve(CLI::App& app);
Action add_state(CLI::App& app);
Action add_stmap(CLI::App& app);
Action add_undistort(CLI::App& app);

}  // namespace trueplate::cli

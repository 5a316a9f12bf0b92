#pragma once

#include <string>
#include <vector>

#include "calib/base/result.h"
#include "calib/zoom/zoom_profile.h"
#include "cli/command.h"

namespace trueplate::cli {

/// --pool, of commands that put stations together.
void add_pool_option(CLI::App& app, std::string& word);
Result<zoom::Pooling> pooling_of(const std::string& word);

/// Where stations that were put together go.
struct GatheredFiles {
  std::string profile;
  std::string report;  // a page; empty: none
};

/// Gathers profiles into one, writes it and tells about its stations; returns the exit status.
int write_gathered(std::vector<zoom::NamedProfile> profiles,
                   zoom::Pooling pooling,
                   const GatheredFiles& files,
                   const CommonOptions& common);

}  // namespace trueplate::cli

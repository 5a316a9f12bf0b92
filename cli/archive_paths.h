#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "calib/archive/archive.h"
#include "calib/base/atomic_file.h"
#include "calib/base/result.h"
#include "cli/archive_index.h"

namespace trueplate::cli {

/// The profiles that `paths` name: files, and of folders every `.json` below, in the order of their
/// names, but for what `archive export` wrote of attachments. kNotFound names what is not there.
Result<std::vector<std::filesystem::path>> profile_files(const std::vector<std::string>& paths);

/// The name of a file that holds this calibration's profile: `000012_vista-35_a-1001.json`.
/// Letters, digits and dashes whatever the labels hold.
std::string profile_file_name(const archive::Entry& entry);
/// The name of a file that holds an attachment: its own without folders and characters that file
/// systems or terminals take amiss, after its number.
std::string attachment_file_name(const archive::Attachment& attachment, std::size_t number);

/// The folder of a calibration's attachments in an export.
std::filesystem::path attachments_folder(std::int64_t id);

/// Writes the attachments of a calibration into a folder, which is made when there are any. Their
/// paths begin with that folder.
Result<std::vector<WrittenAttachment>> write_attachments(const archive::Archive& archive,
                                                         std::int64_t id,
                                                         const std::filesystem::path& folder,
                                                         Overwrite overwrite);

/// Whoever runs the program, as the system calls them.
std::string user_name();

}  // namespace trueplate::cli

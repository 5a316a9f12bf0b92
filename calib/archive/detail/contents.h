#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "calib/archive/detail/database.h"
#include "calib/archive/detail/derive.h"
#include "calib/archive/filing.h"
#include "calib/base/result.h"

namespace trueplate::archive::detail {

/// What belongs to one calibration beside its own row. Each throws what the client library throws.

/// The document of a calibration; empty when there is none.
std::string read_document(const Database& database, std::int64_t id);

/// An attachment as it is stored.
struct StoredAttachment {
  AttachmentDigest digest;
  std::string content_base64;
};
std::vector<StoredAttachment> read_attachments(const Database& database, std::int64_t id);
void write_attachment(Database& database,
                      std::int64_t id,
                      std::size_t place,
                      const StoredAttachment& attachment);

/// The content as text that any database keeps, and back. RFC 4648 base64; reading damaged text
/// gives nullopt.
Result<StoredAttachment> stored(const Attachment& attachment);
[[nodiscard]] std::optional<std::string> content_of(const StoredAttachment& attachment);

void write_derived(Database& database, std::int64_t id, const Derived& derived);
Derived read_derived(const Database& database, std::int64_t id);

void write_words(Database& database, std::int64_t id, const std::vector<std::string>& words);
std::vector<std::string> read_words(const Database& database, std::int64_t id);

}  // namespace trueplate::archive::detail

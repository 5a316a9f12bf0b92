#pragma once

#include <optional>
#include <string>
#include <vector>

#include "calib/archive/filing.h"
#include "calib/base/result.h"
#include "calib/profile/profile.h"

namespace trueplate::archive::detail {

/// What a question in SQL may ask of one station.
struct StationRow {
  std::optional<double> focal_mm;  // nominal, else as fitted
  std::optional<double> focus_per_m;
  std::optional<double> t_stop;
  std::string lens_model;
  std::optional<double> rms_px;
  std::optional<double> map_sigma_px;

  friend bool operator==(const StationRow&, const StationRow&) = default;
};

struct FootageRow {
  std::string name;
  std::string sha256;

  friend bool operator==(const FootageRow&, const FootageRow&) = default;
};

/// What a document holds, as rows. Never decides anything: it can be made again from the document.
struct Derived {
  std::vector<StationRow> stations;
  std::vector<FootageRow> footage;
};
[[nodiscard]] Derived derive(const profile::Profile& profile);

/// The record of a calibration that is handed in: everything but id, moment, place in the history
/// and checksum. Errors: labels that are too long or not UTF-8, a lens without model and serial.
Result<Entry> entry_of(const Filing& filing, const profile::Profile& profile);

/// What of an entry follows from the document, in one text: to compare.
[[nodiscard]] std::string derived_text(const Entry& entry);

/// The words by which a calibration is found, sorted, none twice: those of its labels, in small
/// letters, and `field:whole text` of each field.
[[nodiscard]] std::vector<std::string> words_of(const Entry& entry, const Derived& derived);
/// One of the latter.
[[nodiscard]] std::string field_word(std::string_view field, std::string_view text);
/// The words in a text: letters and digits, in small letters; what is not ASCII counts as a letter.
[[nodiscard]] std::vector<std::string> split_words(std::string_view text);

/// What a record's checksum covers of its attachments.
struct AttachmentDigest {
  std::string kind;
  std::string name;
  std::string sha256;
};
/// The checksum of a record, which covers `previous`, that of the record before it.
Result<std::string> checksum_of(const Entry& entry,
                                const std::vector<AttachmentDigest>& attachments,
                                const std::string& previous);

}  // namespace trueplate::archive::detail

#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "calib/base/geometry.h"

namespace trueplate::archive {

/// Which lens it is. Maker, model, series and serial number together tell one lens from another,
/// byte by byte; all UTF-8, empty where not known.
struct LensName {
  std::string maker;
  std::string model;  // as engraved
  std::string series;
  std::string serial;

  friend bool operator==(const LensName&, const LensName&) = default;
};

/// What a kept file is to its calibration.
enum class AttachmentKind { kObservations, kPicture };
[[nodiscard]] const char* to_text(AttachmentKind kind);

/// A file kept with a calibration, byte by byte.
struct Attachment {
  AttachmentKind kind = AttachmentKind::kObservations;
  std::string name;  // of the file, without folder
  std::string content;
};

/// No attachment is larger.
inline constexpr std::size_t kMaxAttachmentBytes = std::size_t{64} << 20;
/// No name, serial number or other label is longer, and no note.
inline constexpr std::size_t kMaxLabelBytes = 1000;
inline constexpr std::size_t kMaxNoteBytes = 100'000;

/// A calibration that is handed in.
struct Filing {
  std::string source;    // names it in messages
  std::string document;  // the profile, as its file has it
  LensName lens;         // empty model or serial: what the profile's labels say
  std::string body;      // camera body; empty: what the profile's labels say
  std::string recording_mode;
  std::string added_by;
  std::string added_at = {};  // UTC, RFC 3339: when another archive filed it; empty: now
  std::string note;
  std::vector<Attachment> attachments;
  /// The calibration it takes the place of: nullopt finds the current one of the same lens, body,
  /// recording mode, states and plate size; 0 none. One that is named has to be of the same plate
  /// size, and no label of its lens may say otherwise.
  std::optional<std::int64_t> supersedes = std::nullopt;
};

/// The numbers between which something lies.
struct Span {
  double least = 0.0;
  double most = 0.0;
};

/// A calibration as the archive lists it. Ids count from 1; 0 stands for none.
struct Entry {
  std::int64_t id = 0;
  LensName lens;
  std::string body;
  std::string recording_mode;
  std::string states;               // "35 mm at 2 m, T4": of each station, joined by "; "
  std::optional<Span> focal_mm;     // of the stations: nominal, else as fitted
  std::optional<Span> focus_per_m;  // 1 / focus distance; 0 is infinity
  std::string lens_model;           // of the first station
  ImageSize plate;
  std::optional<double> rms_px;  // the largest of the stations
  std::optional<double> map_sigma_px;
  std::string calibrated_at;  // as the profile says
  std::string added_at;       // UTC, RFC 3339
  std::string added_by;
  std::string note;
  std::int64_t supersedes = 0;
  std::int64_t superseded_by = 0;
  std::string document_sha256;
  std::string checksum;  // of the record and all before it
};

/// What became of a Filing.
struct Filed {
  std::int64_t id = 0;
  bool was_there = false;  // the same document had been filed as `id`; nothing was added
  std::int64_t supersedes = 0;
  /// With was_there: names of the labels and files that were handed in and are not in its record.
  std::vector<std::string> not_taken = {};
};

}  // namespace trueplate::archive

#include "calib/archive/detail/derive.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "calib/base/sha256.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"
#include "calib/lens/lens.h"

namespace trueplate::archive::detail {
namespace {

/// No longer part of a word counts; keys of an index have to be short.
constexpr std::size_t kMaxWordBytes = 100;

char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

std::string lower(std::string_view text) {
  std::string result(text);
  std::transform(result.begin(), result.end(), result.begin(), [](char c) { return lower(c); });
  return result;
}

/// The first bytes of a word, whole characters.
std::string shortened(std::string word) {
  if (word.size() <= kMaxWordBytes) return word;
  std::size_t end = kMaxWordBytes;
  while (end > 0 && (static_cast<unsigned char>(word[end]) & 0xc0U) == 0x80U) --end;
  word.resize(end);
  return word;
}

std::optional<double> focal_of(const profile::Station& station) {
  if (station.nominal_focal_mm) return station.nominal_focal_mm;
  const std::optional<Point2d> fitted = lens::focal_mm(station.lens);
  if (!fitted) return std::nullopt;
  return fitted->x();
}

std::optional<double> larger(std::optional<double> a, std::optional<double> b) {
  if (!a || !b) return a ? a : b;
  return std::max(*a, *b);
}

void widen(std::optional<Span>& span, std::optional<double> value) {
  if (!value) return;
  if (!span) span = Span{*value, *value};
  span->least = std::min(span->least, *value);
  span->most = std::max(span->most, *value);
}

std::string state_text(const profile::Station& station) {
  std::string text;
  if (station.nominal_focal_mm) text = fmt::format("{:g} mm", *station.nominal_focal_mm);
  if (station.focus_m) {
    text += text.empty() ? "at " : " at ";
    text += std::isinf(*station.focus_m) ? "infinity" : fmt::format("{:g} m", *station.focus_m);
  }
  if (station.t_stop) text += fmt::format("{}T{:g}", text.empty() ? "" : ", ", *station.t_stop);
  return text;
}

std::string states_text(const profile::Profile& profile) {
  std::string text;
  for (const profile::Station& station : profile.stations) {
    const std::string state = state_text(station);
    if (state.empty()) continue;
    if (!text.empty()) text += "; ";
    text += state;
  }
  return text;
}

Result<void> check_label(std::string_view name,
                         std::string_view text,
                         std::string_view source,
                         std::size_t most = kMaxLabelBytes) {
  std::string_view wrong;
  if (text.size() > most) wrong = "is longer than an archive keeps";
  if (find_invalid_utf8(text) != std::string_view::npos) wrong = "is not UTF-8";
  if (text.find('\0') != std::string_view::npos) wrong = "holds a NUL character";
  if (wrong.empty()) return {};
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("{}: the {} '{}' {}; give another", source, name, printable(text), wrong));
}

Result<void> check_labels(const Entry& entry, const std::string& source) {
  const std::array<std::pair<std::string_view, const std::string*>, 7> labels{
      {{"maker", &entry.lens.maker},
       {"model", &entry.lens.model},
       {"series", &entry.lens.series},
       {"serial number", &entry.lens.serial},
       {"body", &entry.body},
       {"recording mode", &entry.recording_mode},
       {"name of who adds it", &entry.added_by}}};
  for (const auto& [name, text] : labels) {
    if (Result<void> good = check_label(name, *text, source); !good) return good;
  }
  if (Result<void> good = check_label("note", entry.note, source, kMaxNoteBytes); !good) {
    return good;
  }
  if (!entry.lens.model.empty() || !entry.lens.serial.empty()) return {};
  return fail(
      ErrorCode::kInvalidInput,
      fmt::format("{}: nothing says which lens it is; name its model or serial number", source));
}

void append_field(std::string& text, std::string_view name, std::string_view value) {
  text += fmt::format("{}={}:{}\n", name, value.size(), value);
}

}  // namespace

Derived derive(const profile::Profile& profile) {
  Derived result;
  for (const profile::Station& station : profile.stations) {
    StationRow& row = result.stations.emplace_back();
    row.focal_mm = focal_of(station);
    if (station.focus_m) row.focus_per_m = 1.0 / *station.focus_m;
    row.t_stop = station.t_stop;
    row.lens_model = lens::model_name(station.lens.model);
    if (!station.quality) continue;
    row.rms_px = station.quality->rms_px;
    row.map_sigma_px = station.quality->map_sigma_rms_px;
  }
  for (const profile::FootageItem& item : profile.provenance.footage) {
    std::string name = item.name;
    std::replace(name.begin(), name.end(), '\0', ' ');
    result.footage.push_back({replace_invalid_utf8(name), item.sha256});
  }
  return result;
}

Result<Entry> entry_of(const Filing& filing, const profile::Profile& profile) {
  Entry entry;
  entry.lens = filing.lens;
  if (entry.lens.model.empty()) entry.lens.model = profile.labels.lens;
  if (entry.lens.serial.empty()) entry.lens.serial = profile.labels.serial;
  entry.body = filing.body.empty() ? profile.labels.body : filing.body;
  entry.recording_mode = filing.recording_mode;
  entry.added_by = filing.added_by;
  entry.note = filing.note;
  for (std::string* label : {&entry.lens.maker,
                             &entry.lens.model,
                             &entry.lens.series,
                             &entry.lens.serial,
                             &entry.body,
                             &entry.recording_mode,
                             &entry.note}) {
    if (trim(*label).empty()) label->clear();  // blanks name nothing
  }
  if (Result<void> good = check_labels(entry, filing.source); !good) return fail(good.error());

  entry.states = states_text(profile);
  entry.plate = profile.stations.front().lens.plate_size;
  entry.lens_model = lens::model_name(profile.stations.front().lens.model);
  entry.calibrated_at = profile.provenance.created;
  for (const profile::Station& station : profile.stations) {
    widen(entry.focal_mm, focal_of(station));
    if (station.focus_m) widen(entry.focus_per_m, 1.0 / *station.focus_m);
    if (!station.quality) continue;
    entry.rms_px = larger(entry.rms_px, station.quality->rms_px);
    entry.map_sigma_px = larger(entry.map_sigma_px, station.quality->map_sigma_rms_px);
  }
  const Result<std::string> digest = sha256_of_text(filing.document);
  if (!digest) return fail(digest.error());
  entry.document_sha256 = *digest;
  return entry;
}

std::string derived_text(const Entry& entry) {
  const auto number = [](std::optional<double> value) {
    return value ? to_lossless_text(*value) : std::string("none");
  };
  const auto range = [&](const std::optional<Span>& span) {
    return span ? number(span->least) + " to " + number(span->most) : std::string("none");
  };
  return fmt::format("{}|{}|{}|{}|{}x{}|{}|{}|{}",
                     entry.states,
                     range(entry.focal_mm),
                     range(entry.focus_per_m),
                     entry.lens_model,
                     entry.plate.width,
                     entry.plate.height,
                     number(entry.rms_px),
                     number(entry.map_sigma_px),
                     entry.calibrated_at);
}

std::string field_word(std::string_view field, std::string_view text) {
  return shortened(fmt::format("{}:{}", field, lower(text)));
}

std::vector<std::string> split_words(std::string_view text) {
  std::vector<std::string> words;
  std::string word;
  const auto end_word = [&] {
    if (!word.empty()) words.push_back(shortened(std::move(word)));
    word.clear();
  };
  for (const char c : text) {
    const char small = lower(c);
    const bool letter = (small >= 'a' && small <= 'z') || (small >= '0' && small <= '9') ||
                        static_cast<unsigned char>(small) >= 0x80U;
    if (letter) {
      word += small;
    } else {
      end_word();
    }
  }
  end_word();
  return words;
}

std::vector<std::string> words_of(const Entry& entry, const Derived& derived) {
  std::vector<std::string> words;
  const std::array<std::pair<std::string_view, std::string_view>, 8> fields{
      {{"maker", entry.lens.maker},
       {"model", entry.lens.model},
       {"series", entry.lens.series},
       {"serial", entry.lens.serial},
       {"body", entry.body},
       {"mode", entry.recording_mode},
       {"by", entry.added_by},
       {"lens_model", entry.lens_model}}};
  for (const auto& [field, text] : fields) {
    words.push_back(field_word(field, text));
    const std::vector<std::string> parts = split_words(text);
    words.insert(words.end(), parts.begin(), parts.end());
  }
  const std::vector<std::string> note = split_words(entry.note);
  words.insert(words.end(), note.begin(), note.end());
  words.push_back(field_word("plate", fmt::format("{}x{}", entry.plate.width, entry.plate.height)));
  for (const FootageRow& item : derived.footage) {
    if (!item.sha256.empty()) words.push_back(field_word("footage", item.sha256));
  }
  std::sort(words.begin(), words.end());
  words.erase(std::unique(words.begin(), words.end()), words.end());
  return words;
}

Result<std::string> checksum_of(const Entry& entry,
                                const std::vector<AttachmentDigest>& attachments,
                                const std::string& previous) {
  std::string text;
  append_field(text, "previous", previous);
  append_field(text, "id", std::to_string(entry.id));
  append_field(text, "maker", entry.lens.maker);
  append_field(text, "model", entry.lens.model);
  append_field(text, "series", entry.lens.series);
  append_field(text, "serial", entry.lens.serial);
  append_field(text, "body", entry.body);
  append_field(text, "recording_mode", entry.recording_mode);
  append_field(text, "added_at", entry.added_at);
  append_field(text, "added_by", entry.added_by);
  append_field(text, "note", entry.note);
  append_field(text, "supersedes", std::to_string(entry.supersedes));
  append_field(text, "document", entry.document_sha256);
  for (const AttachmentDigest& attachment : attachments) {
    append_field(text, attachment.kind, attachment.name);
    append_field(text, "content", attachment.sha256);
  }
  return sha256_of_text(text);
}

}  // namespace trueplate::archive::detail

#include "calib/archive/detail/contents.h"

#include <openssl/evp.h>

#include <algorithm>

#include "calib/archive/detail/bound.h"
#include "calib/base/sha256.h"

namespace trueplate::archive::detail {
namespace {

std::string to_base64(const std::string& bytes) {
  // Four letters for three bytes, and the zero that the library writes at the end.
  std::string text((bytes.size() + 2) / 3 * 4 + 1, '\0');
  const int count = EVP_EncodeBlock(reinterpret_cast<unsigned char*>(text.data()),
                                    reinterpret_cast<const unsigned char*>(bytes.data()),
                                    static_cast<int>(bytes.size()));
  text.resize(static_cast<std::size_t>(count));
  return text;
}

std::optional<std::string> from_base64(const std::string& text) {
  if (text.size() % 4 != 0) return std::nullopt;
  std::string bytes(text.size() / 4 * 3, '\0');
  const int count = EVP_DecodeBlock(reinterpret_cast<unsigned char*>(bytes.data()),
                                    reinterpret_cast<const unsigned char*>(text.data()),
                                    static_cast<int>(text.size()));
  if (count < 0 || static_cast<std::size_t>(count) != bytes.size()) return std::nullopt;
  const auto padding =
      std::count(text.end() - std::min<std::ptrdiff_t>(2, std::ssize(text)), text.end(), '=');
  bytes.resize(bytes.size() - static_cast<std::size_t>(padding));
  return bytes;
}

}  // namespace

std::string read_document(const Database& database, std::int64_t id) {
  const auto key = static_cast<long long>(id);
  std::string content;
  database.sql << "SELECT content FROM document WHERE calibration_id = :id", soci::use(key, "id"),
      soci::into(content);
  return content;
}

std::vector<StoredAttachment> read_attachments(const Database& database, std::int64_t id) {
  const auto key = static_cast<long long>(id);
  StoredAttachment row;
  soci::statement statement =
      (database.sql.prepare << "SELECT kind, name, sha256, content_base64 FROM attachment "
                               "WHERE calibration_id = :id ORDER BY place",
       soci::use(key, "id"),
       soci::into(row.digest.kind),
       soci::into(row.digest.name),
       soci::into(row.digest.sha256),
       soci::into(row.content_base64));
  statement.execute();
  std::vector<StoredAttachment> result;
  while (statement.fetch()) result.push_back(row);
  return result;
}

void write_attachment(Database& database,
                      std::int64_t id,
                      std::size_t place,
                      const StoredAttachment& attachment) {
  const auto key = static_cast<long long>(id);
  const auto at = static_cast<long long>(place);
  database.sql << "INSERT INTO attachment (calibration_id, place, kind, name, sha256, "
                  "content_base64) VALUES (:id, :place, :kind, :name, :sha256, :content)",
      soci::use(key, "id"), soci::use(at, "place"), soci::use(attachment.digest.kind, "kind"),
      soci::use(attachment.digest.name, "name"), soci::use(attachment.digest.sha256, "sha256"),
      soci::use(attachment.content_base64, "content");
}

Result<StoredAttachment> stored(const Attachment& attachment) {
  const Result<std::string> digest = sha256_of_text(attachment.content);
  if (!digest) return fail(digest.error());
  return StoredAttachment{{to_text(attachment.kind), attachment.name, *digest},
                          to_base64(attachment.content)};
}

std::optional<std::string> content_of(const StoredAttachment& attachment) {
  return from_base64(attachment.content_base64);
}

void write_derived(Database& database, std::int64_t id, const Derived& derived) {
  const auto key = static_cast<long long>(id);
  long long place = 0;
  for (const StationRow& station : derived.stations) {
    Bound<double> focal(station.focal_mm);
    Bound<double> focus(station.focus_per_m);
    Bound<double> t_stop(station.t_stop);
    Bound<double> rms(station.rms_px);
    Bound<double> map_sigma(station.map_sigma_px);
    database.sql << "INSERT INTO station (calibration_id, place, focal_mm, focus_per_m, t_stop, "
                    "lens_model, rms_px, map_sigma_px) "
                    "VALUES (:id, :place, :focal, :focus, :stop, :model, :rms, :sigma)",
        soci::use(key, "id"), soci::use(place, "place"),
        soci::use(focal.value, focal.indicator, "focal"),
        soci::use(focus.value, focus.indicator, "focus"),
        soci::use(t_stop.value, t_stop.indicator, "stop"), soci::use(station.lens_model, "model"),
        soci::use(rms.value, rms.indicator, "rms"),
        soci::use(map_sigma.value, map_sigma.indicator, "sigma");
    ++place;
  }
  place = 0;
  std::string name;
  std::string sha256;
  soci::statement insert =
      (database.sql.prepare << "INSERT INTO footage (calibration_id, place, name, sha256) "
                               "VALUES (:id, :place, :name, :sha256)",
       soci::use(key, "id"),
       soci::use(place, "place"),
       soci::use(name, "name"),
       soci::use(sha256, "sha256"));
  for (const FootageRow& item : derived.footage) {
    name = item.name;
    sha256 = item.sha256;
    insert.execute(true);
    ++place;
  }
}

Derived read_derived(const Database& database, std::int64_t id) {
  const auto key = static_cast<long long>(id);
  Derived result;
  StationRow row;
  Bound<double> focal;
  Bound<double> focus;
  Bound<double> t_stop;
  Bound<double> rms;
  Bound<double> map_sigma;
  soci::statement stations =
      (database.sql.prepare << "SELECT focal_mm, focus_per_m, t_stop, lens_model, rms_px, "
                               "map_sigma_px FROM station WHERE calibration_id = :id "
                               "ORDER BY place",
       soci::use(key, "id"),
       soci::into(focal.value, focal.indicator),
       soci::into(focus.value, focus.indicator),
       soci::into(t_stop.value, t_stop.indicator),
       soci::into(row.lens_model),
       soci::into(rms.value, rms.indicator),
       soci::into(map_sigma.value, map_sigma.indicator));
  stations.execute();
  while (stations.fetch()) {
    row.focal_mm = focal.get();
    row.focus_per_m = focus.get();
    row.t_stop = t_stop.get();
    row.rms_px = rms.get();
    row.map_sigma_px = map_sigma.get();
    result.stations.push_back(row);
  }
  FootageRow item;
  soci::statement footage = (database.sql.prepare << "SELECT name, sha256 FROM footage "
                                                     "WHERE calibration_id = :id ORDER BY place",
                             soci::use(key, "id"),
                             soci::into(item.name),
                             soci::into(item.sha256));
  footage.execute();
  while (footage.fetch()) result.footage.push_back(item);
  return result;
}

void write_words(Database& database, std::int64_t id, const std::vector<std::string>& words) {
  const auto key = static_cast<long long>(id);
  std::string word;
  soci::statement insert =
      (database.sql.prepare << "INSERT INTO word (word, calibration_id) VALUES (:word, :id)",
       soci::use(word, "word"),
       soci::use(key, "id"));
  for (const std::string& next : words) {
    word = next;
    insert.execute(true);
  }
}

std::vector<std::string> read_words(const Database& database, std::int64_t id) {
  const auto key = static_cast<long long>(id);
  std::string word;
  soci::statement statement =
      (database.sql.prepare << "SELECT word FROM word WHERE calibration_id = :id ORDER BY word",
       soci::use(key, "id"),
       soci::into(word));
  statement.execute();
  std::vector<std::string> words;
  while (statement.fetch()) words.push_back(word);
  return words;
}

}  // namespace trueplate::archive::detail

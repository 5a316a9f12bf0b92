#include "calib/archive/detail/entries.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <memory>
#include <string_view>
#include <type_traits>
#include <utility>
#include <variant>
#include <vector>

#include "calib/archive/detail/bound.h"
#include "calib/archive/detail/derive.h"

namespace trueplate::archive::detail {
namespace {

constexpr std::string_view kSelect =
    "SELECT c.id, l.maker, l.model, l.series, l.serial, k.body, k.recording_mode, c.states, "
    "c.focal_least_mm, c.focal_most_mm, c.focus_least_per_m, c.focus_most_per_m, c.lens_model, "
    "c.plate_width, c.plate_height, c.rms_px, c.map_sigma_px, c.calibrated_at, c.added_at, "
    "c.added_by, c.note, c.supersedes, n.id, c.document_sha256, c.checksum "
    "FROM calibration c JOIN lens l ON l.id = c.lens_id JOIN camera k ON k.id = c.camera_id "
    "LEFT JOIN calibration n ON n.supersedes = c.id";

/// The columns of kSelect, bound to one row after the other.
class EntryRow {
 public:
  void bind(soci::statement& statement) {
    long_column(statement, id_);
    text_columns(statement, {&entry_.lens.maker, &entry_.lens.model, &entry_.lens.series});
    text_columns(statement, {&entry_.lens.serial, &entry_.body, &entry_.recording_mode});
    text_columns(statement, {&entry_.states});
    for (Bound<double>* column : {&focal_least_, &focal_most_, &focus_least_, &focus_most_}) {
      number_column(statement, *column);
    }
    text_columns(statement, {&entry_.lens_model});
    long_column(statement, width_);
    long_column(statement, height_);
    number_column(statement, rms_);
    number_column(statement, map_sigma_);
    text_columns(statement, {&entry_.calibrated_at, &entry_.added_at, &entry_.added_by});
    text_columns(statement, {&entry_.note});
    long_column(statement, supersedes_);
    long_column(statement, superseded_by_);
    text_columns(statement, {&entry_.document_sha256, &entry_.checksum});
  }

  [[nodiscard]] Entry entry() const {
    Entry result = entry_;
    result.id = id_.get().value_or(0);
    result.focal_mm = span(focal_least_, focal_most_);
    result.focus_per_m = span(focus_least_, focus_most_);
    result.plate = {static_cast<int>(width_.get().value_or(0)),
                    static_cast<int>(height_.get().value_or(0))};
    result.rms_px = rms_.get();
    result.map_sigma_px = map_sigma_.get();
    result.supersedes = supersedes_.get().value_or(0);
    result.superseded_by = superseded_by_.get().value_or(0);
    return result;
  }

 private:
  static std::optional<Span> span(const Bound<double>& least, const Bound<double>& most) {
    if (!least.get() || !most.get()) return std::nullopt;
    return Span{least.value, most.value};
  }
  static void long_column(soci::statement& statement, Bound<long long>& column) {
    statement.exchange(soci::into(column.value, column.indicator));
  }
  static void number_column(soci::statement& statement, Bound<double>& column) {
    statement.exchange(soci::into(column.value, column.indicator));
  }
  static void text_columns(soci::statement& statement, std::initializer_list<std::string*> texts) {
    for (std::string* text : texts) statement.exchange(soci::into(*text));
  }

  Entry entry_;
  Bound<long long> id_;
  Bound<double> focal_least_;
  Bound<double> focal_most_;
  Bound<double> focus_least_;
  Bound<double> focus_most_;
  Bound<long long> width_;
  Bound<long long> height_;
  Bound<double> rms_;
  Bound<double> map_sigma_;
  Bound<long long> supersedes_;
  Bound<long long> superseded_by_;
};

using Value = std::variant<std::string, double, long long>;

/// A prepared question with a place for each of its values and for one row of its answer.
class Prepared {
 public:
  Prepared(const Database& database, const std::string& text, const std::vector<Value>& values)
      : values_(values), statement_(database.sql) {
    row_.bind(statement_);
    for (std::size_t i = 0; i < values_.size(); ++i) {
      const std::string name = fmt::format("v{}", i);
      std::visit([&](auto& value) { statement_.exchange(soci::use(value, name)); }, values_[i]);
    }
    statement_.alloc();
    statement_.prepare(text);
    statement_.define_and_bind();
  }

  /// With other values, of the same kinds.
  std::vector<Entry> run(const std::vector<Value>& values) {
    // The client library knows the places of the old ones.
    for (std::size_t i = 0; i < values_.size(); ++i) {
      std::visit([&](auto& place) { place = std::get<std::decay_t<decltype(place)>>(values[i]); },
                 values_[i]);
    }
    statement_.execute();
    std::vector<Entry> entries;
    while (statement_.fetch()) entries.push_back(row_.entry());
    return entries;
  }

 private:
  std::vector<Value> values_;
  EntryRow row_;
  soci::statement statement_;
};

/// How many questions a connection keeps prepared: people ask in a few ways again and again.
constexpr std::size_t kMostPrepared = 32;

/// A question with its values. Values never become part of the text, and what kinds they are
/// follows from it.
class Select {
 public:
  Select() : text_(kSelect) {}

  /// The placeholder of a value.
  std::string value(Value value) {
    values_.push_back(std::move(value));
    return fmt::format(":v{}", values_.size() - 1);
  }
  void condition(std::string_view condition) {
    text_ += conditions_++ == 0 ? " WHERE " : " AND ";
    text_ += condition;
  }
  void append(std::string_view text) { text_ += text; }

  [[nodiscard]] std::vector<Entry> run(const Database& database) const {
    auto known = database.prepared.find(text_);
    if (known == database.prepared.end()) {
      if (database.prepared.size() >= kMostPrepared) database.prepared.clear();
      known = database.prepared.emplace(text_, std::make_shared<Prepared>(database, text_, values_))
                  .first;
    }
    try {
      return std::static_pointer_cast<Prepared>(known->second)->run(values_);
    } catch (...) {
      database.prepared.erase(known);  // it may stand in the middle of an answer
      throw;
    }
  }

 private:
  std::string text_;
  int conditions_ = 0;
  std::vector<Value> values_;
};

void require_word(Select& select, const std::string& word) {
  select.condition(
      fmt::format("c.id IN (SELECT calibration_id FROM word WHERE word = {})", select.value(word)));
}

void require_field(Select& select, std::string_view field, const std::optional<std::string>& text) {
  if (text) require_word(select, field_word(field, *text));
}

/// Words that begin so; what follows them in the order of bytes ends the range.
void require_beginning(Select& select, const std::string& word) {
  select.condition(
      fmt::format("c.id IN (SELECT calibration_id FROM word WHERE word >= {} AND word < {})",
                  select.value(word),
                  select.value(word + "\U0010FFFF")));
}

/// The same, asked of each calibration that the other conditions leave: for a word that many have,
/// beside one that few have.
void require_beginning_too(Select& select, const std::string& word) {
  select.condition(
      fmt::format("EXISTS (SELECT 1 FROM word w WHERE w.calibration_id = c.id AND w.word >= {} AND "
                  "w.word < {})",
                  select.value(word),
                  select.value(word + "\U0010FFFF")));
}

/// The longest word, which few calibrations are likely to have, is looked up; the others are asked
/// of what it leaves.
void require_beginnings(Select& select, const std::vector<std::string>& typed) {
  std::vector<std::string> words;
  for (const std::string& one : typed) {
    for (const std::string& word : split_words(one)) words.push_back(word);
  }
  std::stable_sort(words.begin(), words.end(), [](const std::string& a, const std::string& b) {
    return a.size() > b.size();
  });
  for (std::size_t i = 0; i < words.size(); ++i) {
    if (i == 0) {
      require_beginning(select, words[i]);
    } else {
      require_beginning_too(select, words[i]);
    }
  }
}

void require_range(Select& select, std::string_view least, std::string_view most, Span wanted) {
  select.condition(fmt::format("c.{} <= {}", least, select.value(wanted.most)));
  select.condition(fmt::format("c.{} >= {}", most, select.value(wanted.least)));
}

void add_conditions(Select& select, const Query& query) {
  require_field(select, "maker", query.maker);
  require_field(select, "model", query.model);
  require_field(select, "series", query.series);
  require_field(select, "serial", query.serial);
  require_field(select, "body", query.body);
  require_field(select, "mode", query.recording_mode);
  require_field(select, "by", query.added_by);
  require_field(select, "lens_model", query.lens_model);
  require_field(select, "footage", query.footage_sha256);
  require_beginnings(select, query.words);
  if (query.plate) {
    require_word(
        select, field_word("plate", fmt::format("{}x{}", query.plate->width, query.plate->height)));
  }
  if (query.focal_mm) {
    require_range(select,
                  "focal_least_mm",
                  "focal_most_mm",
                  {*query.focal_mm * (1.0 - kFocalShare), *query.focal_mm * (1.0 + kFocalShare)});
  }
  if (query.focus_m) {
    const double per_m = 1.0 / *query.focus_m;
    require_range(select,
                  "focus_least_per_m",
                  "focus_most_per_m",
                  {per_m - kFocusPerMetre, per_m + kFocusPerMetre});
  }
  if (!query.superseded) select.condition("n.id IS NULL");
}

void add_order(Select& select, const Query& query) {
  select.append(" ORDER BY ");
  if (query.focus_m) {
    // How far the distance lies outside the range that was calibrated.
    const std::string per_m = select.value(1.0 / *query.focus_m);
    const std::string again = select.value(1.0 / *query.focus_m);
    select.append(fmt::format(
        "CASE WHEN c.focus_least_per_m > {} THEN c.focus_least_per_m - {} ", per_m, again));
    const std::string above = select.value(1.0 / *query.focus_m);
    const std::string above_again = select.value(1.0 / *query.focus_m);
    select.append(fmt::format(
        "WHEN c.focus_most_per_m < {} THEN {} - c.focus_most_per_m ", above, above_again));
    select.append("ELSE 0 END, ");
  }
  select.append(query.oldest_first ? "c.id" : "c.id DESC");
  select.append(
      fmt::format(" LIMIT {}", select.value(static_cast<long long>(std::max(query.most, 1)))));
}

}  // namespace

std::vector<Entry> find_entries(const Database& database, const Query& query) {
  Select select;
  add_conditions(select, query);
  add_order(select, query);
  return select.run(database);
}

Result<Entry> read_entry(const Database& database, std::int64_t id) {
  Select select;
  select.condition(fmt::format("c.id = {}", select.value(static_cast<long long>(id))));
  std::vector<Entry> found = select.run(database);
  if (!found.empty()) return std::move(found.front());
  return fail(
      ErrorCode::kNotFound,
      fmt::format(
          "{}: holds no calibration {}; its newest is {}", database.name, id, newest_id(database)));
}

std::vector<Entry> lens_entries(const Database& database, std::int64_t id) {
  Select select;
  select.condition(fmt::format("c.lens_id = (SELECT lens_id FROM calibration WHERE id = {})",
                               select.value(static_cast<long long>(id))));
  select.append(" ORDER BY c.id");
  return select.run(database);
}

std::int64_t newest_id(const Database& database) {
  long long id = 0;
  database.sql << "SELECT coalesce(max(id), 0) FROM calibration", soci::into(id);
  return id;
}

}  // namespace trueplate::archive::detail

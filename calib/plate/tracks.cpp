#include "calib/plate/tracks.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <tuple>
#include <unordered_map>
#include <utility>

#include "calib/base/counted.h"
#include "calib/base/text.h"
#include "calib/base/utf8.h"

namespace trueplate::plate {
namespace {

struct Columns {
  std::size_t track = 0;
  std::size_t frame = 0;
  std::size_t x = 0;
  std::size_t y = 0;
};

/// One row with a point.
struct Row {
  double frame = 0.0;
  int track = 0;
  Point2d p_px = {0.0, 0.0};
  std::size_t row = 0;
};

/// The digits at the end of a file's name, its extension left out; empty where there are none.
std::string_view frame_digits(std::string_view name) {
  constexpr std::string_view kDigits = "0123456789";
  const std::size_t dot = name.rfind('.');
  if (dot != std::string_view::npos &&
      name.find_first_not_of(kDigits, dot + 1) != std::string_view::npos) {
    name = name.substr(0, dot);
  }
  const std::size_t last_other = name.find_last_not_of(kDigits);
  return last_other == std::string_view::npos ? name : name.substr(last_other + 1);
}

Result<Columns> find_columns(const CsvTable& table) {
  Columns columns;
  for (const auto& [name, column] : {std::pair{"track", &columns.track},
                                     std::pair{"frame", &columns.frame},
                                     std::pair{"x", &columns.x},
                                     std::pair{"y", &columns.y}}) {
    const Result<std::size_t> found = table.column(name);
    if (!found) return fail(found.error());
    *column = *found;
  }
  return columns;
}

/// Collects the rows and what is to be said about them.
class Reader {
 public:
  Reader(const CsvTable& table, const Columns& columns) : table_(table), columns_(columns) {}

  Result<Tracks> read() {
    for (std::size_t row = 0; row < table_.num_rows(); ++row) {
      if (Result<void> taken = take(row); !taken) return fail(taken.error());
    }
    if (rows_.empty()) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: has no row with a point, wanted tracks", table_.source()));
    }
    const Result<std::optional<ImageSize>> size = table_.image_size();
    if (!size) return fail(size.error());
    tracks_.plate_size = size->value_or(ImageSize{});
    if (Result<void> ordered = put_in_order(); !ordered) return fail(ordered.error());
    add_warnings();
    return std::move(tracks_);
  }

 private:
  Result<void> take(std::size_t row) {
    const Result<double> frame = frame_at(row);
    if (!frame) return fail(frame.error());
    std::string name = table_.cell(row, columns_.track);
    if (trim(name).empty()) return fail(table_.error_at(row, "track is blank, wanted a name"));
    const auto [entry, is_new] =
        index_of_.try_emplace(std::move(name), static_cast<int>(tracks_.names.size()));
    if (is_new) tracks_.names.push_back(entry->first);
    if (table_.is_blank(row, columns_.x) && table_.is_blank(row, columns_.y)) {
      ++tracks_.num_gaps;
      return {};
    }
    const Result<double> x = table_.number(row, columns_.x);
    const Result<double> y = table_.number(row, columns_.y);
    if (x && y && std::max(std::abs(*x), std::abs(*y)) > kFarthestPx) {
      if (num_beyond_++ == 0) first_beyond_line_ = table_.line(row);
      ++tracks_.num_gaps;
      return {};
    }
    if (x && y) {
      rows_.push_back({*frame, entry->second, {*x, *y}, row});
      return {};
    }
    if (table_.is_not_finite(row, columns_.x) || table_.is_not_finite(row, columns_.y)) {
      if (num_nan_++ == 0) first_nan_line_ = table_.line(row);
      ++tracks_.num_gaps;
      return {};
    }
    return fail(x ? y.error() : x.error());
  }

  /// A number, or the file of a frame: shot.1001.exr is frame 1001.
  Result<double> frame_at(std::size_t row) const {
    Result<double> frame = table_.number(row, columns_.frame);
    if (!frame) {
      const std::string text = table_.cell(row, columns_.frame);
      const std::string_view digits = frame_digits(trim(text));
      const std::optional<double> number = parse_number(digits);
      if (!number) {
        return fail(table_.error_at(row,
                                    fmt::format("frame is '{}', wanted a number, or a file's name "
                                                "that ends with one, such as shot.1001.exr",
                                                printable(text))));
      }
      frame = *number;
    }
    if (std::abs(*frame) <= kFarthestFrame) return frame;
    return fail(table_.error_at(
        row,
        fmt::format(
            "frame is {}, wanted {:.0f} to {:.0f}", *frame, -kFarthestFrame, kFarthestFrame)));
  }

  Result<void> put_in_order() {
    std::sort(rows_.begin(), rows_.end(), [](const Row& a, const Row& b) {
      return std::tie(a.frame, a.track, a.row) < std::tie(b.frame, b.track, b.row);
    });
    tracks_.points.reserve(rows_.size());
    const Row* last = nullptr;
    for (const Row& row : rows_) {
      if (last != nullptr && last->frame == row.frame && last->track == row.track) {
        if (last->p_px != row.p_px) return fail(conflict(*last, row));
        if (num_repeated_++ == 0) first_repeated_line_ = table_.line(row.row);
        continue;
      }
      if (last == nullptr || last->frame != row.frame) tracks_.frames.push_back(row.frame);
      tracks_.points.push_back({static_cast<int>(tracks_.frames.size()) - 1, row.track, row.p_px});
      note_outside(row);
      last = &row;
    }
    return {};
  }

  void note_outside(const Row& row) {
    const ImageSize size = tracks_.plate_size;
    farthest_px_ = farthest_px_.cwiseMax(row.p_px);
    if (size.width <= 0) return;
    const Point2d limit(size.width, size.height);
    const double outside = (row.p_px - row.p_px.cwiseMax(0.0).cwiseMin(limit)).norm();
    if (!(outside > 0.0)) return;
    if (num_outside_++ == 0) first_outside_line_ = table_.line(row.row);
    max_outside_px_ = std::max(max_outside_px_, outside);
  }

  [[nodiscard]] Error conflict(const Row& first, const Row& second) const {
    return table_.error_at(
        second.row,
        fmt::format("track '{}' is at ({}, {}) in frame {}, but at ({}, {}) on line {}; keep one",
                    tracks_.names[static_cast<std::size_t>(second.track)],
                    second.p_px.x(),
                    second.p_px.y(),
                    second.frame,
                    first.p_px.x(),
                    first.p_px.y(),
                    table_.line(first.row)));
  }

  void add_warnings() {
    const auto add = [this](std::string code, std::size_t count, std::string message) {
      if (count == 0) return;
      tracks_.warnings.push_back({std::move(code), std::move(message), static_cast<double>(count)});
    };
    add("tracks-repeated",
        num_repeated_,
        fmt::format("{}: {} {} another and {} once (first: line {})",
                    table_.source(),
                    counted(num_repeated_, "row"),
                    agreed(num_repeated_, "repeats", "repeat"),
                    agreed(num_repeated_, "counts", "count"),
                    first_repeated_line_));
    add("tracks-not-a-number",
        num_nan_,
        fmt::format("{}: {} {} NaN or infinite and {} (first: line {})",
                    table_.source(),
                    counted(num_nan_, "point"),
                    agreed(num_nan_, "is", "are"),
                    agreed(num_nan_, "counts as a gap", "count as gaps"),
                    first_nan_line_));
    add("tracks-beyond-any-picture",
        num_beyond_,
        fmt::format("{}: {} {} more than {:.0f} px from the plate's corner, on no picture, "
                    "and {} (first: line {})",
                    table_.source(),
                    counted(num_beyond_, "point"),
                    agreed(num_beyond_, "is", "are"),
                    kFarthestPx,
                    agreed(num_beyond_, "counts as a gap", "count as gaps"),
                    first_beyond_line_));
    // The noise of a track at the frame's edge.
    constexpr double kNoiseAtEdgePx = 1.0;
    add("tracks-outside-frame",
        max_outside_px_ > kNoiseAtEdgePx ? num_outside_ : 0,
        fmt::format("{}: {} {} outside the {}x{} plate, up to {:.6g} px (first: line {}); "
                    "are these tracks of this plate?",
                    table_.source(),
                    counted(num_outside_, "point"),
                    agreed(num_outside_, "lies", "lie"),
                    tracks_.plate_size.width,
                    tracks_.plate_size.height,
                    max_outside_px_,
                    first_outside_line_));
    add_quarter();
  }

  /// Tracks of a proxy of half the size lie there.
  void add_quarter() {
    constexpr double kHalf = 0.55;
    constexpr std::size_t kFewest = 20;  // points
    const Point2d size(tracks_.plate_size.width, tracks_.plate_size.height);
    if (!(size.x() > 0.0) || tracks_.points.size() < kFewest) return;
    const Point2d share = farthest_px_.cwiseQuotient(size);
    if (!(share.maxCoeff() < kHalf)) return;
    tracks_.warnings.push_back(
        {"tracks-in-a-quarter",
         fmt::format(
             "{}: all points lie in the upper left quarter of the {}x{} plate (up to {:.0f}, "
             "{:.0f}); were they tracked on a smaller copy? Then '# image:' is its size",
             table_.source(),
             tracks_.plate_size.width,
             tracks_.plate_size.height,
             farthest_px_.x(),
             farthest_px_.y()),
         share.maxCoeff()});
  }

  const CsvTable& table_;
  Columns columns_;
  Tracks tracks_;
  std::vector<Row> rows_;
  std::unordered_map<std::string, int> index_of_;
  std::size_t num_repeated_ = 0;
  std::size_t first_repeated_line_ = 0;
  std::size_t num_nan_ = 0;
  std::size_t first_nan_line_ = 0;
  std::size_t num_beyond_ = 0;
  std::size_t first_beyond_line_ = 0;
  std::size_t num_outside_ = 0;
  std::size_t first_outside_line_ = 0;
  double max_outside_px_ = 0.0;
  Point2d farthest_px_ = Point2d::Zero();
};

Result<Tracks> tracks_of(Result<CsvTable> table, const ColumnNames& names) {
  if (!table) return fail(table.error());
  table->set_column_names(names);
  const Result<Columns> columns = find_columns(*table);
  if (!columns) return fail(columns.error());
  return Reader(*table, *columns).read();
}

}  // namespace

Result<Tracks> parse_tracks(std::string content, std::string source, const ColumnNames& columns) {
  return tracks_of(CsvTable::parse(std::move(content), std::move(source)), columns);
}

Result<Tracks> read_tracks(const std::filesystem::path& path, const ColumnNames& columns) {
  return tracks_of(CsvTable::read(path), columns);
}

std::vector<std::size_t> frame_starts(const Tracks& tracks) {
  std::vector<std::size_t> starts(tracks.frames.size() + 1, 0);
  for (const TrackPoint& point : tracks.points) ++starts[static_cast<std::size_t>(point.frame) + 1];
  for (std::size_t f = 1; f < starts.size(); ++f) starts[f] += starts[f - 1];
  return starts;
}

int num_common_tracks(const Tracks& tracks, int frame_a, int frame_b) {
  const auto range = [&tracks](int frame) {
    return std::equal_range(
        tracks.points.begin(),
        tracks.points.end(),
        TrackPoint{.frame = frame},
        [](const TrackPoint& a, const TrackPoint& b) { return a.frame < b.frame; });
  };
  auto [a, a_end] = range(frame_a);
  auto [b, b_end] = range(frame_b);
  int common = 0;
  while (a != a_end && b != b_end) {
    if (a->track == b->track) {
      ++common;
      ++a;
      ++b;
    } else if (a->track < b->track) {
      ++a;
    } else {
      ++b;
    }
  }
  return common;
}

}  // namespace trueplate::plate

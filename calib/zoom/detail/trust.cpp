#include "calib/zoom/detail/trust.h"

#include <algorithm>
#include <cmath>

namespace trueplate::zoom::detail {
namespace {

using Eigen::Index;

FieldDifference over(const FieldDifference& difference, double bow) {
  return bow > 0.0 ? (1.0 / bow) * difference : FieldDifference{};
}

/// What the stations that `kept` names say of the place of another, and by how much they miss.
struct Prediction {
  FieldDifference miss;
  Blend blend;
};
std::optional<Prediction> prediction(const PlateField& field,
                                     const StationGrid& all,
                                     const std::vector<StationPlace>& places,
                                     const std::vector<std::size_t>& kept,
                                     std::size_t station) {
  if (kept.empty()) return std::nullopt;
  std::vector<StationPlace> others;
  Eigen::MatrixXd numbers(all.numbers().rows(), static_cast<Index>(kept.size()));
  for (std::size_t i = 0; i < kept.size(); ++i) {
    others.push_back(places[kept[i]]);
    numbers.col(static_cast<Index>(i)) = all.numbers().col(static_cast<Index>(kept[i]));
  }
  const StationPlace& place = places[station];
  const double focus_m =
      place.nearness == 0.0 ? INFINITY : place.focal_mm * (1.0 + 1.0 / place.nearness) / 1000.0;
  const Blend blend =
      StationGrid(others, std::move(numbers), all.num_free()).at(place.focal_mm, focus_m);
  return Prediction{
      difference_of(field, blend.numbers, all.numbers().col(static_cast<Index>(station))), blend};
}

/// The same where the others surround it.
std::optional<FieldDifference> predicted_between(const PlateField& field,
                                                 const StationGrid& all,
                                                 const std::vector<StationPlace>& places,
                                                 const std::vector<std::size_t>& kept,
                                                 std::size_t station) {
  const std::optional<Prediction> found = prediction(field, all, places, kept, station);
  if (!found || found->blend.focal_beyond > StationGrid::kSameFocal || found->blend.focus_beyond) {
    return std::nullopt;
  }
  return found->miss;
}

/// Root mean square and largest displacement of a lens, without what a camera solve absorbs.
FieldDifference distortion_of(const PlateField& field, const Eigen::VectorXd& numbers) {
  Eigen::VectorXd straight = numbers;
  straight.head(2 * field.num_nodes()).setZero();
  return difference_of(field, numbers, straight);
}

}  // namespace

Trust::Trust(const PlateField& field,
             const std::vector<StationPlace>& places,
             const StationGrid& grid)
    : grid_(&grid) {
  leave_out(field, places);
  judge_focal(field);
  judge_focus(field);
  judge_beyond(field, places);
}

void Trust::leave_out(const PlateField& field, const std::vector<StationPlace>& places) {
  left_out_.resize(places.size());
  for (const StationGrid::Column& column : grid_->columns()) {
    for (const std::size_t station : column.stations) {
      std::vector<std::size_t> others;
      std::vector<std::size_t> other_columns;
      for (std::size_t i = 0; i < places.size(); ++i) {
        if (i == station) continue;
        others.push_back(i);
        const bool same =
            std::find(column.stations.begin(), column.stations.end(), i) != column.stations.end();
        if (!same) other_columns.push_back(i);
      }
      left_out_[station] = {
          .station = predicted_between(field, *grid_, places, others, station),
          .focal_length = predicted_between(field, *grid_, places, other_columns, station)};
    }
  }
}

void Trust::judge_focal(const PlateField& field) {
  const std::vector<StationGrid::Column>& columns = grid_->columns();
  std::vector<std::optional<FieldDifference>> at(columns.size());
  for (std::size_t k = 1; k + 1 < columns.size(); ++k) {
    const double before = std::log(columns[k].focal_mm / columns[k - 1].focal_mm);
    const double behind = std::log(columns[k + 1].focal_mm / columns[k].focal_mm);
    FieldDifference worst;
    for (const std::size_t station : columns[k].stations) {
      if (const auto& found = left_out_[station].focal_length) worst = larger(worst, *found);
    }
    at[k] = over(worst, before * behind);
  }
  for (std::size_t k = 0; k + 1 < columns.size(); ++k) {
    std::optional<FieldDifference> found;
    for (const auto& one : {at[k], at[k + 1]}) {
      if (one) found = found ? larger(*found, *one) : *one;
    }
    if (!found) {  // only two focal lengths
      const double width = std::log(columns[k + 1].focal_mm / columns[k].focal_mm);
      const auto middle = [&](const StationGrid::Column& column) -> Eigen::VectorXd {
        const std::size_t station = column.stations[column.stations.size() / 2];
        return grid_->numbers().col(static_cast<Index>(station));
      };
      found = over(difference_of(field, middle(columns[k]), middle(columns[k + 1])), width * width);
    }
    per_focal_bow_.push_back(*found);
  }
}

void Trust::judge_focus(const PlateField& field) {
  const std::vector<StationGrid::Column>& columns = grid_->columns();
  per_focus_bow_.resize(columns.size());
  per_lent_.resize(columns.size());
  bool any = false;
  FieldDifference overall;
  for (std::size_t k = 0; k < columns.size(); ++k) {
    const StationGrid::Column& column = columns[k];
    for (std::size_t i = 0; i < column.stations.size(); ++i) {
      const auto& found = left_out_[column.stations[i]].station;
      if (!found) continue;
      const bool first = i == 0;
      const bool last = i + 1 == column.stations.size();
      if (first && last) continue;
      if (first || last) {
        const double end = column.nearness[i];
        const double next = first ? column.nearness[1] : column.nearness[i - 1];
        per_lent_[k][last ? 1 : 0] = over(*found, std::abs(end - next));
        continue;
      }
      const double bow = (column.nearness[i] - column.nearness[i - 1]) *
                         (column.nearness[i + 1] - column.nearness[i]);
      per_focus_bow_[k] = larger(per_focus_bow_[k], over(*found, bow));
      overall = larger(overall, per_focus_bow_[k]);
      any = true;
    }
  }
  for (std::size_t k = 0; k < columns.size(); ++k) {
    const StationGrid::Column& column = columns[k];
    const auto of_station = [&](std::size_t i) -> Eigen::VectorXd {
      return grid_->numbers().col(static_cast<Index>(column.stations[i]));
    };
    if (column.stations.size() < 3) per_focus_bow_[k] = overall;
    if (column.stations.size() == 2 && !any) {
      const double width = column.nearness[1] - column.nearness[0];
      per_focus_bow_[k] = over(difference_of(field, of_station(0), of_station(1)), width * width);
    }
    // K1 g^2, g = 1 + nearness: by twice its share for a small change; the focal length by once.
    FieldDifference change = 2.0 * distortion_of(field, of_station(0));
    change.focal_share = 1.0;
    per_beyond_ = larger(per_beyond_, change);
  }
}

void Trust::judge_beyond(const PlateField& field, const std::vector<StationPlace>& places) {
  const std::vector<StationGrid::Column>& columns = grid_->columns();
  for (const FieldDifference& one : per_focal_bow_) {
    for (FieldDifference& bound : per_focal_bow_beyond_) bound = larger(bound, one);
  }
  for (const FieldDifference& one : per_focus_bow_) {
    for (FieldDifference& bound : per_focus_bow_beyond_) bound = larger(bound, one);
  }
  for (std::size_t k = 0; k < columns.size(); ++k) {
    const std::vector<std::size_t>& own = columns[k].stations;
    const bool first = k == 0;
    if ((first || k + 1 == columns.size()) && columns.size() > 2) {
      std::vector<std::size_t> others;
      for (std::size_t i = 0; i < places.size(); ++i) {
        if (std::find(own.begin(), own.end(), i) == own.end()) others.push_back(i);
      }
      FieldDifference& bound = per_focal_bow_beyond_[first ? 0 : 1];
      for (const std::size_t station : own) {
        const auto found = prediction(field, *grid_, places, others, station);
        if (found) bound = larger(bound, over(found->miss, found->blend.focal_bow));
      }
    }
    if (own.size() < 3) continue;
    for (const bool nearer : {false, true}) {
      std::vector<std::size_t> others = own;
      others.erase(nearer ? others.end() - 1 : others.begin());
      const auto found =
          prediction(field, *grid_, places, others, nearer ? own.back() : own.front());
      FieldDifference& bound = per_focus_bow_beyond_[nearer ? 1 : 0];
      if (found) bound = larger(bound, over(found->miss, found->blend.focus_lower.bow));
    }
  }
}

FieldDifference Trust::of_focus(std::size_t column, const Blend::Focus& focus) const {
  const FieldDifference between = focus.bow * per_focus_bow_[column];
  if (focus.lent == 0.0) return between;
  if (focus.from_others) {
    return root_sum(between, focus.lent * per_lent(column, focus.nearer));
  }
  const bool single = grid_->columns()[column].stations.size() == 1;
  return single ? focus.lent * per_beyond_
                : focus.bow * per_focus_bow_beyond_[focus.nearer ? 1 : 0];
}

/// As learnt at the nearest focal lengths, on either side, that could be asked.
FieldDifference Trust::per_lent(std::size_t column, bool nearer) const {
  std::optional<FieldDifference> found;
  const auto ask = [&](std::size_t k) {
    const std::optional<FieldDifference>& one = per_lent_[k][nearer ? 1 : 0];
    if (one) found = found ? larger(*found, *one) : *one;
    return one.has_value();
  };
  for (std::size_t k = column; k-- > 0;) {
    if (ask(k)) break;
  }
  for (std::size_t k = column + 1; k < per_lent_.size(); ++k) {
    if (ask(k)) break;
  }
  // None: as if it had not been lent at all.
  return found.value_or(per_beyond_);
}

FieldDifference Trust::of(const Blend& blend) const {
  const FieldDifference focus =
      root_sum((1.0 - blend.upper_share) * of_focus(blend.lower, blend.focus_lower),
               blend.upper_share * of_focus(blend.upper, blend.focus_upper));
  if (per_focal_bow_.empty()) {
    // A single focal length: another one has another lens; by the share that it is off.
    return root_sum(focus, blend.focal_beyond * per_beyond_);
  }
  if (blend.focal_beyond > StationGrid::kSameFocal) {
    const std::size_t end = blend.upper_share > 0.5 ? 1 : 0;
    return root_sum(focus, blend.focal_bow * per_focal_bow_beyond_[end]);
  }
  return root_sum(focus, blend.focal_bow * per_focal_bow_[blend.lower]);
}

}  // namespace trueplate::zoom::detail

#include "tests/support/made_shot.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <cmath>
#include <iterator>
#include <optional>
#include <random>

#include "calib/base/decompositions.h"
#include "calib/base/text.h"

namespace trueplate::tests {
namespace {

using Eigen::Vector3d;
using plate::Cause;

constexpr double kMiddle = 10.0;

plate::CameraPose pose_at(const ShotPlan& plan, double s) {
  const double u = s - 0.5;
  const Vector3d position(plan.travel * 0.8 * u,
                          plan.travel * (0.25 * std::sin(4.0 * u) + 0.03 * std::sin(23.0 * s)),
                          plan.travel * (0.4 * u * u + 0.1 * std::sin(3.0 * s)));
  const Vector3d target(0.0, 0.0, kMiddle);
  const Vector3d forward = (target - position).normalized();
  const Vector3d right = Vector3d::UnitY().cross(forward).normalized();
  plate::CameraPose pose;
  pose.rotation.row(0) = right.transpose();
  pose.rotation.row(1) = forward.cross(right).transpose();
  pose.rotation.row(2) = forward.transpose();
  const Eigen::Matrix3d turn = (Eigen::AngleAxisd(plan.pan * u, Vector3d::UnitY()) *
                                Eigen::AngleAxisd(0.3 * plan.pan * u * u, Vector3d::UnitX()))
                                   .toRotationMatrix();
  pose.rotation = turn * pose.rotation;
  pose.translation = -pose.rotation * position;
  return pose;
}

std::optional<Point2d> image_of(const ShotPlan& plan,
                                const plate::CameraPose& pose,
                                const Vector3d& point) {
  const Vector3d p = pose.rotation * point + pose.translation;
  if (p.z() < 1.0) return std::nullopt;
  const Point2d ideal = p.hnormalized();
  const double r2 = ideal.squaredNorm();
  const Point2d size(plan.plate_size.width, plan.plate_size.height);
  const Point2d px = 0.5 * size + plan.focal_px * (1.0 + r2 * (plan.k1 + r2 * plan.k2)) * ideal;
  if ((px.array() < 0.0).any() || (px.array() > size.array()).any()) return std::nullopt;
  return px;
}

double uniform(std::mt19937& generator, double low, double high) {
  return low + (high - low) * (static_cast<double>(generator()) / 4294967296.0);
}

int whole(std::mt19937& generator, int low, int high) {
  return low + static_cast<int>(generator() % static_cast<unsigned>(high - low + 1));
}

/// A point that some frame sees somewhere on its plate.
Vector3d random_point(const ShotPlan& plan,
                      const std::vector<plate::CameraPose>& poses,
                      std::mt19937& generator) {
  const plate::CameraPose& pose = poses[generator() % poses.size()];
  const Vector3d ray((uniform(generator, 0.0, 1.0) - 0.5) * plan.plate_size.width / plan.focal_px,
                     (uniform(generator, 0.0, 1.0) - 0.5) * plan.plate_size.height / plan.focal_px,
                     1.0);
  const double depth = uniform(generator, 6.0, 14.0);
  const Vector3d direction = pose.rotation.transpose() * ray;
  if (!plan.flat) return pose.position() + depth * direction;
  const Vector3d normal = Vector3d(0.25, -0.3, 1.0).normalized();
  const double along =
      normal.dot(Vector3d(0.0, 0.0, kMiddle) - pose.position()) / normal.dot(direction);
  return pose.position() + along * direction;
}

}  // namespace

MadeShot make_shot(const ShotPlan& plan) {
  MadeShot shot;
  std::mt19937 generator(plan.seed);
  std::normal_distribution<double> noise(0.0, 1.0);
  for (int f = 0; f < plan.num_frames; ++f) {
    const double s = plan.num_frames > 1 ? f / (plan.num_frames - 1.0) : 0.0;
    shot.poses.push_back(pose_at(plan, s));
    shot.tracks.frames.push_back(1001.0 + f);
  }
  shot.tracks.plate_size = plan.plate_size;
  const double least = std::max(2.0, plan.least_life * plan.num_frames);
  std::vector<std::vector<plate::TrackPoint>> by_frame(shot.poses.size());
  while (static_cast<int>(shot.points.size()) < plan.num_tracks) {
    const Vector3d point = random_point(plan, shot.poses, generator);
    std::vector<plate::TrackPoint> seen;
    for (int f = 0; f < plan.num_frames; ++f) {
      const auto px = image_of(plan, shot.poses[static_cast<std::size_t>(f)], point);
      if (px) seen.push_back({f, static_cast<int>(shot.points.size()), *px});
    }
    if (static_cast<double>(seen.size()) < std::min<double>(least, plan.num_frames)) continue;
    for (plate::TrackPoint& p : seen) {
      p.p_px += plan.noise_px * Point2d(noise(generator), noise(generator));
      by_frame[static_cast<std::size_t>(p.frame)].push_back(p);
    }
    shot.tracks.names.push_back(fmt::format("t{}", shot.points.size()));
    shot.points.push_back(point);
  }
  for (const auto& points : by_frame) {
    shot.tracks.points.insert(shot.tracks.points.end(), points.begin(), points.end());
  }
  return shot;
}

lens::Lens lens_of(const ShotPlan& plan) {
  lens::Lens lens;
  lens.plate_size = plan.plate_size;
  lens.focal_px = {plan.focal_px, plan.focal_px};
  lens.principal_point_px = {0.5 * plan.plate_size.width, 0.5 * plan.plate_size.height};
  lens.model = lens::RadialTangential({plan.k1, plan.k2, 0.0, 0.0, 0.0});
  return lens;
}

void slip(MadeShot& shot, int track, int frame, const Point2d& jump_px) {
  for (plate::TrackPoint& point : shot.tracks.points) {
    if (point.track == track && point.frame >= frame) point.p_px += jump_px;
  }
}

void squeeze(MadeShot& shot, double ratio) {
  const double middle = 0.5 * shot.tracks.plate_size.width;
  for (plate::TrackPoint& point : shot.tracks.points) {
    point.p_px.x() = middle + (point.p_px.x() - middle) / ratio;
  }
}

std::string tracks_csv(const plate::Tracks& tracks) {
  fmt::memory_buffer text;
  auto out = std::back_inserter(text);
  fmt::format_to(
      out, "# image: {}x{}\ntrack,frame,x,y\n", tracks.plate_size.width, tracks.plate_size.height);
  for (const plate::TrackPoint& point : tracks.points) {
    fmt::format_to(out,
                   "{},{},{},{}\n",
                   tracks.names[static_cast<std::size_t>(point.track)],
                   to_lossless_text(tracks.frames[static_cast<std::size_t>(point.frame)]),
                   to_lossless_text(point.p_px.x()),
                   to_lossless_text(point.p_px.y()));
  }
  return fmt::to_string(text);
}

namespace {

/// Every feature is seen for a while only, `a_group` of them at once, and each group only meets the
/// next: in its middle frame a group is alone.
void split_into_groups(MadeShot& shot, int a_group) {
  const auto num_frames = static_cast<int>(shot.tracks.frames.size());
  const int num_groups = std::max(1, static_cast<int>(shot.points.size()) / a_group);
  const int apart = std::max(3, num_frames / num_groups);
  std::erase_if(shot.tracks.points, [&](const plate::TrackPoint& point) {
    const int middle = (point.track / a_group) * apart;
    return std::abs(point.frame - middle) >= apart;
  });
}

}  // namespace

namespace {

/// Faults that nobody would miss.
FaultSize large_fault(Cause cause) {
  switch (cause) {
    case Cause::kMarkersOff:
      return {2.0, 6.0};
    case Cause::kSlippedTrack:
      return {4.0, 20.0};
    case Cause::kLens:
      return {10.0, 40.0};
    case Cause::kWrongFocal:
      return {1.15, 1.4};
    case Cause::kPixelAspect:
      return {4.0 / 3.0, 2.0};
    case Cause::kLittleParallax:
      return {1.0, 2.0};
    default:
      return {};
  }
}

}  // namespace

ShotCase random_case(Cause cause, unsigned seed, const CaseOptions& options) {
  std::mt19937 generator(seed * 16U + static_cast<unsigned>(cause));
  ShotPlan plan;
  const std::array<ImageSize, 3> sizes{ImageSize{1920, 1080}, {2048, 1152}, {3840, 2160}};
  plan.plate_size = sizes[generator() % 3];
  const double width = plan.plate_size.width;
  const double scale = width / 2048.0;
  plan.focal_px = width * uniform(generator, 0.8, 1.8);
  plan.num_tracks = whole(generator, 15, 80);
  plan.num_frames = whole(generator, 12, 60);
  plan.travel = uniform(generator, 2.5, 6.0);
  plan.seed = generator();
  ShotCase made;
  const FaultSize range = options.size.value_or(large_fault(cause));
  if (options.focal_is_told) made.options.focal_px = plan.focal_px;
  const double corner_px = 0.5 * std::hypot(width, plan.plate_size.height);
  const double corner2 = std::pow(corner_px / plan.focal_px, 2.0);
  double size_px = 0.0;
  int in_groups = 0;
  if (cause == Cause::kGood && generator() % 2 == 0) {
    plan.k1 = uniform(generator, -40.0, 20.0) * scale / corner_px / corner2;
    made.options.lens = lens_of(plan);
    made.options.focal_px.reset();
  } else if (cause == Cause::kLens) {
    size_px =
        (generator() % 2 == 0 ? -1.0 : 1.0) * uniform(generator, range.least, range.most) * scale;
    plan.k1 = size_px / corner_px / corner2;
  } else if (cause == Cause::kLittleParallax) {
    // The inverse depths of the points scatter by about 0.03.
    size_px = uniform(generator, range.least, range.most) * scale;
    plan.travel = size_px / (0.03 * plan.focal_px);
    plan.pan = uniform(generator, 0.0, 0.1);
  } else if (cause == Cause::kOnePlane) {
    plan.flat = true;
  } else if (cause == Cause::kPureRotation) {
    plan.travel = 0.0;
    plan.pan = uniform(generator, 0.05, 0.25);
  } else if (cause == Cause::kTooFewCommon) {
    // Too few at all, or enough of which too few go on from one stretch to the next.
    in_groups = generator() % 2 == 0 ? whole(generator, 3, 4) : 0;
    plan.num_tracks = in_groups > 0 ? in_groups * whole(generator, 4, 8) : whole(generator, 3, 7);
    if (in_groups > 0) plan.least_life = 1.0;
  } else if (cause == Cause::kWrongFocal) {
    size_px = uniform(generator, range.least, range.most);
    made.options.focal_px = plan.focal_px * (generator() % 2 == 0 ? size_px : 1.0 / size_px);
  }
  if (options.bent) {
    const double bend_px = (generator() % 2 == 0 ? -1.0 : 1.0) * uniform(generator, 10.0, 40.0);
    plan.k1 = bend_px * scale / corner_px / corner2;
  }
  made.shot = make_shot(plan);
  if (in_groups > 0) split_into_groups(made.shot, in_groups);
  if (cause == Cause::kPixelAspect) {
    // One of the squeezes in use (common practice, no source).
    const std::array squeezes{4.0 / 3.0, 1.5, 1.65, 1.8, 2.0};
    do {
      size_px = squeezes[generator() % squeezes.size()];
    } while (size_px < range.least || size_px > range.most);
    squeeze(made.shot, size_px);
    if (options.focal_is_told) made.options.focal_px = plan.focal_px / size_px;
  }
  const int num_bad = whole(generator, 1, std::max(1, plan.num_tracks / 15));
  if (cause == Cause::kMarkersOff) {
    std::normal_distribution<double> error(0.0, 1.0);
    size_px = uniform(generator, range.least, range.most) * scale;
    const bool spikes = generator() % 2 == 0;
    for (plate::TrackPoint& point : made.shot.tracks.points) {
      if (point.track >= num_bad || (spikes && generator() % 5 != 0)) continue;
      const double size = spikes ? 2.0 * size_px : size_px;
      point.p_px += size * Point2d(error(generator), error(generator));
    }
  } else if (cause == Cause::kSlippedTrack) {
    size_px = uniform(generator, range.least, range.most) * scale;
    for (int track = 0; track < num_bad; ++track) {
      std::vector<int> frames;
      for (const plate::TrackPoint& point : made.shot.tracks.points) {
        if (point.track == track) frames.push_back(point.frame);
      }
      const double share = uniform(generator, 0.25, 0.75);
      const auto at = static_cast<std::size_t>(share * static_cast<double>(frames.size()));
      const double angle = uniform(generator, 0.0, 6.28);
      slip(made.shot, track, frames[at], size_px * Point2d(std::cos(angle), std::sin(angle)));
    }
  }
  made.about =
      fmt::format("{}{} seed {}: {} tracks, {} frames, {} px wide, focal {:.0f} px, size {:.2f}",
                  plate::name_of(cause),
                  options.bent ? " through a lens" : "",
                  seed,
                  plan.num_tracks,
                  plan.num_frames,
                  plan.plate_size.width,
                  plan.focal_px,
                  size_px);
  made.plan = plan;
  return made;
}

double true_parallax_px(const ShotCase& made, int frame_a, int frame_b) {
  const plate::CameraPose& a = made.shot.poses[static_cast<std::size_t>(frame_a)];
  const plate::CameraPose& b = made.shot.poses[static_cast<std::size_t>(frame_b)];
  std::vector<char> seen(made.shot.points.size(), 0);
  for (const plate::TrackPoint& point : made.shot.tracks.points) {
    if (point.frame == frame_a) seen[static_cast<std::size_t>(point.track)] |= 1;
    if (point.frame == frame_b) seen[static_cast<std::size_t>(point.track)] |= 2;
  }
  // What small turns of the second camera do to its picture, as columns.
  std::vector<Eigen::Matrix<double, 2, 3>> by_turn;
  std::vector<Point2d> motion;
  for (std::size_t t = 0; t < seen.size(); ++t) {
    if (seen[t] != 3) continue;
    const Vector3d ray = a.rotation * made.shot.points[t] + a.translation;
    const Point2d turned = (b.rotation * a.rotation.transpose() * ray).hnormalized();
    const Point2d p = (b.rotation * made.shot.points[t] + b.translation).hnormalized();
    Eigen::Matrix<double, 2, 3> columns;
    columns << -p.x() * p.y(), 1.0 + p.x() * p.x(), -p.y(),  //
        -1.0 - p.y() * p.y(), p.x() * p.y(), p.x();
    by_turn.push_back(columns);
    motion.emplace_back(p - turned);
  }
  const auto n = static_cast<Eigen::Index>(motion.size());
  if (n < 2) return 0.0;
  Eigen::MatrixX3d columns(2 * n, 3);
  Eigen::VectorXd all(2 * n);
  for (Eigen::Index i = 0; i < n; ++i) {
    columns.middleRows<2>(2 * i) = by_turn[static_cast<std::size_t>(i)];
    all.segment<2>(2 * i) = motion[static_cast<std::size_t>(i)];
  }
  const Eigen::VectorXd left = all - columns * least_squares(columns, all);
  return made.plan.focal_px * std::sqrt(left.squaredNorm() / static_cast<double>(n));
}

double path_error(const MadeShot& shot, const plate::CameraSolve& solve) {
  std::vector<Vector3d> truth, found;
  double length = 0.0;
  for (std::size_t f = 0; f < shot.poses.size(); ++f) {
    if (f > 0) length += (shot.poses[f].position() - shot.poses[f - 1].position()).norm();
    if (!solve.poses[f]) continue;
    truth.push_back(shot.poses[f].position());
    found.push_back(solve.poses[f]->position());
  }
  const Eigen::Index n = static_cast<Eigen::Index>(truth.size());
  if (n < 3) return 0.0;  // two positions fit any two
  Eigen::Matrix3Xd a(3, n), b(3, n);
  for (Eigen::Index i = 0; i < n; ++i) {
    a.col(i) = found[static_cast<std::size_t>(i)];
    b.col(i) = truth[static_cast<std::size_t>(i)];
  }
  const Eigen::Matrix4d fit = Eigen::umeyama(a, b, true);
  const Eigen::Matrix3Xd moved =
      (fit.topLeftCorner<3, 3>() * a).colwise() + fit.topRightCorner<3, 1>();
  return std::sqrt((moved - b).squaredNorm() / static_cast<double>(n)) / length;
}

}  // namespace trueplate::tests

#include "warp/io/frame_writer.h"

#include <fmt/format.h>

#include <cmath>
#include <cstdint>
#include <set>
#include <span>
#include <utility>

#include "calib/base/utf8.h"
#include "calib/footage/detail/metadata.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/exr_writer.h"
#include "warp/io/detail/oiio_writer.h"

namespace trueplate::warp {
namespace {

using footage::Channel;
using footage::Frame;
using footage::Part;
using footage::SampleFormat;

Result<void> check_part(const std::filesystem::path& path,
                        const Part& part,
                        bool are_pixels_there) {
  const auto refuse = [&](std::string_view what) {
    return fail(ErrorCode::kInvalidInput, fmt::format("{}: {}", path.string(), what));
  };
  for (const Window& window : {part.windows.display, part.windows.data}) {
    if (window.empty() || window.width > kMaxImageSide || window.height > kMaxImageSide) {
      return refuse(fmt::format("a window of {}x{} pixels", window.width, window.height));
    }
    // OpenEXR's own limit for window corners.
    constexpr int kFarthest = 1 << 30;
    if (std::abs(static_cast<long long>(window.x)) >= kFarthest ||
        std::abs(static_cast<long long>(window.y)) >= kFarthest) {
      return refuse(fmt::format("a window that begins at {}, {}", window.x, window.y));
    }
  }
  if (are_pixels_there && part.pixels.view().size() != part.windows.data.size()) {
    return refuse(fmt::format("{}x{} pixels for a data window of {}x{}",
                              part.pixels.width(),
                              part.pixels.height(),
                              part.windows.data.width,
                              part.windows.data.height));
  }
  if (part.channels.empty() ||
      (are_pixels_there &&
       part.channels.size() != static_cast<std::size_t>(part.pixels.channels()))) {
    return refuse(fmt::format(
        "{} channel names for {} channels", part.channels.size(), part.pixels.channels()));
  }
  if (!(std::isfinite(part.pixel_aspect) && part.pixel_aspect >= 1e-3 &&
        part.pixel_aspect <= 1e3)) {
    return refuse(fmt::format("pixel aspect {}, wanted 0.001 .. 1000", part.pixel_aspect));
  }
  std::set<std::string_view> names;
  for (const Channel& channel : part.channels) {
    if (channel.name.empty() || channel.name.size() > 255) {
      return refuse(fmt::format("a channel name of {} letters", channel.name.size()));
    }
    if (!names.insert(channel.name).second) {
      return refuse(fmt::format("two channels called {}", printable(channel.name)));
    }
  }
  return {};
}

/// The maker of a part; null where its pixels are there.
const RowMaker* maker_of(std::span<const RowMaker> makers, std::size_t part) {
  return part < makers.size() && makers[part] ? &makers[part] : nullptr;
}

Result<void> check_frame(const std::filesystem::path& path,
                         const Frame& frame,
                         std::span<const RowMaker> makers) {
  std::set<std::string_view> names;
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    const Part& part = frame.part(i);
    const bool are_pixels_there = maker_of(makers, i) == nullptr;
    if (Result<void> checked = check_part(path, part, are_pixels_there); !checked) return checked;
    const bool is_named = !part.name.empty() && names.insert(part.name).second;
    if (!is_named && frame.num_parts() > 1) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: part {} is called '{}', wanted a name no other part has",
                              path.string(),
                              i + 1,
                              part.name));
    }
    if (part.windows.display != frame.windows.display) {
      return fail(ErrorCode::kInvalidInput,
                  fmt::format("{}: the display window of part {} ({}) is not that of the first",
                              path.string(),
                              i + 1,
                              part.name));
    }
  }
  return {};
}

/// Half holds 11 significant bits: enough to give 8 and 10-bit codes back exactly, no more.
SampleFormat exr_format(SampleFormat format) {
  switch (format) {
    case SampleFormat::kUint8:
    case SampleFormat::kUint10:
    case SampleFormat::kHalf:
      return SampleFormat::kHalf;
    case SampleFormat::kUint32:
      return SampleFormat::kUint32;
    case SampleFormat::kUint12:
    case SampleFormat::kUint16:
    case SampleFormat::kFloat:
      break;
  }
  return SampleFormat::kFloat;
}

/// `exact_channels`: those that a lossy compression would spoil; it then gives way to zip.
Imf::Header exr_header(const Part& part,
                       const std::string& exact_channels,
                       const std::optional<detail::Compression>& compression,
                       std::vector<Warning>& warnings) {
  Imf::Header header = footage::detail::exr_header_of(part.metadata.get());
  if (compression) {
    header.compression() = compression->exr;
  } else if (part.metadata == nullptr || part.metadata->kind != detail::FileKind::kExr) {
    header.compression() = Imf::ZIP_COMPRESSION;
  }
  if (!exact_channels.empty() && !detail::is_lossless(header.compression())) {
    warnings.push_back(
        {"lossless-kept",
         fmt::format("{} changes numbers, which would spoil {}: {} was compressed by zip; colour "
                     "in a file or part of its own can be compressed that way",
                     detail::exr_compression_name(header.compression()),
                     exact_channels,
                     part.name.empty() ? std::string("the frame") : "part " + printable(part.name)),
         1.0});
    header.compression() = Imf::ZIP_COMPRESSION;
  }
  return header;
}

Result<std::vector<Warning>> write_frame_exr(const AtomicFile& file,
                                             const std::filesystem::path& path,
                                             const std::optional<detail::Compression>& compression,
                                             const Frame& frame,
                                             std::span<const RowMaker> makers,
                                             std::span<const std::string> exact_channels,
                                             const WriteOptions& options) {
  std::vector<std::vector<Channel>> channels;  // of the file, part by part
  std::vector<detail::ExrPicture> parts;
  std::vector<Warning> warnings;
  channels.reserve(frame.num_parts());
  for (std::size_t i = 0; i < frame.num_parts(); ++i) {
    const Part& part = frame.part(i);
    channels.push_back(part.channels);
    for (Channel& channel : channels.back()) channel.format = exr_format(channel.format);
    const RowMaker* maker = maker_of(makers, i);
    parts.push_back(
        {.header = exr_header(
             part, i < exact_channels.size() ? exact_channels[i] : "", compression, warnings),
         .name = part.name,
         .rows = maker != nullptr ? *maker : detail::rows_of(part.pixels.view()),
         .windows = part.windows,
         .pixel_aspect = part.pixel_aspect,
         .channels = channels.back()});
  }
  if (options.recipe) parts.front().record = unfinished_record(*options.recipe);
  const Result<detail::ExrWritten> written =
      detail::write_exr(file.temporary_path(), path, parts, options.threads);
  if (!written) return fail(written.error());
  if (options.recipe) {
    const Result<void> recorded =
        write_record(file.temporary_path(), path, *options.recipe, written->digest);
    if (!recorded) return fail(recorded.error());
  }
  if (written->num_clipped > 0) {
    warnings.push_back({"clipped",
                        fmt::format("{} samples beyond 65504, the largest half, became that",
                                    written->num_clipped),
                        static_cast<double>(written->num_clipped)});
  }
  if (frame.alpha == footage::Alpha::kUnassociated) {
    warnings.push_back({"alpha-association",
                        "EXR takes colour as multiplied by alpha, this frame's is not; the numbers "
                        "were written unchanged",
                        1.0});
  }
  return warnings;
}

Result<std::vector<Warning>> write_frame_other(
    const AtomicFile& file,
    const std::filesystem::path& path,
    detail::FileKind kind,
    const std::optional<detail::Compression>& compression,
    const Frame& frame,
    const WriteOptions& options) {
  Result<std::vector<Warning>> warnings =
      detail::write_other(file.temporary_path(), path, kind, compression, frame, options.threads);
  if (!warnings || !options.recipe) return warnings;
  const Result<void> recorded = write_record(file.temporary_path(), path, *options.recipe);
  if (!recorded) return fail(recorded.error());
  return warnings;
}

/// `makers`, `exact_channels`: for EXR only.
Result<std::vector<Warning>> write_with(const std::filesystem::path& path,
                                        const Frame& frame,
                                        std::span<const RowMaker> makers,
                                        std::span<const std::string> exact_channels,
                                        const WriteOptions& options) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  if (!kind) return fail(kind.error());
  const auto compression = detail::parse_compression(path, *kind, options.compression);
  if (!compression) return fail(compression.error());
  if (Result<void> checked = check_frame(path, frame, makers); !checked)
    return fail(checked.error());
  Result<AtomicFile> file = AtomicFile::create(path, options.overwrite);
  if (!file) return fail(file.error());
  try {
    Result<std::vector<Warning>> warnings =
        *kind == detail::FileKind::kExr
            ? write_frame_exr(*file, path, *compression, frame, makers, exact_channels, options)
            : write_frame_other(*file, path, *kind, *compression, frame, options);
    if (!warnings) return warnings;
    if (Result<void> committed = file->commit(options.flush); !committed) {
      return fail(committed.error());
    }
    return warnings;
  } catch (const std::bad_alloc&) {
    throw;
  } catch (const std::exception& exception) {
    return fail(ErrorCode::kInvalidInput,
                fmt::format("{}: cannot be written ({})", path.string(), exception.what()));
  }
}

}  // namespace

Result<void> check_writable_format(const std::filesystem::path& path, const WriteOptions& options) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  if (!kind) return fail(kind.error());
  const auto compression = detail::parse_compression(path, *kind, options.compression);
  if (!compression) return fail(compression.error());
  return {};
}

bool keeps_windows(const std::filesystem::path& path) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  return kind && *kind == detail::FileKind::kExr;
}

Result<std::vector<Warning>> write_frame(const std::filesystem::path& path,
                                         const Frame& frame,
                                         const WriteOptions& options) {
  return write_with(path, frame, {}, {}, options);
}

Result<std::vector<Warning>> write_frame(const std::filesystem::path& path,
                                         FrameInRows frame,
                                         const WriteOptions& options) {
  if (keeps_windows(path)) {
    return write_with(path, frame.frame, frame.makers, frame.exact_channels, options);
  }
  const Result<Frame> whole = whole_frame(std::move(frame), options.threads);
  if (!whole) return fail(whole.error());
  return write_with(path, *whole, {}, {}, options);
}

}  // namespace trueplate::warp

#include "warp/io/st_map_file.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <span>
#include <utility>

#include "calib/base/parallel.h"
#include "warp/io/detail/compression.h"
#include "warp/io/detail/exr_writer.h"
#include "warp/io/detail/lens_header.h"
#include "warp/io/detail/map_header.h"

namespace trueplate::warp {
namespace {

bool is_no_source(float s, float t) { return !std::isfinite(s) || !std::isfinite(t); }

/// The map with kNoSource in place of NaN.
Image<float> for_disk(const Image<float>& st, int threads) {
  Image<float> copy(st.width(), st.height(), 2);
  parallel_rows(st.height(), threads, [&](int begin, int end) {
    for (int y = begin; y < end; ++y) {
      const float* from = st.row(y);
      float* to = copy.row(y);
      for (std::ptrdiff_t i = 0; i < std::ptrdiff_t{2} * st.width(); i += 2) {
        const bool none = is_no_source(from[i], from[i + 1]);
        to[i] = none ? kNoSource : from[i];
        to[i + 1] = none ? kNoSource : from[i + 1];
      }
    }
  });
  return copy;
}

/// The compression of a map at `path`.
Result<Imf::Compression> method_of(const std::filesystem::path& path,
                                   const std::string& compression) {
  const Result<detail::FileKind> kind = detail::output_kind(path);
  if (!kind || *kind != detail::FileKind::kExr) {
    return fail(
        ErrorCode::kUnsupported,
        fmt::format("{}: ST-maps are written as EXR only; end the name in .exr", path.string()));
  }
  const auto parsed = detail::parse_compression(path, *kind, compression);
  if (!parsed) return fail(parsed.error());
  const Imf::Compression method = *parsed ? (*parsed)->exr : Imf::ZIP_COMPRESSION;
  if (detail::is_lossless(method)) return method;
  return fail(ErrorCode::kInvalidInput,
              fmt::format("{}: compression '{}' loses digits that an ST-map needs; choose one of "
                          "none, rle, zips, zip, piz",
                          path.string(),
                          compression));
}

}  // namespace

Result<void> check_writable_st_map(const std::filesystem::path& path,
                                   const std::string& compression) {
  const Result<Imf::Compression> method = method_of(path, compression);
  if (!method) return fail(method.error());
  return {};
}

Result<void> write_st_map(const std::filesystem::path& path,
                          const StMap& map,
                          const StMapWriteOptions& options) {
  const auto refuse = [&](ErrorCode code, std::string_view why) {
    return fail(code, fmt::format("{}: {}", path.string(), why));
  };
  const Result<Imf::Compression> method = method_of(path, options.compression);
  if (!method) return fail(method.error());
  if (Result<void> valid = validate(map); !valid) {
    return refuse(ErrorCode::kInvalidInput, valid.error().message);
  }
  if (!(options.pixel_aspect >= 1e-3 && options.pixel_aspect <= 1e3)) {
    return refuse(ErrorCode::kInvalidInput, fmt::format("pixel aspect {}", options.pixel_aspect));
  }
  const std::string& lens = options.lens_text;
  if (lens.find('\0') != std::string::npos || lens.size() > 10000) {
    return refuse(ErrorCode::kInvalidInput, "the text about the lens is no line of text");
  }
  Result<AtomicFile> file = AtomicFile::create(path, options.overwrite);
  if (!file) return fail(file.error());
  Imf::Header header = detail::map_header(map, lens);
  header.compression() = *method;
  detail::add_lens_attributes(header, options.lens);  // a fresh header, nothing to differ from
  const std::array<footage::Channel, 2> channels = {
      {{"R", footage::SampleFormat::kFloat}, {"G", footage::SampleFormat::kFloat}}};
  const Image<float> pixels = for_disk(map.st, options.threads);
  const detail::ExrPicture picture{.header = std::move(header),
                                   .rows = detail::rows_of(pixels.view()),
                                   .windows = map.output,
                                   .pixel_aspect = options.pixel_aspect,
                                   .channels = channels};
  const Result<detail::ExrWritten> written =
      detail::write_exr(file->temporary_path(), path, std::span(&picture, 1), options.threads);
  if (!written) return fail(written.error());
  return file->commit(options.flush);
}

}  // namespace trueplate::warp

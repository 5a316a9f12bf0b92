#include "calib/footage/detail/movie_decoder.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <vector>

#include "calib/footage/detail/readers.h"

extern "C" {
#include <libavcodec/avcodec.h>
#include <libavformat/avformat.h>
#include <libavutil/pixdesc.h>
#include <libswscale/swscale.h>
}

namespace trueplate::footage::detail {
namespace {

namespace fs = std::filesystem;

struct CloseInput {
  void operator()(AVFormatContext* context) const { avformat_close_input(&context); }
};
struct FreeCodec {
  void operator()(AVCodecContext* context) const { avcodec_free_context(&context); }
};
struct FreeFrame {
  void operator()(AVFrame* frame) const { av_frame_free(&frame); }
};
struct FreePacket {
  void operator()(AVPacket* packet) const { av_packet_free(&packet); }
};
struct FreeScaler {
  void operator()(SwsContext* scaler) const { sws_freeContext(scaler); }
};
using Input = std::unique_ptr<AVFormatContext, CloseInput>;
using Codec = std::unique_ptr<AVCodecContext, FreeCodec>;
using Packet = std::unique_ptr<AVPacket, FreePacket>;

std::string reason_of(int status) {
  std::array<char, AV_ERROR_MAX_STRING_SIZE> text{};
  av_strerror(status, text.data(), text.size());
  return text.data();
}

struct Opened {
  Input input;
  AVStream* stream = nullptr;
  const AVCodec* codec = nullptr;
};

Result<Opened> open_input(const fs::path& path) {
  std::error_code code;
  const fs::file_status status = fs::status(path, code);
  if (!fs::exists(status)) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: no such file", path.string()));
  }
  if (!fs::is_regular_file(status)) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: is no file, wanted a movie file", path.string()));
  }
  // Its messages go to standard error, which belongs to the program.
  av_log_set_level(AV_LOG_QUIET);
  AVFormatContext* context = nullptr;
  // As a file, whatever the name looks like: no network, no lists of further files.
  const std::string url = "file:" + path.string();
  AVDictionary* options = nullptr;
  av_dict_set(&options, "protocol_whitelist", "file", 0);
  int result = avformat_open_input(&context, url.c_str(), nullptr, &options);
  av_dict_free(&options);
  Opened opened;
  opened.input.reset(context);
  if (result >= 0) result = avformat_find_stream_info(context, nullptr);
  if (result < 0) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: damaged or no movie ({})", path.string(), reason_of(result)));
  }
  result = av_find_best_stream(context, AVMEDIA_TYPE_VIDEO, -1, -1, &opened.codec, 0);
  if (result < 0) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: {}",
                            path.string(),
                            result == AVERROR_DECODER_NOT_FOUND ? "its video codec is not known"
                                                                : "holds no video"));
  }
  opened.stream = context->streams[result];
  for (unsigned i = 0; i < context->nb_streams; ++i) {
    if (static_cast<int>(i) != result) context->streams[i]->discard = AVDISCARD_ALL;
  }
  return opened;
}

double ratio_or(const AVRational& ratio, double fallback) {
  return ratio.num > 0 && ratio.den > 0 ? av_q2d(ratio) : fallback;
}

SampleFormat format_of_bits(int bits) {
  if (bits <= 8) return SampleFormat::kUint8;
  if (bits <= 10) return SampleFormat::kUint10;
  return bits <= 12 ? SampleFormat::kUint12 : SampleFormat::kUint16;
}

class LibraryDecoder final : public MovieDecoder {
 public:
  /// Errors as Movie::open().
  Result<void> open(const fs::path& file, int threads);

  [[nodiscard]] const MovieFacts& facts() const override { return facts_; }
  [[nodiscard]] int position() const override { return position_; }
  Result<std::optional<Frame>> next(const ReadOptions& options) override;
  bool skip() override { return decode() != Step::kEnd; }

 private:
  enum class Step { kFrame, kDamaged, kEnd };

  /// Decodes up to the next frame.
  Step decode() {
    for (;;) {
      const int received = avcodec_receive_frame(decoder_.get(), frame_.get());
      if (received == 0) {
        ++position_;
        const bool damaged =
            frame_->decode_error_flags != 0 || (frame_->flags & AV_FRAME_FLAG_CORRUPT) != 0;
        return damaged ? Step::kDamaged : Step::kFrame;
      }
      if (received == AVERROR_EOF) return Step::kEnd;
      if (received != AVERROR(EAGAIN)) {
        ++position_;
        return Step::kDamaged;
      }
      if (!send_packet()) {
        ++position_;
        return Step::kDamaged;
      }
    }
  }

  /// Hands the next packet of the video to the decoder; false when the decoder refuses it.
  bool send_packet() {
    while (!draining_) {
      const int read = av_read_frame(opened_.input.get(), packet_.get());
      if (read < 0) break;
      const bool ours = packet_->stream_index == opened_.stream->index;
      const int sent = ours ? avcodec_send_packet(decoder_.get(), packet_.get()) : 0;
      av_packet_unref(packet_.get());
      if (ours) return sent >= 0;
    }
    draining_ = true;
    avcodec_send_packet(decoder_.get(), nullptr);
    return true;
  }

  Result<Frame> convert(const ReadOptions& options) {
    const ImageSize size{frame_->width, frame_->height};
    if (Result<void> fits = check_size(path_, size.width, size.height, 3, options.max_bytes);
        !fits) {
      return fail(fits.error());
    }
    if (size != facts_.size) {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: frame {} is {}x{}, the first ones are {}x{}",
                              path_.string(),
                              position_,
                              size.width,
                              size.height,
                              facts_.size.width,
                              facts_.size.height));
    }
    const auto from = static_cast<AVPixelFormat>(frame_->format);
    if (!scaler_ || from != scaler_format_ || size != scaler_size_) {
      scaler_.reset(
          sws_getContext(size.width,
                         size.height,
                         from,
                         size.width,
                         size.height,
                         AV_PIX_FMT_RGB48LE,
                         SWS_BICUBIC | SWS_ACCURATE_RND | SWS_FULL_CHR_H_INT | SWS_FULL_CHR_H_INP,
                         nullptr,
                         nullptr,
                         nullptr));
      if (!scaler_) {
        return fail(
            ErrorCode::kUnsupported,
            fmt::format("{}: pixels of kind {} are not read", path_.string(), pixel_name(from)));
      }
      scaler_format_ = from;
      scaler_size_ = size;
      const bool is_hd = size.height >= 720;
      const int matrix = frame_->colorspace == AVCOL_SPC_UNSPECIFIED
                             ? (is_hd ? SWS_CS_ITU709 : SWS_CS_ITU601)
                             : static_cast<int>(frame_->colorspace);
      sws_setColorspaceDetails(scaler_.get(),
                               sws_getCoefficients(matrix),
                               frame_->color_range == AVCOL_RANGE_JPEG ? 1 : 0,
                               sws_getCoefficients(SWS_CS_DEFAULT),
                               1,
                               0,
                               1 << 16,
                               1 << 16);
    }
    const std::size_t row_size = static_cast<std::size_t>(size.width) * 3;
    rgb_.resize(row_size * static_cast<std::size_t>(size.height));
    std::uint8_t* const planes[] = {reinterpret_cast<std::uint8_t*>(rgb_.data())};
    const int strides[] = {static_cast<int>(row_size * sizeof(std::uint16_t))};
    if (sws_scale(scaler_.get(), frame_->data, frame_->linesize, 0, size.height, planes, strides) !=
        size.height) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: frame {} cannot be converted", path_.string(), position_));
    }
    return to_frame();
  }

  static std::string_view pixel_name(AVPixelFormat format) {
    const char* name = av_get_pix_fmt_name(format);
    return name == nullptr ? "unknown" : name;
  }

  Frame to_frame() {
    Frame result;
    const Window window{.x = 0, .y = 0, .width = facts_.size.width, .height = facts_.size.height};
    result.windows = {.display = window, .data = window};
    result.pixel_aspect = facts_.pixel_aspect;
    const SampleFormat format = format_of_bits(facts_.bits);
    for (const char* name : {"R", "G", "B"}) result.channels.push_back({name, format});
    result.pixels = Image<float>(window.width, window.height, 3);
    constexpr float kLargest = 65535.0F;
    const std::size_t row_size = static_cast<std::size_t>(window.width) * 3;
    for (int y = 0; y < window.height; ++y) {
      const std::uint16_t* from = rgb_.data() + static_cast<std::size_t>(y) * row_size;
      float* to = result.pixels.row(y);
      for (std::size_t i = 0; i < row_size; ++i) to[i] = static_cast<float>(from[i]) / kLargest;
    }
    if (frame_->interlaced_frame != 0) {
      result.warnings.push_back(
          {"interlaced",
           "the frame is interlaced: its two fields were taken at different times; shoot "
           "progressive, or separate the fields",
           1.0});
    }
    return result;
  }

  fs::path path_;
  Opened opened_;
  Codec decoder_;
  Packet packet_{av_packet_alloc()};
  std::unique_ptr<AVFrame, FreeFrame> frame_{av_frame_alloc()};
  std::unique_ptr<SwsContext, FreeScaler> scaler_;
  AVPixelFormat scaler_format_ = AV_PIX_FMT_NONE;
  ImageSize scaler_size_;
  std::vector<std::uint16_t> rgb_;
  MovieFacts facts_;
  int position_ = 0;
  bool draining_ = false;
};

Result<void> LibraryDecoder::open(const fs::path& file, int threads) {
  path_ = file;
  Result<Opened> opened = open_input(path_);
  if (!opened) return fail(opened.error());
  opened_ = *std::move(opened);
  const AVStream& stream = *opened_.stream;
  const AVCodecParameters& parameters = *stream.codecpar;
  if (Result<void> fits =
          check_size(path_, parameters.width, parameters.height, 3, ReadOptions{}.max_bytes);
      !fits) {
    return fits;
  }
  decoder_.reset(avcodec_alloc_context3(opened_.codec));
  if (!decoder_ || !packet_ || !frame_) throw std::bad_alloc();
  int result = avcodec_parameters_to_context(decoder_.get(), &parameters);
  decoder_->thread_count = std::max(0, threads);
  decoder_->max_pixels = std::int64_t{kMaxImageSide} * kMaxImageSide;
  if (result >= 0) result = avcodec_open2(decoder_.get(), opened_.codec, nullptr);
  if (result < 0) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: its video (codec {}) cannot be decoded ({})",
                            path_.string(),
                            opened_.codec->name,
                            reason_of(result)));
  }
  const AVPixFmtDescriptor* pixels =
      av_pix_fmt_desc_get(static_cast<AVPixelFormat>(parameters.format));
  facts_ = {
      .size = {parameters.width, parameters.height},
      .pixel_aspect =
          ratio_or(stream.sample_aspect_ratio, ratio_or(parameters.sample_aspect_ratio, 1.0)),
      .frames_per_second = ratio_or(stream.avg_frame_rate, 0.0),
      .bits = pixels == nullptr ? 8 : pixels->comp[0].depth,
      .interlaced = parameters.field_order != AV_FIELD_UNKNOWN &&
                    parameters.field_order != AV_FIELD_PROGRESSIVE,
      .codec = opened_.codec->name,
  };
  return {};
}

Result<std::optional<Frame>> LibraryDecoder::next(const ReadOptions& options) {
  switch (decode()) {
    case Step::kEnd:
      return std::optional<Frame>();
    case Step::kDamaged:
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: frame {} is damaged", path_.string(), position_));
    case Step::kFrame:
      break;
  }
  Result<Frame> frame = convert(options);
  if (!frame) return fail(frame.error());
  return std::optional<Frame>(*std::move(frame));
}

}  // namespace

Result<std::unique_ptr<MovieDecoder>> open_movie(const fs::path& path, int threads) {
  auto decoder = std::make_unique<LibraryDecoder>();
  if (Result<void> opened = decoder->open(path, threads); !opened) return fail(opened.error());
  return std::unique_ptr<MovieDecoder>(std::move(decoder));
}

Result<int> count_movie_frames(const fs::path& path) {
  const Result<Opened> opened = open_input(path);
  if (!opened) return fail(opened.error());
  constexpr std::int64_t kMost = 100'000'000;
  std::int64_t count = opened->stream->nb_frames;
  if (count <= 0) {
    const Packet packet{av_packet_alloc()};
    for (count = 0; count < kMost && av_read_frame(opened->input.get(), packet.get()) >= 0;) {
      if (packet->stream_index == opened->stream->index) ++count;
      av_packet_unref(packet.get());
    }
  }
  if (count <= 0 || count >= kMost) {
    return fail(ErrorCode::kUnreadable,
                fmt::format("{}: damaged, or a movie without frames", path.string()));
  }
  return static_cast<int>(count);
}

}  // namespace trueplate::footage::detail

#include "calib/footage/movie.h"

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

namespace trueplate::footage {
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

}  // namespace

struct Movie::State {
  fs::path path;
  Opened opened;
  Codec decoder;
  Packet packet{av_packet_alloc()};
  std::unique_ptr<AVFrame, FreeFrame> frame{av_frame_alloc()};
  std::unique_ptr<SwsContext, FreeScaler> scaler;
  AVPixelFormat scaler_format = AV_PIX_FMT_NONE;
  ImageSize scaler_size;
  std::vector<std::uint16_t> rgb;
  MovieFacts facts;
  int position = 0;
  bool draining = false;

  enum class Step { kFrame, kDamaged, kEnd };

  /// Decodes up to the next frame.
  Step decode() {
    for (;;) {
      const int received = avcodec_receive_frame(decoder.get(), frame.get());
      if (received == 0) {
        ++position;
        const bool damaged =
            frame->decode_error_flags != 0 || (frame->flags & AV_FRAME_FLAG_CORRUPT) != 0;
        return damaged ? Step::kDamaged : Step::kFrame;
      }
      if (received == AVERROR_EOF) return Step::kEnd;
      if (received != AVERROR(EAGAIN)) {
        ++position;
        return Step::kDamaged;
      }
      if (!send_packet()) {
        ++position;
        return Step::kDamaged;
      }
    }
  }

  /// Hands the next packet of the video to the decoder; false when the decoder refuses it.
  bool send_packet() {
    while (!draining) {
      const int read = av_read_frame(opened.input.get(), packet.get());
      if (read < 0) break;
      const bool ours = packet->stream_index == opened.stream->index;
      const int sent = ours ? avcodec_send_packet(decoder.get(), packet.get()) : 0;
      av_packet_unref(packet.get());
      if (ours) return sent >= 0;
    }
    draining = true;
    avcodec_send_packet(decoder.get(), nullptr);
    return true;
  }

  Result<Frame> convert(const ReadOptions& options) {
    const ImageSize size{frame->width, frame->height};
    if (Result<void> fits = detail::check_size(path, size.width, size.height, 3, options.max_bytes);
        !fits) {
      return fail(fits.error());
    }
    if (size != facts.size) {
      return fail(ErrorCode::kUnsupported,
                  fmt::format("{}: frame {} is {}x{}, the first ones are {}x{}",
                              path.string(),
                              position,
                              size.width,
                              size.height,
                              facts.size.width,
                              facts.size.height));
    }
    const auto from = static_cast<AVPixelFormat>(frame->format);
    if (!scaler || from != scaler_format || size != scaler_size) {
      scaler.reset(
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
      if (!scaler) {
        return fail(
            ErrorCode::kUnsupported,
            fmt::format("{}: pixels of kind {} are not read", path.string(), pixel_name(from)));
      }
      scaler_format = from;
      scaler_size = size;
      const bool is_hd = size.height >= 720;
      const int matrix = frame->colorspace == AVCOL_SPC_UNSPECIFIED
                             ? (is_hd ? SWS_CS_ITU709 : SWS_CS_ITU601)
                             : static_cast<int>(frame->colorspace);
      sws_setColorspaceDetails(scaler.get(),
                               sws_getCoefficients(matrix),
                               frame->color_range == AVCOL_RANGE_JPEG ? 1 : 0,
                               sws_getCoefficients(SWS_CS_DEFAULT),
                               1,
                               0,
                               1 << 16,
                               1 << 16);
    }
    const std::size_t row_size = static_cast<std::size_t>(size.width) * 3;
    rgb.resize(row_size * static_cast<std::size_t>(size.height));
    std::uint8_t* const planes[] = {reinterpret_cast<std::uint8_t*>(rgb.data())};
    const int strides[] = {static_cast<int>(row_size * sizeof(std::uint16_t))};
    if (sws_scale(scaler.get(), frame->data, frame->linesize, 0, size.height, planes, strides) !=
        size.height) {
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: frame {} cannot be converted", path.string(), position));
    }
    return to_frame();
  }

  static std::string_view pixel_name(AVPixelFormat format) {
    const char* name = av_get_pix_fmt_name(format);
    return name == nullptr ? "unknown" : name;
  }

  Frame to_frame() {
    Frame result;
    const Window window{.x = 0, .y = 0, .width = facts.size.width, .height = facts.size.height};
    result.windows = {.display = window, .data = window};
    result.pixel_aspect = facts.pixel_aspect;
    const SampleFormat format = format_of_bits(facts.bits);
    for (const char* name : {"R", "G", "B"}) result.channels.push_back({name, format});
    result.pixels = Image<float>(window.width, window.height, 3);
    constexpr float kLargest = 65535.0F;
    const std::size_t row_size = static_cast<std::size_t>(window.width) * 3;
    for (int y = 0; y < window.height; ++y) {
      const std::uint16_t* from = rgb.data() + static_cast<std::size_t>(y) * row_size;
      float* to = result.pixels.row(y);
      for (std::size_t i = 0; i < row_size; ++i) to[i] = static_cast<float>(from[i]) / kLargest;
    }
    if (frame->interlaced_frame != 0) {
      result.warnings.push_back(
          {"interlaced",
           "the frame is interlaced: its two fields were taken at different times; shoot "
           "progressive, or separate the fields",
           1.0});
    }
    return result;
  }
};

Movie::Movie(std::unique_ptr<State> state) : state_(std::move(state)) {}
Movie::Movie(Movie&&) noexcept = default;
Movie& Movie::operator=(Movie&&) noexcept = default;
Movie::~Movie() = default;

const MovieFacts& Movie::facts() const { return state_->facts; }
int Movie::position() const { return state_->position; }

Result<Movie> Movie::open(const fs::path& path, int threads) {
  auto state = std::make_unique<State>();
  state->path = path;
  Result<Opened> opened = open_input(path);
  if (!opened) return fail(opened.error());
  state->opened = *std::move(opened);
  const AVStream& stream = *state->opened.stream;
  const AVCodecParameters& parameters = *stream.codecpar;
  if (Result<void> fits =
          detail::check_size(path, parameters.width, parameters.height, 3, ReadOptions{}.max_bytes);
      !fits) {
    return fail(fits.error());
  }
  state->decoder.reset(avcodec_alloc_context3(state->opened.codec));
  AVCodecContext* const decoder = state->decoder.get();
  if (decoder == nullptr || !state->packet || !state->frame) throw std::bad_alloc();
  int result = avcodec_parameters_to_context(decoder, &parameters);
  decoder->thread_count = std::max(0, threads);
  decoder->max_pixels = std::int64_t{kMaxImageSide} * kMaxImageSide;
  if (result >= 0) result = avcodec_open2(decoder, state->opened.codec, nullptr);
  if (result < 0) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: its video (codec {}) cannot be decoded ({})",
                            path.string(),
                            state->opened.codec->name,
                            reason_of(result)));
  }
  const AVPixFmtDescriptor* pixels =
      av_pix_fmt_desc_get(static_cast<AVPixelFormat>(parameters.format));
  state->facts = {
      .size = {parameters.width, parameters.height},
      .pixel_aspect =
          ratio_or(stream.sample_aspect_ratio, ratio_or(parameters.sample_aspect_ratio, 1.0)),
      .frames_per_second = ratio_or(stream.avg_frame_rate, 0.0),
      .bits = pixels == nullptr ? 8 : pixels->comp[0].depth,
      .interlaced = parameters.field_order != AV_FIELD_UNKNOWN &&
                    parameters.field_order != AV_FIELD_PROGRESSIVE,
      .codec = state->opened.codec->name,
  };
  return Movie(std::move(state));
}

Result<std::optional<Frame>> Movie::next(const ReadOptions& options) {
  switch (state_->decode()) {
    case State::Step::kEnd:
      return std::optional<Frame>();
    case State::Step::kDamaged:
      return fail(ErrorCode::kUnreadable,
                  fmt::format("{}: frame {} is damaged", state_->path.string(), state_->position));
    case State::Step::kFrame:
      break;
  }
  Result<Frame> frame = state_->convert(options);
  if (!frame) return fail(frame.error());
  return std::optional<Frame>(*std::move(frame));
}

bool Movie::skip() { return state_->decode() != State::Step::kEnd; }

Result<int> num_movie_frames(const fs::path& path) {
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

bool is_movie_path(const fs::path& path) {
  static constexpr std::array kExtensions = {".mov",
                                             ".mp4",
                                             ".m4v",
                                             ".mxf",
                                             ".avi",
                                             ".mkv",
                                             ".webm",
                                             ".mpg",
                                             ".mpeg",
                                             ".mts",
                                             ".ts",
                                             ".wmv",
                                             ".ogv"};
  std::string extension = path.extension().string();
  for (char& c : extension) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return std::find(kExtensions.begin(), kExtensions.end(), extension) != kExtensions.end();
}

}  // namespace trueplate::footage

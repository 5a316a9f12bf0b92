#include "calib/footage/detail/picture_spec.h"

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfIO.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenImageIO/filesystem.h>

#include <cstdint>
#include <cstring>
#include <stdexcept>
#include <string>
#include <vector>

namespace trueplate::footage::detail {
namespace {

// OpenImageIO's own table of EXR attributes (time codes, chromaticities, names such as capDate) is
// reached by letting it write, or read, an EXR file of one pixel in memory. A second table here
// would have to follow every version of it.

class MemoryReader : public Imf::IStream {
 public:
  explicit MemoryReader(const std::vector<unsigned char>& bytes)
      : Imf::IStream("header"), bytes_(bytes) {}
  bool read(char* to, int count) override {
    if (count < 0 || static_cast<std::size_t>(count) > bytes_.size() - position_) {
      throw std::runtime_error("unexpected end of header");
    }
    std::memcpy(to, bytes_.data() + position_, static_cast<std::size_t>(count));
    position_ += static_cast<std::size_t>(count);
    return position_ < bytes_.size();
  }
  std::uint64_t tellg() override { return position_; }
  void seekg(std::uint64_t position) override {
    if (position > bytes_.size()) throw std::runtime_error("seek beyond the header");
    position_ = position;
  }

 private:
  const std::vector<unsigned char>& bytes_;
  std::size_t position_ = 0;
};

class MemoryWriter : public Imf::OStream {
 public:
  MemoryWriter() : Imf::OStream("header") {}
  void write(const char* from, int count) override {
    const std::size_t end = position_ + static_cast<std::size_t>(count);
    if (bytes.size() < end) bytes.resize(end);
    std::memcpy(bytes.data() + position_, from, static_cast<std::size_t>(count));
    position_ = end;
  }
  std::uint64_t tellp() override { return position_; }
  void seekp(std::uint64_t position) override { position_ = position; }

  std::vector<unsigned char> bytes;

 private:
  std::size_t position_ = 0;
};

/// OpenImageIO sets the size of OpenEXR's pool of threads when it meets its first EXR file, while
/// other threads may be decoding with that pool. Told that it is to use none (its word is -1), it
/// leaves the pool alone.
void keep_thread_pool() {
  static const bool done = OIIO::attribute("exr_threads", -1);
  static_cast<void>(done);
}

/// Leaves only what describes a scene, so that a file of one pixel can carry it.
Imf::Header one_pixel_of(const Imf::Header& whole) {
  Imf::Header header = without_layout(whole);
  header.dataWindow() = header.displayWindow() = {{0, 0}, {0, 0}};
  header.lineOrder() = Imf::INCREASING_Y;
  header.compression() = Imf::NO_COMPRESSION;
  header.channels() = Imf::ChannelList();
  header.channels().insert("Y", Imf::Channel(Imf::HALF));
  return header;
}

}  // namespace

Imf::Header PictureSpec::exr_header() const {
  keep_thread_pool();
  OIIO::ImageSpec one_pixel(1, 1, 1, OIIO::TypeHalf);
  one_pixel.extra_attribs = spec_.extra_attribs;
  one_pixel.erase_attribute("compression");
  one_pixel.erase_attribute("oiio:.*");
  std::vector<unsigned char> bytes;
  OIIO::Filesystem::IOVecOutput output(bytes);
  const std::unique_ptr<OIIO::ImageOutput> writer = OIIO::ImageOutput::create("openexr");
  const float black = 0.0F;
  if (!writer || !writer->set_ioproxy(&output) || !writer->open("header.exr", one_pixel) ||
      !writer->write_image(OIIO::TypeFloat, &black) || !writer->close()) {
    if (writer) writer->geterror();
    return {};
  }
  MemoryReader reader(bytes);
  const Imf::InputFile file(reader, 0);
  return file.header();
}

OIIO::ImageSpec image_spec_of(const Metadata* metadata) {
  if (metadata == nullptr) return {};
  if (const auto* other = std::get_if<std::shared_ptr<const PictureHeader>>(&metadata->header)) {
    const auto* picture = dynamic_cast<const PictureSpec*>(other->get());
    return picture == nullptr ? OIIO::ImageSpec() : picture->spec();
  }
  keep_thread_pool();
  const Imf::Header header = one_pixel_of(std::get<Imf::Header>(metadata->header));
  MemoryWriter writer;
  {
    Imf::OutputFile file(writer, header, 0);
    const std::uint16_t black = 0;
    Imf::FrameBuffer frame_buffer;
    // The library's interface is shared with reading, hence the cast.
    frame_buffer.insert("Y",
                        Imf::Slice(Imf::HALF,
                                   const_cast<char*>(reinterpret_cast<const char*>(&black)),
                                   sizeof(black),
                                   sizeof(black)));
    file.setFrameBuffer(frame_buffer);
    file.writePixels(1);
  }
  OIIO::Filesystem::IOMemReader input(writer.bytes.data(), writer.bytes.size());
  const std::unique_ptr<OIIO::ImageInput> reader = OIIO::ImageInput::create("openexr");
  OIIO::ImageSpec spec;
  if (!reader || !reader->set_ioproxy(&input) || !reader->open("header.exr", spec)) {
    if (reader) reader->geterror();
    return {};
  }
  return spec;
}

}  // namespace trueplate::footage::detail

#pragma once

#include <OpenEXR/ImfIO.h>

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <string>

#include "calib/footage/content_digest.h"

namespace trueplate::footage::detail {

/// A file for OpenEXR to read, whose bytes go into a digest on the way: a sequence that is read
/// frame by frame would else be read a second time for it.
///
/// Whatever the order the library reads in, the digest gets the bytes in that of the file: those
/// that are passed over are read for it, those that come back are left out. Throws what OpenEXR's
/// own streams throw, Iex::IoExc and Iex::InputExc.
class ExrInput : public Imf::IStream {
 public:
  /// `digest`: null for none.
  ExrInput(const std::filesystem::path& path, ContentDigest* digest);
  ~ExrInput() override;

  bool read(char* bytes, int count) override;
  std::uint64_t tellg() override { return position_; }
  void seekg(std::uint64_t position) override { position_ = position; }

  /// Gives the digest what of the file it has not had.
  void finish_digest();

 private:
  [[nodiscard]] bool holds(std::uint64_t position) const {
    return position >= held_begin_ && position - held_begin_ < held_count_;
  }
  /// Holds the bytes from position_ on.
  void fill();
  /// Reads at a place of the file; less than `count` bytes only at its end.
  std::size_t read_at(std::uint64_t position, char* bytes, std::size_t count);
  /// Notes bytes that have been read from a place of the file.
  void note(std::uint64_t begin, const char* bytes, std::size_t count);
  /// Reads for the digest up to a place of the file, or to its end.
  void digest_up_to(std::uint64_t end);

  int descriptor_ = -1;
  ContentDigest* digest_;
  std::uint64_t digested_ = 0;  // bytes of the file
  std::uint64_t position_ = 0;
  std::string held_;
  std::uint64_t held_begin_ = 0;
  std::size_t held_count_ = 0;
};

}  // namespace trueplate::footage::detail

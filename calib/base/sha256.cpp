#include "calib/base/sha256.h"

#include <fmt/format.h>
#include <openssl/evp.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <memory>
#include <system_error>
#include <vector>

namespace trueplate {
namespace {

/// A digest that is fed piece by piece.
class Sha256 {
 public:
  Sha256()
      : context_(EVP_MD_CTX_new(), &EVP_MD_CTX_free),
        good_(context_ && EVP_DigestInit_ex(context_.get(), EVP_sha256(), nullptr) == 1) {}

  void add(const void* bytes, std::size_t count) {
    good_ = good_ && EVP_DigestUpdate(context_.get(), bytes, count) == 1;
  }

  Result<std::string> hexadecimal() {
    std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
    unsigned int size = 0;
    if (!good_ || EVP_DigestFinal_ex(context_.get(), digest.data(), &size) != 1) {
      return fail(ErrorCode::kUnsupported, "the cryptographic library refuses SHA-256");
    }
    std::string text;
    for (unsigned int i = 0; i < size; ++i) text += fmt::format("{:02x}", digest[i]);
    return text;
  }

 private:
  std::unique_ptr<EVP_MD_CTX, void (*)(EVP_MD_CTX*)> context_;
  bool good_;
};

}  // namespace

Result<std::string> sha256_of_file(const std::filesystem::path& path) {
  std::error_code code;
  const std::filesystem::file_status status = std::filesystem::status(path, code);
  if (!std::filesystem::exists(status)) {
    return fail(ErrorCode::kNotFound, fmt::format("{}: no such file", path.string()));
  }
  if (!std::filesystem::is_regular_file(status)) {
    return fail(ErrorCode::kUnreadable, fmt::format("{}: not a file", path.string()));
  }
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> stream(std::fopen(path.c_str(), "rbe"),
                                                               &std::fclose);
  if (!stream) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format(
            "{}: cannot be opened ({})", path.string(), std::generic_category().message(errno)));
  }
  Sha256 digest;
  std::vector<unsigned char> block(std::size_t{1} << 18);
  while (const std::size_t count = std::fread(block.data(), 1, block.size(), stream.get())) {
    digest.add(block.data(), count);
  }
  if (std::ferror(stream.get()) != 0) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format(
            "{}: reading failed ({})", path.string(), std::generic_category().message(errno)));
  }
  return digest.hexadecimal();
}

Result<std::string> sha256_of_text(std::string_view text) {
  Sha256 digest;
  digest.add(text.data(), text.size());
  return digest.hexadecimal();
}

}  // namespace trueplate

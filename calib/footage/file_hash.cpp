#include "calib/footage/file_hash.h"

#include <fmt/format.h>
#include <openssl/evp.h>

#include <array>
#include <cerrno>
#include <cstdio>
#include <memory>
#include <system_error>
#include <vector>

namespace trueplate::footage {

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
  const std::unique_ptr<EVP_MD_CTX, void (*)(EVP_MD_CTX*)> context(EVP_MD_CTX_new(),
                                                                   &EVP_MD_CTX_free);
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int digest_size = 0;
  bool hashed = context && EVP_DigestInit_ex(context.get(), EVP_sha256(), nullptr) == 1;
  std::vector<unsigned char> block(std::size_t{1} << 18);
  while (hashed) {
    const std::size_t count = std::fread(block.data(), 1, block.size(), stream.get());
    if (count == 0) break;
    hashed = EVP_DigestUpdate(context.get(), block.data(), count) == 1;
  }
  if (std::ferror(stream.get()) != 0) {
    return fail(
        ErrorCode::kUnreadable,
        fmt::format(
            "{}: reading failed ({})", path.string(), std::generic_category().message(errno)));
  }
  hashed = hashed && EVP_DigestFinal_ex(context.get(), digest.data(), &digest_size) == 1;
  if (!hashed) {
    return fail(ErrorCode::kUnsupported,
                fmt::format("{}: the cryptographic library refuses SHA-256", path.string()));
  }
  std::string text;
  for (unsigned int i = 0; i < digest_size; ++i) text += fmt::format("{:02x}", digest[i]);
  return text;
}

}  // namespace trueplate::footage

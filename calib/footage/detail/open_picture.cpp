#include "calib/footage/detail/open_picture.h"

#include <mutex>

namespace trueplate::footage::detail {
namespace {

std::mutex& header_mutex() {
  static std::mutex mutex;
  return mutex;
}

}  // namespace

bool open_picture(OIIO::ImageInput& input,
                  const std::string& path,
                  OIIO::ImageSpec& spec,
                  const OIIO::ImageSpec& config) {
  const std::lock_guard lock(header_mutex());
  return input.open(path, spec, config);
}

bool has_second_picture(OIIO::ImageInput& input) {
  const std::lock_guard lock(header_mutex());
  return input.seek_subimage(1, 0);
}

}  // namespace trueplate::footage::detail

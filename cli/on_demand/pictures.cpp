#include "cli/on_demand/pictures.h"

#include <mutex>

#include "cli/on_demand/module.h"

namespace trueplate {
namespace {

/// The module, once it is loaded, and what it is to be told then.
class Pictures {
 public:
  Result<const cli::PictureFunctions*> functions() {
    const std::lock_guard lock(mutex_);
    if (functions_ == nullptr) {
      const Result<const void*> table =
          cli::load_module("trueplate_pictures",
                           "trueplate_picture_functions",
                           "what reads and writes DPX, TIFF, PNG and JPEG");
      if (!table) return fail(table.error());
      functions_ = static_cast<const cli::PictureFunctions*>(*table);
      if (threads_ > 0) functions_->set_picture_threads(threads_);
    }
    return functions_;
  }

  void set_threads(int threads) {
    const std::lock_guard lock(mutex_);
    threads_ = threads;
    if (functions_ != nullptr) functions_->set_picture_threads(threads);
  }

 private:
  std::mutex mutex_;
  const cli::PictureFunctions* functions_ = nullptr;
  int threads_ = 0;  // 0: not said
};

Pictures& pictures() {
  static Pictures the_pictures;
  return the_pictures;
}

}  // namespace

namespace footage::detail {

Result<Frame> read_other(const std::filesystem::path& path,
                         FileKind kind,
                         const ReadOptions& options,
                         Extent extent) {
  const auto module = pictures().functions();
  if (!module) return fail(module.error());
  return (*module)->read_other(path, kind, options, extent);
}

void set_picture_threads(int threads) { pictures().set_threads(threads); }

}  // namespace footage::detail

namespace warp {
namespace detail {

Result<std::vector<Warning>> write_other(const std::filesystem::path& temporary_path,
                                         const std::filesystem::path& shown_path,
                                         FileKind kind,
                                         const std::optional<Compression>& compression,
                                         const footage::Frame& frame,
                                         int threads) {
  const auto module = pictures().functions();
  if (!module) return fail(module.error());
  return (*module)->write_other(temporary_path, shown_path, kind, compression, frame, threads);
}

}  // namespace detail

Result<std::string> jpeg_bytes(ImageView<const float> picture, int quality) {
  const auto module = pictures().functions();
  if (!module) return fail(module.error());
  return (*module)->jpeg_bytes(picture, quality);
}

}  // namespace warp
}  // namespace trueplate

// The module trueplate_pictures: DPX, TIFF, PNG and JPEG.

#include "cli/on_demand/pictures.h"

extern "C" const void* trueplate_picture_functions() {
  static constexpr trueplate::cli::PictureFunctions kFunctions = {
      &trueplate::footage::detail::read_other,
      &trueplate::footage::detail::set_picture_threads,
      &trueplate::warp::detail::write_other,
      &trueplate::warp::jpeg_bytes,
  };
  return &kFunctions;
}

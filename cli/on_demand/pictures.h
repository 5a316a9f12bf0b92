#pragma once

#include "calib/footage/detail/readers.h"
#include "warp/io/detail/oiio_writer.h"
#include "warp/io/jpeg.h"

namespace trueplate::cli {

/// The functions of the module trueplate_pictures: those of trueplate_footage_pictures and
/// trueplate_warp_io_pictures that other libraries call.
struct PictureFunctions {
  decltype(&footage::detail::read_other) read_other;
  decltype(&footage::detail::set_picture_threads) set_picture_threads;
  decltype(&warp::detail::write_other) write_other;
  decltype(&warp::jpeg_bytes) jpeg_bytes;
};

}  // namespace trueplate::cli

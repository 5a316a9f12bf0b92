#pragma once

#include <cairo.h>

#include <memory>
#include <string>
#include <vector>

#include "calib/base/geometry.h"
#include "calib/base/image.h"

namespace trueplate::draw::detail {

using Surface = std::unique_ptr<cairo_surface_t, decltype(&cairo_surface_destroy)>;
using Context = std::unique_ptr<cairo_t, decltype(&cairo_destroy)>;

/// A frame in greys with a caption below: where things are, in pixels of the picture.
struct FrameCanvas {
  double scale = 1.0;  // picture pixels for one pixel of the frame
  ImageSize shown;     // the frame
  ImageSize canvas;    // with the caption
  double stroke = 1.0;
  double text_size = 14.0;
  [[nodiscard]] double line_height() const { return 1.4 * text_size; }
};

/// For a frame of this size, an empty one standing for one that could not be read.
[[nodiscard]] FrameCanvas frame_canvas(ImageSize frame);

/// An opaque surface with the frame in its upper left corner, the rest black. `judged`: see
/// viewing_image().
[[nodiscard]] Surface frame_surface(ImageView<const float> luma,
                                    const Window& judged,
                                    const FrameCanvas& canvas);

/// Three channels, 0..1.
[[nodiscard]] Image<float> pixels_of(cairo_surface_t* surface, const FrameCanvas& canvas);

/// How large the frame is and how it is shown, in words.
[[nodiscard]] std::string size_text(ImageSize frame, const FrameCanvas& canvas);

/// The lines of the caption, three at most.
void paint_caption(cairo_t* context,
                   const std::vector<std::string>& lines,
                   const FrameCanvas& canvas);

}  // namespace trueplate::draw::detail

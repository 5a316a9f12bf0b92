#pragma once

#include <cstddef>
#include <string>

#include "calib/base/result.h"
#include "charts/draw/pages.h"

namespace trueplate::draw {

/// How far a coordinate in the file may be from the one asked for: the drawing library keeps
/// places as multiples of 1/256 point.
inline constexpr double kVectorPrecisionMm = 25.4 / 72.0 / 512.0;

/// The document as the bytes of a PDF file, one page each, at true size, the text in an embedded
/// font. The same document gives the same bytes, on machines with the same font and library.
/// errors  kUnwritable: the library's message.
Result<std::string> pdf_of(const Document& document);

/// One page as the bytes of an SVG file, at true size; text becomes outlines, so no font is needed
/// to view it.
Result<std::string> svg_of(const Document& document, std::size_t page);

}  // namespace trueplate::draw

#include "cli/report/page.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdint>

#include "calib/base/sha256.h"
#include "calib/base/utf8.h"
#include "cli/report/page_assets.h"

namespace trueplate::cli {
namespace {

int hex_value(char digit) { return digit <= '9' ? digit - '0' : digit - 'a' + 10; }

/// How a content security policy names a script or style that stands in the page.
Result<std::string> source_hash(std::string_view content) {
  const Result<std::string> hex = sha256_of_text(content);
  if (!hex) return fail(hex.error());
  std::string bytes;
  for (std::size_t i = 0; i + 1 < hex->size(); i += 2) {
    bytes += static_cast<char>(16 * hex_value((*hex)[i]) + hex_value((*hex)[i + 1]));
  }
  return fmt::format("'sha256-{}'", base64(bytes));
}

/// Text between tags.
std::string html_text(std::string_view text) {
  std::string result;
  for (const char c : text) {
    switch (c) {
      case '<':
        result += "&lt;";
        break;
      case '>':
        result += "&gt;";
        break;
      case '&':
        result += "&amp;";
        break;
      default:
        result += c;
    }
  }
  return result;
}

}  // namespace

std::string base64(std::string_view bytes) {
  constexpr std::string_view kDigits =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    const std::size_t count = std::min<std::size_t>(3, bytes.size() - i);
    std::uint32_t group = 0;
    for (std::size_t k = 0; k < 3; ++k) {
      group = group << 8 | (k < count ? static_cast<unsigned char>(bytes[i + k]) : 0U);
    }
    for (std::size_t k = 0; k < 4; ++k) {
      text += k <= count ? kDigits[group >> (18 - 6 * k) & 63U] : '=';
    }
  }
  return text;
}

std::string json_for_html(const nlohmann::json& value) {
  // The signs occur in strings only, where \u00xx says the same.
  std::string text;
  for (const char c : value.dump(-1, ' ', true, nlohmann::json::error_handler_t::replace)) {
    if (c == '<' || c == '>' || c == '&') {
      text += fmt::format("\\u{:04x}", static_cast<int>(c));
    } else {
      text += c;
    }
  }
  return text;
}

Result<std::string> html_page(const nlohmann::json& report) {
  std::string hashes[3];
  const std::string_view parts[3] = {page_style(), page_library(), page_script()};
  for (int i = 0; i < 3; ++i) {
    const Result<std::string> hash = source_hash(parts[i]);
    if (!hash) return fail(hash.error());
    hashes[i] = *hash;
  }
  return fmt::format(
      "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
      "style-src {}; script-src {} {}; base-uri 'none'; form-action 'none'\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta name=\"generator\" content=\"trueplate\">\n"
      "<title>{}</title>\n<style>{}</style>\n</head>\n<body>\n"
      "<noscript><p>This page draws itself from the numbers it carries: allow scripts, or read the "
      "numbers in its source.</p></noscript>\n"
      "<script type=\"application/json\" id=\"data\">{}</script>\n"
      "<script>{}</script>\n<script>{}</script>\n</body>\n</html>\n",
      hashes[0],
      hashes[1],
      hashes[2],
      html_text(replace_invalid_utf8(report.value("title", "Report"))),
      parts[0],
      json_for_html(report),
      parts[1],
      parts[2]);
}

}  // namespace trueplate::cli

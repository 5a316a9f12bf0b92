// Checks every #include line of the sources against the table in DEVELOPERS.md, because headers
// that happen to be visible to the compiler would otherwise let folders grow together.

#include <doctest/doctest.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <map>
#include <regex>
#include <set>
#include <sstream>
#include <string>
#include <vector>

#include "tests/support/test_data.h"

namespace {

namespace fs = std::filesystem;

fs::path source_root() { return trueplate::tests::test_data_folder().parent_path().parent_path(); }

struct Layer {
  std::set<std::string> folders;          // project folders it may include, itself among them
  std::set<std::string> private_headers;  // third-party libraries for its .cpp files
  std::set<std::string> public_headers;   // third-party libraries its headers may show as well
};

std::set<std::string> words(const std::string& cell) {
  std::set<std::string> found;
  std::stringstream stream(cell);
  for (std::string word; std::getline(stream, word, ',');) {
    std::erase_if(word, [](char c) { return c == ' ' || c == '`'; });
    if (!word.empty() && word != "-") found.insert(word);
  }
  return found;
}

std::map<std::string, Layer> read_table() {
  std::ifstream file(source_root() / "DEVELOPERS.md");
  std::map<std::string, Layer> layers;
  const std::regex row(R"(^\| `([a-z_/]+)` \|([^|]*)\|([^|]*)\|([^|]*)\|$)");
  for (std::string line; std::getline(file, line);) {
    std::smatch match;
    if (!std::regex_match(line, match, row)) continue;
    Layer layer{words(match[2]), words(match[3]), words(match[4])};
    layer.folders.insert(match[1]);
    layer.private_headers.insert(layer.public_headers.begin(), layer.public_headers.end());
    layers[match[1]] = layer;
  }
  return layers;
}

/// The library a header belongs to; empty for the standard library and the system.
std::string library_of(const std::string& header) {
  static const std::vector<std::pair<std::string, std::string>> prefixes{
      {"Eigen/", "Eigen"},         {"fmt/", "fmt"},
      {"hwy/", "Highway"},         {"ceres/", "Ceres"},
      {"glog/", "glog"},           {"opencv2/", "OpenCV"},
      {"OpenEXR/", "OpenEXR"},     {"Imf", "OpenEXR"},
      {"Imath", "OpenEXR"},        {"OpenImageIO/", "OpenImageIO"},
      {"nlohmann/", "JSON"},       {"CLI/", "CLI11"},
      {"openssl/", "OpenSSL"},     {"libav", "FFmpeg"},
      {"libsw", "FFmpeg"},         {"cairo", "Cairo"},
      {"xxhash", "xxHash"},        {"boost/", "Boost"},
      {"soci/", "SOCI"},           {"libpq", "libpq"},
      {"benchmark/", "benchmark"}, {"doctest/", "doctest"}};
  for (const auto& [prefix, library] : prefixes) {
    if (header.starts_with(prefix)) return library;
  }
  // Standard and POSIX headers have no folder, or sit below sys/.
  if (header.find('/') == std::string::npos || header.starts_with("sys/")) return "";
  return header;
}

struct Include {
  std::string header;
  bool quoted = false;
};

std::vector<Include> includes_of(const fs::path& path) {
  std::vector<Include> found;
  std::ifstream file(path);
  const std::regex include(R"(^\s*#\s*include\s*([<"])([^>"]+)[>"].*)");
  for (std::string line; std::getline(file, line);) {
    std::smatch match;
    if (std::regex_match(line, match, include)) found.push_back({match[2], match[1] == "\""});
  }
  return found;
}

bool is_header(const fs::path& path) { return path.extension() == ".h"; }

std::vector<fs::path> sources() {
  std::vector<fs::path> found;
  for (const char* top : {"calib", "warp", "charts", "cli"}) {
    for (const auto& entry : fs::recursive_directory_iterator(source_root() / top)) {
      const fs::path& path = entry.path();
      if (is_header(path) || path.extension() == ".cpp") found.push_back(path);
    }
  }
  return found;
}

/// The layer a path lies in: the longest folder of the table that is its prefix.
std::string layer_of(const std::map<std::string, Layer>& layers, const std::string& path) {
  std::string best;
  for (const auto& [folder, layer] : layers) {
    const bool below =
        path.starts_with(folder + "/") || path == folder + ".h" || path == folder + ".cpp";
    if (below && folder.size() > best.size()) best = folder;
  }
  return best;
}

}  // namespace

TEST_CASE("includes follow the table in DEVELOPERS.md") {
  const std::map<std::string, Layer> layers = read_table();
  REQUIRE(layers.size() >= 10);
  for (const fs::path& path : sources()) {
    const std::string file = fs::relative(path, source_root()).generic_string();
    const std::string folder = layer_of(layers, file);
    CAPTURE(file);
    REQUIRE_FALSE(folder.empty());
    const Layer& layer = layers.at(folder);
    // Headers in detail/ are not installed, so they may show what a .cpp may.
    const bool is_public = is_header(path) && file.find("/detail/") == std::string::npos;
    for (const Include& include : includes_of(path)) {
      CAPTURE(include.header);
      const std::string target = layer_of(layers, include.header);
      if (include.quoted || !target.empty()) {
        CHECK(include.quoted);
        CHECK(layer.folders.contains(target));
        continue;
      }
      const std::string library = library_of(include.header);
      if (library.empty()) continue;
      CAPTURE(library);
      CHECK((is_public ? layer.public_headers : layer.private_headers).contains(library));
    }
  }
}

TEST_CASE("no folder includes, directly or not, one that includes it") {
  const std::map<std::string, Layer> layers = read_table();
  for (const auto& entry : layers) {
    const std::string& start = entry.first;
    std::set<std::string> reached;
    std::vector<std::string> open{start};
    while (!open.empty()) {
      const std::string folder = open.back();
      open.pop_back();
      for (const std::string& next : layers.at(folder).folders) {
        REQUIRE(layers.contains(next));
        if (next != folder && reached.insert(next).second) open.push_back(next);
      }
    }
    CAPTURE(start);
    CHECK_FALSE(reached.contains(start));
  }
}

TEST_CASE("the top level holds what it should") {
  const std::set<std::string> wanted{"CMakeLists.txt",
                                     "README.md",
                                     "DEVELOPERS.md",
                                     "LICENSE",
                                     "calib",
                                     "warp",
                                     "cli",
                                     "tests",
                                     "charts",
                                     "docs"};
  std::set<std::string> found;
  for (const auto& entry : fs::directory_iterator(source_root())) {
    const std::string name = entry.path().filename().string();
    // Folders made by building and by the quickstart; git ignores them.
    if (name.starts_with(".") || name.starts_with("build") || name == "results") continue;
    found.insert(name);
  }
  CHECK(found == wanted);
}

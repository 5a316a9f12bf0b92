// Reads EXR files with OpenEXR and writes them again, in the sample type and the compression they
// have: what a sequence costs before anything is done to it. bench/sequence.py runs it.
//   copy_exr THREADS FILE... FOLDER

#include <OpenEXR/ImfChannelList.h>
#include <OpenEXR/ImfFrameBuffer.h>
#include <OpenEXR/ImfHeader.h>
#include <OpenEXR/ImfInputFile.h>
#include <OpenEXR/ImfOutputFile.h>
#include <OpenEXR/ImfThreading.h>

#include <cstdio>
#include <cstdlib>
#include <exception>
#include <filesystem>
#include <vector>

namespace {

void copy(const char* from, const std::filesystem::path& to, int threads) {
  Imf::InputFile input(from, threads);
  const Imath::Box2i window = input.header().dataWindow();
  const auto width = static_cast<std::size_t>(window.max.x - window.min.x + 1);
  const auto height = static_cast<std::size_t>(window.max.y - window.min.y + 1);
  std::vector<std::vector<char>> planes;
  Imf::FrameBuffer buffer;
  const Imf::ChannelList& channels = input.header().channels();
  for (auto i = channels.begin(); i != channels.end(); ++i) {
    const std::size_t size = i.channel().type == Imf::HALF ? 2 : 4;
    planes.emplace_back(width * height * size);
    buffer.insert(
        i.name(),
        Imf::Slice::Make(i.channel().type, planes.back().data(), window, size, width * size));
  }
  input.setFrameBuffer(buffer);
  input.readPixels(window.min.y, window.max.y);
  Imf::OutputFile output(to.c_str(), input.header(), threads);
  output.setFrameBuffer(buffer);
  output.writePixels(static_cast<int>(height));
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 4) return 2;
  try {
    const int threads = std::atoi(argv[1]);
    Imf::setGlobalThreadCount(threads > 1 ? threads : 0);
    for (int i = 2; i + 1 < argc; ++i) {
      copy(argv[i],
           std::filesystem::path(argv[argc - 1]) / std::filesystem::path(argv[i]).filename(),
           threads);
    }
  } catch (const std::exception& error) {
    std::fprintf(stderr, "copy_exr: %s\n", error.what());
    return 1;
  }
  return 0;
}

#include "cli/on_demand/module.h"

#include <dlfcn.h>
#include <fmt/format.h>

#include <string>

namespace trueplate::cli {

Result<const void*> load_module(std::string_view name,
                                std::string_view entry,
                                std::string_view what) {
  const std::string file = fmt::format("{}.so", name);
  void* const module = ::dlopen(file.c_str(), RTLD_NOW | RTLD_LOCAL);
  // Kept until the program ends: frames hold on to what the part made.
  using Entry = const void* (*)();
  const auto function = module == nullptr
                            ? nullptr
                            : reinterpret_cast<Entry>(::dlsym(module, std::string(entry).c_str()));
  if (function != nullptr) return function();
  const char* reason = ::dlerror();
  return fail(ErrorCode::kUnsupported,
              fmt::format("{}, {}, cannot be loaded ({}); install trueplate as a whole",
                          file,
                          what,
                          reason == nullptr ? "no reason given" : reason));
}

}  // namespace trueplate::cli

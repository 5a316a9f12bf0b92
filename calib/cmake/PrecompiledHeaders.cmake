# Headers that nearly every source of a target includes, compiled once: reading them is half of the work of compiling
# the project. Sources include what they need all the same, so that they compile without
# (-DTRUEPLATE_PRECOMPILED_HEADERS=OFF, as the sanitizers' build has it).
option(TRUEPLATE_PRECOMPILED_HEADERS "Compile common headers once" ${PROJECT_IS_TOP_LEVEL})
set(common_headers
    <algorithm> <array> <cmath> <cstddef> <cstdint> <cstring> <filesystem> <functional> <limits> <map> <memory>
    <optional> <span> <string> <string_view> <utility> <vector> <Eigen/Dense>)

# trueplate_common_headers(<target>): in libraries whose sources use Eigen and fmt.
function(trueplate_common_headers target)
  if(NOT TRUEPLATE_PRECOMPILED_HEADERS)
    return()
  endif()
  # Code for shared objects takes headers compiled as such.
  get_target_property(is_pic ${target} POSITION_INDEPENDENT_CODE)
  set(holder trueplate_common_headers)
  if(is_pic)
    set(holder trueplate_common_headers_pic)
  endif()
  if(NOT TARGET ${holder})
    file(WRITE "${PROJECT_BINARY_DIR}/generated/common_headers.cpp" "")
    add_library(${holder} OBJECT "${PROJECT_BINARY_DIR}/generated/common_headers.cpp")
    target_compile_features(${holder} PRIVATE cxx_std_20)
    target_link_libraries(${holder} PRIVATE trueplate_warnings Eigen3::Eigen fmt::fmt)
    target_precompile_headers(${holder} PRIVATE ${common_headers} <fmt/format.h>)
    if(is_pic)
      set_target_properties(${holder} PROPERTIES POSITION_INDEPENDENT_CODE ON)
    endif()
  endif()
  target_precompile_headers(${target} REUSE_FROM ${holder})
endfunction()

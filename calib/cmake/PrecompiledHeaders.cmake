# Headers that nearly every source of a target includes, compiled once: reading them takes a good part of the time of
# compiling. Sources include what they need all the same, so that they compile without
# (-DTRUEPLATE_PRECOMPILED_HEADERS=OFF, as the sanitizers' build has it).
option(TRUEPLATE_PRECOMPILED_HEADERS "Compile common headers once" ${PROJECT_IS_TOP_LEVEL})
set(common_headers
    <algorithm> <array> <cmath> <cstddef> <cstdint> <cstring> <filesystem> <functional> <limits> <map> <memory>
    <optional> <span> <string> <string_view> <utility> <vector> <Eigen/Dense>)

# What ccache is to take for a precompiled header instead of its bytes, which differ each time it is made: then what
# was compiled in one folder serves another. The text of the headers tells when they change.
function(checksum_of_headers headers result)
  set(text "")
  foreach(header IN LISTS headers)
    string(APPEND text "#include ${header}\n")
  endforeach()
  file(WRITE "${PROJECT_BINARY_DIR}/generated/headers_to_check.cpp" "${text}")
  get_target_property(eigen Eigen3::Eigen INTERFACE_INCLUDE_DIRECTORIES)
  execute_process(COMMAND "${CMAKE_CXX_COMPILER}" -std=gnu++20 "-I${eigen}" -E -P
                          "${PROJECT_BINARY_DIR}/generated/headers_to_check.cpp"
                  OUTPUT_VARIABLE preprocessed COMMAND_ERROR_IS_FATAL ANY)
  string(SHA256 sum "${CMAKE_CXX_COMPILER_ID} ${CMAKE_CXX_COMPILER_VERSION} ${preprocessed}")
  set(${result} ${sum} PARENT_SCOPE)
endfunction()

# precompile_headers(<target> <header>...)
function(precompile_headers target)
  if(NOT TRUEPLATE_PRECOMPILED_HEADERS)
    return()
  endif()
  target_precompile_headers(${target} PRIVATE ${ARGN})
  if(TRUEPLATE_CCACHE)
    checksum_of_headers("${ARGN}" sum)
    get_target_property(folder ${target} BINARY_DIR)
    foreach(extension IN ITEMS gch pch)
      file(WRITE "${folder}/CMakeFiles/${target}.dir/cmake_pch.hxx.${extension}.sum" "${sum}\n")
    endforeach()
  endif()
endfunction()

# reuse_common_headers(<target>): in libraries whose sources use Eigen and fmt.
function(reuse_common_headers target)
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
    precompile_headers(${holder} ${common_headers} <fmt/format.h>)
    if(is_pic)
      set_target_properties(${holder} PROPERTIES POSITION_INDEPENDENT_CODE ON)
    endif()
  endif()
  target_precompile_headers(${target} REUSE_FROM ${holder})
endfunction()

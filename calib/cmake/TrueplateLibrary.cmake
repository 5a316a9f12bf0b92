# trueplate_add_library(<folder path> [PART <name>] SOURCES ... HEADERS ... [LINKS ...] [PRIVATE_LINKS ...]
#                       [POSITION_INDEPENDENT])
#
# Makes the static library trueplate_<name> with the alias trueplate::<name>, where <name> is the
# folder path with its slashes turned into underscores and a leading calib_ dropped
# (calib/lens -> lens, warp/io -> warp_io). It is installed and exported with its public headers.
# A PART is a second library of the folder: PART movies of calib/footage -> footage_movies.
function(trueplate_add_library folder)
  cmake_parse_arguments(arg "POSITION_INDEPENDENT" "PART" "SOURCES;HEADERS;LINKS;PRIVATE_LINKS" ${ARGN})
  string(REPLACE "/" "_" name "${folder}")
  string(REGEX REPLACE "^calib_" "" name "${name}")
  if(arg_PART)
    string(APPEND name "_${arg_PART}")
  endif()
  set(target trueplate_${name})
  if(arg_SOURCES)
    add_library(${target} STATIC ${arg_SOURCES} ${arg_HEADERS})
    set(scope PUBLIC)
    target_link_libraries(${target} PRIVATE $<BUILD_INTERFACE:trueplate_warnings> ${arg_PRIVATE_LINKS})
    set_property(GLOBAL APPEND PROPERTY TRUEPLATE_PC_LIBRARIES -l${target})
  else()
    add_library(${target} INTERFACE)
    set(scope INTERFACE)
  endif()
  if(arg_POSITION_INDEPENDENT)
    set_target_properties(${target} PROPERTIES POSITION_INDEPENDENT_CODE ON)
  endif()
  if(arg_SOURCES)
    reuse_common_headers(${target})
  endif()
  add_library(trueplate::${name} ALIAS ${target})
  set_target_properties(${target} PROPERTIES EXPORT_NAME ${name})
  target_compile_features(${target} ${scope} cxx_std_20)
  target_include_directories(
    ${target} ${scope} $<BUILD_INTERFACE:${PROJECT_SOURCE_DIR}>
    $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}/trueplate>)
  target_link_libraries(${target} ${scope} ${arg_LINKS})
  install(TARGETS ${target} EXPORT trueplate_targets ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR}
          COMPONENT development)
  foreach(header IN LISTS arg_HEADERS)
    cmake_path(GET header PARENT_PATH below)
    install(FILES ${header} DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/trueplate/${folder}/${below} COMPONENT development)
  endforeach()
endfunction()

# trueplate_add_heavy_part(<library> <part>)
#
# Links whoever links trueplate_<library> with trueplate_<part> as well, which brings a library that takes long
# to load. A target whose property TRUEPLATE_LOADS_HEAVY_PARTS is set is left alone: it has its own way to those
# functions, as the program has (cli/on_demand).
function(trueplate_add_heavy_part library part)
  set(loads "$<BOOL:$<TARGET_PROPERTY:TRUEPLATE_LOADS_HEAVY_PARTS>>")
  target_link_libraries(trueplate_${library} INTERFACE "$<BUILD_INTERFACE:$<$<NOT:${loads}>:trueplate_${part}>>"
                                                       "$<INSTALL_INTERFACE:trueplate::${part}>")
endfunction()

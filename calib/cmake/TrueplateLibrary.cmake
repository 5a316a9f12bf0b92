# trueplate_add_library(<folder path> SOURCES ... HEADERS ... [LINKS ...] [PRIVATE_LINKS ...])
#
# Makes the static library trueplate_<name> with the alias trueplate::<name>, where <name> is the
# folder path with its slashes turned into underscores and a leading calib_ dropped
# (calib/lens -> lens, warp/io -> warp_io). It is installed and exported with its public headers.
function(trueplate_add_library folder)
  cmake_parse_arguments(arg "" "" "SOURCES;HEADERS;LINKS;PRIVATE_LINKS" ${ARGN})
  string(REPLACE "/" "_" name "${folder}")
  string(REGEX REPLACE "^calib_" "" name "${name}")
  set(target trueplate_${name})
  if(arg_SOURCES)
    add_library(${target} STATIC ${arg_SOURCES} ${arg_HEADERS})
    set(scope PUBLIC)
    target_link_libraries(${target} PRIVATE $<BUILD_INTERFACE:trueplate_warnings> ${arg_PRIVATE_LINKS})
  else()
    add_library(${target} INTERFACE)
    set(scope INTERFACE)
  endif()
  add_library(trueplate::${name} ALIAS ${target})
  set_target_properties(${target} PROPERTIES EXPORT_NAME ${name})
  target_compile_features(${target} ${scope} cxx_std_20)
  target_include_directories(
    ${target} ${scope} $<BUILD_INTERFACE:${PROJECT_SOURCE_DIR}>
    $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}/trueplate>)
  target_link_libraries(${target} ${scope} ${arg_LINKS})
  install(TARGETS ${target} EXPORT trueplate_targets ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR})
  foreach(header IN LISTS arg_HEADERS)
    cmake_path(GET header PARENT_PATH below)
    install(FILES ${header} DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}/trueplate/${folder}/${below})
  endforeach()
endfunction()

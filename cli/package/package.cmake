# Debian packages, made by `cpack -G DEB` in the build folder: `trueplate`, the program with its modules, manual
# pages and completions, and `libtrueplate-dev`, the static libraries with headers, for CMake and pkg-config.
# A domain that belongs to nobody (RFC 2606, section 3): who hands packages on states an address of their own.
set(TRUEPLATE_MAINTAINER_ADDRESS "trueplate@example.org" CACHE STRING "E-mail address in Debian packages")

# The moment of the sources where it is said, so that the same sources give the same package.
string(TIMESTAMP TRUEPLATE_CHANGELOG_DATE "%a, %d %b %Y %H:%M:%S +0000" UTC)
configure_file(cli/package/changelog.in "${PROJECT_BINARY_DIR}/package/changelog" @ONLY)
set(development libtrueplate-dev)
foreach(component IN ITEMS program development)
  set(package trueplate)
  if(component STREQUAL "development")
    set(package ${development})
  endif()
  install(FILES cli/package/copyright "${PROJECT_BINARY_DIR}/package/changelog"
          DESTINATION "${CMAKE_INSTALL_DATAROOTDIR}/doc/${package}" COMPONENT ${component})
endforeach()
install(FILES README.md DESTINATION "${CMAKE_INSTALL_DATAROOTDIR}/doc/trueplate" COMPONENT program)
install(DIRECTORY docs DESTINATION "${CMAKE_INSTALL_DATAROOTDIR}/doc/trueplate" COMPONENT program)

set(CPACK_GENERATOR DEB)
set(CPACK_PACKAGE_NAME trueplate)
set(CPACK_PACKAGE_CONTACT "The trueplate maintainers <${TRUEPLATE_MAINTAINER_ADDRESS}>")
set(CPACK_COMPONENTS_ALL program development)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_PRE_BUILD_SCRIPTS "${CMAKE_CURRENT_LIST_DIR}/compress.cmake")
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE
                                                WORLD_READ WORLD_EXECUTE)

set(CPACK_DEBIAN_PROGRAM_PACKAGE_NAME trueplate)
set(CPACK_DEBIAN_PROGRAM_PACKAGE_SECTION graphics)
set(CPACK_DEBIAN_PROGRAM_PACKAGE_SHLIBDEPS ON)
# The labels of charts and sheets are set in it.
set(CPACK_DEBIAN_PROGRAM_PACKAGE_DEPENDS "fonts-dejavu-core")
set(CPACK_COMPONENT_PROGRAM_DESCRIPTION
    "Measures the distortion of a lens from frames of a chart, straightens plates
for matchmove, bends CG renders back over the plate, and says in pixels how
far the result may be off. Reads and writes EXR, DPX, TIFF, PNG and JPEG,
reads movies, writes ST-maps.")

set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_NAME ${development})
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_SECTION libdevel)
string(
  JOIN ", " CPACK_DEBIAN_DEVELOPMENT_PACKAGE_DEPENDS
  libeigen3-dev libfmt-dev libhwy-dev libceres-dev libopencv-dev libopenexr-dev libopenimageio-dev openimageio-tools libavformat-dev
  libavcodec-dev libavutil-dev libswscale-dev nlohmann-json3-dev libssl-dev libxxhash-dev libcairo2-dev libsoci-dev
  libsqlite3-dev libpq-dev pkgconf)
set(CPACK_COMPONENT_DEVELOPMENT_DESCRIPTION
    "Static libraries and headers to calibrate a lens, to make ST-maps and to
straighten or bend pictures in one's own programs; for CMake
(find_package(trueplate)) and pkg-config.")
include(CPack)

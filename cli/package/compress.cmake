# Debian wants manual pages and changelogs compressed, without a time stamp (Debian Policy 12.1, 12.3, 12.7).
file(GLOB_RECURSE pages "${CPACK_TEMPORARY_INSTALL_DIRECTORY}/*.1"
     "${CPACK_TEMPORARY_INSTALL_DIRECTORY}/changelog")
foreach(page IN LISTS pages)
  execute_process(COMMAND gzip --best --no-name --force "${page}" COMMAND_ERROR_IS_FATAL ANY)
endforeach()

# Installs the build tree BUILD_DIR below WORK_DIR, then configures, builds and runs the consumer.
file(REMOVE_RECURSE "${WORK_DIR}")
function(step)
  execute_process(COMMAND ${ARGN} COMMAND_ERROR_IS_FATAL ANY OUTPUT_VARIABLE output ERROR_VARIABLE output)
endfunction()
step("${CMAKE_COMMAND}" --install "${BUILD_DIR}" --prefix "${WORK_DIR}/prefix")
step("${CMAKE_COMMAND}" -S "${CMAKE_CURRENT_LIST_DIR}" -B "${WORK_DIR}/build" -G "${GENERATOR}"
     "-DCMAKE_PREFIX_PATH=${WORK_DIR}/prefix" "-DCMAKE_CXX_COMPILER=${CXX_COMPILER}"
     "-DCMAKE_CXX_FLAGS=${CXX_FLAGS}" -DCMAKE_BUILD_TYPE=Release)
step("${CMAKE_COMMAND}" --build "${WORK_DIR}/build")
step("${WORK_DIR}/build/consumer")

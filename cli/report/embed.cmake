# Writes a source file that holds the assets of the report pages. Called with -P and
#   OUTPUT    the file
#   STYLE     the style sheet
#   SCRIPTS   our own scripts, in order
#   MODULES   those of the plot library, in order
#   LICENCES  the texts that have to stay with them
set(library "")
foreach(licence IN LISTS LICENCES)
  file(READ "${licence}" text)
  string(REPLACE "*/" "* /" text "${text}")
  string(APPEND library "/*\n${text}*/\n")
endforeach()
foreach(module IN LISTS MODULES)
  file(READ "${module}" text)
  string(APPEND library "${text}\n;")
endforeach()
set(script "")
foreach(part IN LISTS SCRIPTS)
  file(READ "${part}" text)
  string(APPEND script "${text}")
endforeach()
file(READ "${STYLE}" style)

set(source "// Made by cli/report/embed.cmake.\n#include \"cli/report/page_assets.h\"\n\nnamespace trueplate::cli {\nnamespace {\n")
set(views "")
foreach(name IN ITEMS library script style)
  # What would end the element that it is inlined in, or hide the end.
  string(TOLOWER "${${name}}" lower)
  if(lower MATCHES "</(script|style)|<!--")
    message(FATAL_ERROR "report page: the ${name} holds '${CMAKE_MATCH_0}', which would end it inside the page")
  endif()
  file(WRITE "${OUTPUT}.part" "${${name}}")
  file(READ "${OUTPUT}.part" bytes HEX)
  file(REMOVE "${OUTPUT}.part")
  string(REGEX REPLACE "(..)" "0x\\1," bytes "${bytes}")
  string(APPEND source "constexpr unsigned char k_${name}[] = {${bytes}};\n")
  string(APPEND views "std::string_view page_${name}() { return {reinterpret_cast<const char*>(k_${name}), sizeof k_${name}}; }\n")
endforeach()
file(WRITE "${OUTPUT}" "${source}}  // namespace\n\n${views}}  // namespace trueplate::cli\n")

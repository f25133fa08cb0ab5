# Before an archive is made of what was installed: documents are compressed as Debian wants them, and nothing in it
# tells when it was built, only of when its sources are.
foreach(component IN LISTS CPACK_COMPONENTS_ALL)
  set(root "${CPACK_TEMPORARY_DIRECTORY}/${component}")
  file(GLOB_RECURSE documents "${root}/usr/share/man/*" "${root}/usr/share/doc/*/changelog")
  if(documents)
    execute_process(COMMAND gzip -9n ${documents} COMMAND_ERROR_IS_FATAL ANY)
  endif()
  if(DEFINED ENV{SOURCE_DATE_EPOCH})
    execute_process(COMMAND find "${root}" -exec touch --no-dereference --date "@$ENV{SOURCE_DATE_EPOCH}" {} +
                    COMMAND_ERROR_IS_FATAL ANY)
  endif()
endforeach()

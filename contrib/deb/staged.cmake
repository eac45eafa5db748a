# What Debian wants of a package, done in the tree before it is packed: documentation in its place, compressed.
set(tree ${CPACK_TEMPORARY_INSTALL_DIRECTORY})
set(doc ${tree}/usr/share/doc/wane)
file(COPY ${CPACK_WANE_DOC}/copyright ${CPACK_WANE_DOC}/changelog.Debian DESTINATION ${doc})
file(COPY ${CPACK_WANE_DOC}/lintian-overrides DESTINATION ${tree}/usr/share/lintian/overrides)
file(RENAME ${tree}/usr/share/lintian/overrides/lintian-overrides ${tree}/usr/share/lintian/overrides/wane)
file(REMOVE ${doc}/LICENSE) # copyright says where it is
file(GLOB_RECURSE pages ${tree}/usr/share/man/*.[1-9])
foreach(file IN LISTS pages ITEMS ${doc}/changelog.Debian)
  if(EXISTS ${file})
    execute_process(COMMAND gzip -9nf ${file} COMMAND_ERROR_IS_FATAL ANY)
  endif()
endforeach()

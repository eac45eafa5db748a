# The Debian package: `cpack -G DEB` in a build directory that was configured with -DCMAKE_INSTALL_PREFIX=/usr.
# SPDX-License-Identifier: GPL-3.0-or-later
set(CPACK_PACKAGE_NAME wane)
set(CPACK_PACKAGE_VENDOR wane)
set(CPACK_PACKAGE_CONTACT "the wane project <wane@localhost>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "cycle-life ageing tracker for lithium-ion cells")
set(CPACK_PACKAGE_DESCRIPTION
"waned takes lithium-ion cells through campaigns of charge, rest and
discharge on instruments on serial lines, records capacity fade and
resistance rise of every cycle, and switches off and stays off when
something is abnormal. wane is the command it is looked at and ordered
with.
.
Lithium-ion cells can catch fire: read SAFETY in waned(8) before the first
campaign.")
set(CPACK_PACKAGE_FILE_NAME wane)
set(CPACK_GENERATOR DEB)
set(CPACK_SET_DESTDIR ON)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_STRIP_FILES ON)
set(CPACK_INSTALL_DEFAULT_DIRECTORY_PERMISSIONS
  OWNER_READ OWNER_WRITE OWNER_EXECUTE GROUP_READ GROUP_EXECUTE WORLD_READ WORLD_EXECUTE)

set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_RELEASE 1)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_PACKAGE_PRIORITY optional)
set(CPACK_DEBIAN_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_PACKAGE_DEPENDS systemd)
set(CPACK_DEBIAN_PACKAGE_RECOMMENDS "gnuplot-nox, fonts-dejavu-core")
set(CPACK_DEBIAN_PACKAGE_SUGGESTS "sqlite3, curl, default-mta | mail-transport-agent, bash-completion")
set(CPACK_DEBIAN_PACKAGE_CONTROL_STRICT_PERMISSION ON)

# What is edited is a conffile: the user is asked before it is replaced.
file(WRITE ${CMAKE_CURRENT_BINARY_DIR}/conffiles "")
foreach(name IN LISTS names) # of the configuration, see contrib/CMakeLists.txt
  file(APPEND ${CMAKE_CURRENT_BINARY_DIR}/conffiles "${CMAKE_INSTALL_FULL_SYSCONFDIR}/wane/${name}\n")
endforeach()
foreach(script postinst prerm postrm)
  configure_file(deb/${script} ${CMAKE_CURRENT_BINARY_DIR}/${script} COPYONLY)
  list(APPEND control ${CMAKE_CURRENT_BINARY_DIR}/${script})
endforeach()
set(CPACK_DEBIAN_PACKAGE_CONTROL_EXTRA "${control};${CMAKE_CURRENT_BINARY_DIR}/conffiles")

configure_file(deb/copyright ${CMAKE_CURRENT_BINARY_DIR}/copyright COPYONLY)
configure_file(deb/lintian-overrides ${CMAKE_CURRENT_BINARY_DIR}/lintian-overrides COPYONLY)
configure_file(deb/changelog.in ${CMAKE_CURRENT_BINARY_DIR}/changelog.Debian @ONLY)
set(CPACK_PRE_BUILD_SCRIPTS ${CMAKE_CURRENT_SOURCE_DIR}/deb/staged.cmake)
set(WANE_PACKAGE_DOC ${CMAKE_CURRENT_BINARY_DIR})
configure_file(deb/check.cmake.in ${CMAKE_CURRENT_BINARY_DIR}/check.cmake @ONLY)
set(CPACK_PROJECT_CONFIG_FILE ${CMAKE_CURRENT_BINARY_DIR}/check.cmake)
include(CPack)

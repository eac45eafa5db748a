#!/bin/sh
# The Debian package through its life in a clean system: installed with its dependencies, upgraded, removed, purged.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Needs, for all but the package itself, root, debootstrap, and the archive that this system's own apt is set up for: where one is missing it is skipped.
. "$(dirname "$0")/lib.sh"

skip() {
    echo "skipped: $*"
    exit 77
}
command -v dpkg-shlibdeps >/dev/null || skip "no dpkg-shlibdeps (Debian package dpkg-dev)"

root=$dir/root
in_root() { LC_ALL=C DEBIAN_FRONTEND=noninteractive chroot "$root" "$@"; }
clean_root() {
    umount "$root/proc" 2>/dev/null || true
    clean_up
}
trap clean_root EXIT
# told FILE PATTERN
told() { grep -q -- "$2" "$1" || { cat "$1" >&2; fail "is not said: $2"; }; }

say "cpack -G DEB"
build=${WANE_BUILD_DIR:?}
if [ "${WANE_PREFIX:?}" != /usr ]; then
    (cd "$build" && "${WANE_CMAKE%cmake}cpack" -G DEB -B "$dir/wrong" >"$dir/out" 2>&1) && fail "a package for $WANE_PREFIX was made"
    told "$dir/out" 'CMAKE_INSTALL_PREFIX=/usr'
    build=$dir/build
    "$WANE_CMAKE" -S "${WANE_SOURCE_DIR:?}" -B "$build" -DCMAKE_BUILD_TYPE=RelWithDebInfo -DCMAKE_INSTALL_PREFIX=/usr \
        -DBUILD_TESTING=OFF >"$dir/out" 2>&1 && "$WANE_CMAKE" --build "$build" -j "$(nproc)" >>"$dir/out" 2>&1 ||
        { tail -20 "$dir/out" >&2; fail "it does not build for /usr"; }
fi
(cd "$build" && "${WANE_CMAKE%cmake}cpack" -G DEB -B "$dir/pkg" >"$dir/out" 2>&1) || { cat "$dir/out" >&2; fail "cpack"; }
rm -rf "$dir/pkg/_CPack_Packages"
first=$(ls "$dir"/pkg/wane_*.deb)
version=$(dpkg-deb -f "$first" Version)

say "lintian"
if command -v lintian >/dev/null; then
    lintian --profile debian --allow-root --fail-on error,warning "$first" || fail "lintian has complaints: mend, or say why not in contrib/deb/lintian-overrides"
else
    echo "   no lintian here (Debian package lintian)"
fi

[ "$(id -u)" -eq 0 ] || skip "a clean system is made by root only"
command -v debootstrap >/dev/null || skip "no debootstrap (Debian package debootstrap)"
say "another one of a higher version, with a procedure that has changed"
dpkg-deb -R "$first" "$dir/next"
sed -i 's/^Version: .*/Version: 999.0-1/' "$dir/next/DEBIAN/control"
echo '# of the next version' >>"$dir/next/etc/wane/procedures/rated-capacity.conf"
echo '# of the next version' >>"$dir/next/etc/wane/cells/demo-21700.conf"
dpkg-deb -b --root-owner-group "$dir/next" "$dir/next.deb" >/dev/null

say "a clean system"
. /etc/os-release
# shellcheck disable=SC2046 # words
set -- $(apt-get indextargets --format '$(SITE) $(RELEASE) $(COMPONENT) $(SOURCESENTRY)' 'Created-By: Packages' 2>/dev/null |
    awk -v suite="${VERSION_CODENAME:-}" '$2 == suite && $3 == "main" { sub(/:[0-9]*$/, "", $4); print $1, $2, $4; exit }')
[ $# -ge 2 ] || skip "this system's apt knows no archive of ${VERSION_CODENAME:-its version}"
keyring=$(sed -n -e 's,^Signed-By: *\(/[^ ]*\).*,\1,p' -e 's,^deb .*signed-by=\(/[^] ]*\).*,\1,p' "${3:-/dev/null}" 2>/dev/null | head -1)
debootstrap --variant=minbase ${keyring:+--keyring="$keyring"} --include=systemd "$2" "$root" "$1" >"$dir/debootstrap.log" 2>&1 || {
    tail -3 "$dir/debootstrap.log"
    skip "debootstrap cannot reach the archive, or may not do its work here"
}
printf '#!/bin/sh\nexit 101\n' >"$root/usr/sbin/policy-rc.d"
chmod 755 "$root/usr/sbin/policy-rc.d"
mount -t proc proc "$root/proc" 2>/dev/null || true
cp "$first" "$root/tmp/first.deb"
cp "$dir/next.deb" "$root/tmp/next.deb"

enabled() { systemctl --root="$root" is-enabled "$1" 2>/dev/null || true; }
# whole: programs run, users and directories are there, the configuration is read.
whole() {
    [ "$(in_root dpkg-query -W -f '${db:Status-Status}' wane)" = installed ] || fail "not installed"
    for user in wane wane-herald; do
        grep -q "^$user:.*:/usr/sbin/nologin$" "$root/etc/passwd" || fail "no user $user, or it may log in"
    done
    grep -q '^wane-command:' "$root/etc/group" || fail "no group wane-command"
    grep -q '^dialout:.*[:,]wane$' "$root/etc/group" || fail "wane is not in dialout"
    [ "$(in_root stat -c '%U %G %a' /var/lib/wane)" = "wane wane 750" ] || fail "data directory: $(in_root stat -c '%U %G %a' /var/lib/wane)"
    in_root waned --check >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "waned --check"; }
    in_root wane --config /usr/share/wane/conf/demo.conf check A --cell demo-18650 --procedure datasheet-claim >"$dir/out" 2>&1 ||
        { cat "$dir/out" >&2; fail "wane check"; }
    [ -s "$root/usr/share/man/man8/waned.8.gz" ] && [ -s "$root/usr/share/doc/wane/copyright" ] || fail "documentation is missing"
    in_root dpkg --verify wane | grep -v ' c ' && fail "changed since it was unpacked"
    true
}

say "installed with its dependencies"
in_root apt-get install -y -q --no-install-recommends /tmp/first.deb >"$dir/install.log" 2>&1 || {
    grep -q 'Could not resolve\|Failed to fetch\|Unable to connect' "$dir/install.log" && skip "the dependencies cannot be fetched"
    tail -20 "$dir/install.log" >&2
    fail "apt-get install"
}
told "$dir/install.log" 'read SAFETY in waned(8)'
whole
[ "$(in_root wane --version)" = "wane ${version%-*}" ] || fail "version $(in_root wane --version), not $version"
for unit in waned.service wane-herald.service; do
    [ "$(enabled $unit)" = enabled ] || fail "$unit is $(enabled $unit)"
done
[ ! -e "$root/lib/systemd/system/wane-publish.timer" ] || [ "$(enabled wane-publish.timer)" = disabled ] || fail "it would publish by itself"

say "upgraded: what was edited, measured and switched off stays so"
echo '# mine' >>"$root/etc/wane/waned.conf"
echo '# mine' >>"$root/etc/wane/cells/demo-21700.conf"
cp "$root/etc/wane/waned.conf" "$dir/waned.conf"
in_root wane import --help >/dev/null
cp "$WANE_SOURCE_DIR/tests/cli/data/log.csv" "$root/tmp/log.csv"
in_root wane import /tmp/log.csv -o /var/lib/wane/measured.wane >/dev/null || fail "wane import"
sum=$(sha256sum <"$root/var/lib/wane/measured.wane")
systemctl --root="$root" disable wane-herald.service >/dev/null 2>&1
in_root dpkg --force-confdef --force-confold -i /tmp/next.deb >"$dir/upgrade.log" 2>&1 || { cat "$dir/upgrade.log" >&2; fail "upgrade"; }
[ "$(in_root dpkg-query -W -f '${Version}' wane)" = 999.0-1 ] || fail "not upgraded"
whole
cmp -s "$root/etc/wane/waned.conf" "$dir/waned.conf" || fail "waned.conf was replaced"
tail -1 "$root/etc/wane/cells/demo-21700.conf" | grep -q mine || fail "a cell that was edited was replaced"
[ -e "$root/etc/wane/cells/demo-21700.conf.dpkg-dist" ] || fail "the new one is not beside it"
tail -1 "$root/etc/wane/procedures/rated-capacity.conf" | grep -q 'next version' || fail "a procedure that was not edited is still the old one"
[ "$sum" = "$(sha256sum <"$root/var/lib/wane/measured.wane")" ] || fail "what was measured was changed"
[ "$(enabled waned.service)" = enabled ] || fail "waned is $(enabled waned.service)"
[ "$(enabled wane-herald.service)" = disabled ] || fail "the herald was switched on again"

say "removed: configuration and data stay"
in_root dpkg -r wane >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "dpkg -r"; }
[ ! -e "$root/usr/bin/wane" ] && [ ! -e "$root/usr/lib/systemd/system/waned.service" ] || fail "programs are left"
cmp -s "$root/etc/wane/waned.conf" "$dir/waned.conf" || fail "the configuration is gone"
[ -s "$root/var/lib/wane/measured.wane" ] || fail "the data is gone"

say "purged: data stays, and it is said where"
in_root dpkg -P wane >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "dpkg -P"; }
told "$dir/out" 'campaigns are kept in /var/lib/wane'
[ "$sum" = "$(sha256sum <"$root/var/lib/wane/measured.wane")" ] || fail "the data is gone"
left=$(find "$root/etc" "$root/usr" "$root/var/lib" -name '*wane*' -not -path "$root/var/lib/wane*" -not -path "$root/var/lib/dpkg/*")
[ -z "$left" ] || fail "left behind: $left"

say "and installed again"
in_root dpkg -i /tmp/next.deb >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "dpkg -i"; }
whole
[ "$(enabled waned.service)" = enabled ] || fail "waned is $(enabled waned.service)"
[ "$sum" = "$(sha256sum <"$root/var/lib/wane/measured.wane")" ] || fail "what was measured was changed"
exit 0

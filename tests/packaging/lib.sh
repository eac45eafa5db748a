# Common parts of the packaging tests: installs into a directory of its own; sourced.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh

set -eu
. "$(dirname "$0")/../support/wait.sh"
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-packaging.XXXXXX")
tree=$dir/tree
prefix=$tree${WANE_PREFIX:?}
children=

clean_up() {
    for pid in $children; do
        kill "$pid" 2>/dev/null || true
        wait "$pid" 2>/dev/null || true
    done
    rm -rf "$dir"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

say() { echo "-- $*"; }
fail() {
    echo "FAILED: $*" >&2
    exit 1
}

install_tree() {
    DESTDIR=$tree "${WANE_CMAKE:?}" --install "${WANE_BUILD_DIR:?}" >"$dir/install.log" 2>&1 ||
        { cat "$dir/install.log" >&2; fail "cmake --install"; }
    # Where the configuration lies is told by the units: with the prefix /usr it is /etc.
    etc=$(sed -n 's/^ExecStart=.*--config \(.*\)\/waned.conf.*/\1/p' "$prefix/lib/systemd/system/waned.service")
    [ -n "$etc" ] || fail "waned.service names no configuration"
}

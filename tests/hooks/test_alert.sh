#!/bin/sh
# wane test-alert: each target is tried, and what became of it is told.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-alert.XXXXXX")
trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM
cp -R "${WANE_SOURCE_DIR:?}/conf" "$dir/conf"
mkdir "$dir/run" "$dir/data"

say() { echo "-- $*"; }
fail() { echo "FAILED: $*" >&2; cat "$dir/out" >&2; exit 1; }

# alerts TEXT: into the daemon file.
alerts() { sed "s|^alerts = .*|alerts = $1;|" "$dir/conf/demo.conf" >"$dir/conf/waned.conf"; }
# try CODE ARG...: wane test-alert must end so.
try() {
    want=$1 rc=0
    shift
    wane --config "$dir/conf/waned.conf" test-alert "$@" >"$dir/out" 2>&1 || rc=$?
    [ "$rc" = "$want" ] || fail "test-alert ended with $rc, not $want"
}
has() { grep -q -- "$1" "$dir/out" || fail "it does not say '$1'"; }
hook() { printf '#!/bin/sh\n%s\n' "$2" >"$dir/$1"; chmod +x "$dir/$1"; }

# shellcheck disable=SC2016 # expanded when the hook runs
hook good 'cat >"$0.got"; echo "$WANE_TYPE $1" >"$0.env"'
hook bad 'echo "no route"; exit 1'
hook slow 'sleep 600'

say "nobody to tell"
alerts '"none"'
try 1
has "there is no target"

say "each target is told"
alerts "{ hooks = ( { program = \"$dir/good\"; args = ( \"x\" ); } ); }"
try 0
has "^told    $dir/good x, in "
grep -q '"type":"test"' "$dir/good.got" || fail "the hook was given no test"
[ "$(cat "$dir/good.env")" = "test x" ] || fail "environment or arguments"

say "one that fails does not keep the others from being tried"
alerts "{ hooks = ( { program = \"$dir/bad\"; }, { program = \"$dir/none\"; }, { program = \"$dir/slow\"; timeout = \"1 s\"; }, { program = \"$dir/good\"; severity = \"alarm\"; } ); }"
rm "$dir/good.got"
try 1
has "^FAILED  $dir/bad, in .*: .*exit code 1"
has "it says: no route"
has "^FAILED  $dir/none, in .*not there or not executable"
has "^FAILED  $dir/slow, in .*did not end within 1 s"
has "^told    $dir/good"
[ -e "$dir/good.got" ] || fail "the last one was not tried"
try 1 --json
has '"told": false'
has '"output": "no route'

say "a configuration that cannot be read"
alerts "{ hooks = ( { program = 3; } ); }"
try 1
has "alerts.hook"

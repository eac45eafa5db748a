#!/bin/sh
# An import that is killed, meets a full disk or a second one leaves nothing that looks finished, and does not stand in the way.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Killed by the kernel at the first write beyond a size, which it takes for no more notice than kill -9: the place is the same each time.
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
data=${WANE_SOURCE_DIR:?}/tests/cli/data
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-kill.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
fail() { echo "FAIL: $*" >&2; exit 1; }
logs=$(for _ in 1 2 3 4 5 6 7 8 9 10; do printf '%s ' "$data/log.csv"; done)
# shellcheck disable=SC2086 # several files
wane import $logs --cutoff-v 2.5 -o whole.wane >/dev/null
whole=$(wc -c <whole.wane)
wane export whole --what cycles | cut -d, -f1-29 >want
rm whole.wane*

# nothing_there WHEN: no campaign, and at most the file in the making
nothing_there() {
    [ "$(wane campaigns . --json | grep -c '"campaign"')" -eq 0 ] || fail "$1: there is a campaign"
    for f in *.wane*; do
        case $f in '*.wane*' | x.wane.new) ;; *) fail "$1: $f was left" ;; esac
    done
}

kills=0 blocks=1
while [ $((blocks * 512)) -lt "$whole" ]; do
    code=0
    # shellcheck disable=SC2086
    (ulimit -f "$blocks"; exec wane import $logs --cutoff-v 2.5 -o x.wane) >out 2>&1 || code=$?
    [ "$code" -gt 128 ] || fail "at $blocks blocks it ended with $code: $(cat out)"
    nothing_there "killed at $blocks blocks"
    kills=$((kills + 1)) blocks=$((blocks * 3 / 2 + 1))
done
[ "$kills" -ge 8 ] || fail "killed only $kills times"
[ -e x.wane.new ] || fail "nothing was left of the last one: it was not killed in the middle"
echo "   killed $kills times, up to $blocks blocks of $((whole / 512))"

# A full disk says so, and cleans up after itself.
for blocks in 1 20 $((whole / 1024)); do
    code=0
    # shellcheck disable=SC2086
    (trap '' XFSZ; ulimit -f "$blocks"; exec wane import $logs --cutoff-v 2.5 -o x.wane) >out 2>&1 || code=$?
    [ "$code" -eq 1 ] || fail "with a full disk it ended with $code: $(cat out)"
    grep -q 'x\.wane: ' out || fail "the file is not named: $(cat out)"
    nothing_there "full at $blocks blocks"
    [ ! -e x.wane.new ] || fail "full at $blocks blocks: x.wane.new was left"
done

# Another one that makes it just now; another campaign of this name.
touch x.wane.new
code=0
flock x.wane.new wane import "$data/log.csv" -o x.wane >out 2>&1 || code=$?
[ "$code" -eq 1 ] && grep -q 'being made by another program' out || fail "locked: $code, $(cat out)"
nothing_there "locked"
echo precious >x.wane
! wane import "$data/log.csv" -o x.wane >out 2>&1 || fail "x.wane was written over"
[ "$(cat x.wane)" = precious ] || fail "x.wane was touched"
rm x.wane

# After all that it works.
# shellcheck disable=SC2086
wane import $logs --cutoff-v 2.5 -o x.wane >/dev/null
[ ! -e x.wane.new ] || fail "x.wane.new was left"
wane export x --what cycles | cut -d, -f1-29 | diff want - || fail "other cycles than without the kills"
[ "$(sqlite3 x.wane 'PRAGMA journal_mode; PRAGMA integrity_check' | tr '\n' ' ')" = "wal ok " ] || fail "the file is not in order"
sqlite3 x.wane .schema | grep -q 'CREATE INDEX reading_of_step' || fail "the index of the readings is missing"

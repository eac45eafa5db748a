#!/bin/sh
# A full disk in mid-campaign: the campaign halts with the output off, and nothing acknowledged is lost.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

make_site 400 0
mount -t tmpfs -o size=64m tmpfs "$dir/site/data" 2>/dev/null || {
    echo "SKIP: a small file system cannot be mounted here (needs root)"
    exit 77
}
sed -i 's/space_min_mb *= [0-9]*/space_min_mb = 1/' "$WANE_CONFIG"
start_bench --pace 2000
start_daemon
begin_campaign
wait_until 60 cycles_done_at_least 2 || fail "no cycles"
dd if=/dev/zero of="$dir/site/data/filler" bs=64k >/dev/null 2>&1 || true
recording_failed() { grep -q "recording_failed\|recording failed" "$dir/waned.log"; }
wait_until 60 recording_failed || fail "a full disk is not noticed"
wait_until 10 bench_is_off || fail "output stays on although nothing can be recorded"
rm "$dir/site/data/filler"
halted() { state_is halted; }
wait_until 60 halted || fail "not halted"
wane ack A >/dev/null
wane resume A >/dev/null
before=$(field cycles_done)
wait_until 60 went_on "$before" || fail "does not go on with space on the disk"
stop_daemon
[ "$(sql 'PRAGMA integrity_check')" = ok ] || fail "file is damaged"
[ "$(sql 'SELECT count(*) - max(cycle) FROM cycle')" = 0 ] || fail "cycles are missing or doubled"

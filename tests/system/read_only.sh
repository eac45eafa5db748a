#!/bin/sh
# The file system turns read-only in mid-campaign, as after an error of the disk: off, halted, told, nothing acknowledged is lost;
# it stays so while it lasts, also over a death of the station, and goes on after the repair.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

if [ ! -e "$bin/wane_read_only.so" ]; then
    echo "SKIP: a build with sanitizers cannot be given a library before its own"
    exit 77
fi
make_site 400 0
export WANE_READ_ONLY="$dir/read-only" WANE_READ_ONLY_DIR="$dir/site/data"
start_bench --pace 2000
LD_PRELOAD=$bin/wane_read_only.so waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
daemon_pid=$!
wait_until 20 ready || fail "the service did not come up"
begin_campaign
wait_until 60 cycles_done_at_least 2 || fail "no cycles"
wait_until 60 in_discharge || fail "no discharge"
acknowledged=$(sql 'SELECT count(*) FROM cycle')

say "read-only: off and halted, and it is told why"
touch "$WANE_READ_ONLY"
told() { grep -q "recording failed" "$dir/waned.log"; }
wait_until 30 told || fail "it is not noticed"
wait_until 10 bench_is_off || fail "output stays on although nothing can be recorded"
wait_until 20 state_is halted || fail "is $(field state), not halted"
[ "$(field alarm)" = true ] || fail "status shows no alarm"
on=$(awk -F, '$2 == 1' "$dir/output.csv" | wc -l)
still_off() { [ "$(awk -F, '$2 == 1' "$dir/output.csv" | wc -l)" = "$on" ]; }

say "its station dies while the disk is as it is: nothing goes on"
last=$(station_pid)
kill -9 "$last"
another_station() { pid=$(station_pid) && [ -n "$pid" ] && [ "$pid" != "$last" ]; }
wait_until 30 another_station || fail "station was not started again"
answers() { [ -n "$(field state)" ]; }
wait_until 20 answers || fail "station does not answer"
still_off || fail "output was switched on although nothing can be recorded"

say "repaired: what was acknowledged is there, and it waits for a person"
rm "$WANE_READ_ONLY"
found() { state_is paused || state_is halted; }
if ! wait_until 30 found; then # a station that has given up the file looks for it at its next start
    kill -9 "$(station_pid)"
    wait_until 60 found || fail "is $(field state) after the repair"
fi
still_off || fail "output was switched on without a person"
[ "$(sql 'SELECT count(*) FROM cycle')" -ge "$acknowledged" ] || fail "acknowledged cycles are lost"
[ "$(field alarm)" = true ] || fail "no alarm waits for a person"
before=$(field cycles_done)
wane ack A >/dev/null || fail "ack"
wane resume A >/dev/null || fail "resume"
wait_until 60 went_on "$before" || fail "does not go on"
stop_daemon
[ "$(sql 'PRAGMA integrity_check')" = ok ] || fail "file is damaged"
[ "$(sql 'SELECT count(*) - max(cycle) FROM cycle')" = 0 ] || fail "cycles are missing or doubled"

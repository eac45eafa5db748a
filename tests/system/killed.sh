#!/bin/sh
# Killed at bad moments: the output goes off within a second, the campaign goes on, the cycle is marked, nothing committed is lost.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

make_site 400 0
sed -i "s|resumes_per_hour = 3|resumes_per_hour = 100|" "$WANE_CONFIG"
start_bench --pace 2000
start_daemon
begin_campaign

say "kill -9 of the station in a discharge"
wait_until 60 in_discharge || fail "no discharge"
before=$(field cycles_done)
at=$(now)
kill -9 "$(station_pid)"
off_within_a_second "$at"
wait_until 60 went_on "$before" || fail "campaign does not go on"
flags=$(sql "SELECT flags & 1 FROM cycle WHERE cycle = $((before + 1))")
[ "$flags" = 1 ] || fail "the interrupted cycle is not marked"
grep -q "station A: SQLite: recovered .* frames" "$dir/waned.log" || fail "what SQLite says of itself is not in the log"

say "SIGSTOP of the station in a discharge: the guard does not wait for it"
wait_until 60 in_discharge || fail "no discharge"
before=$(field cycles_done)
stopped=$(station_pid)
kill -STOP "$stopped"
wait_until 10 bench_is_off || fail "output stays on under a stopped station"
wait_until 60 went_on "$before" || fail "campaign does not go on"
[ "$(station_pid)" != "$stopped" ] || fail "the stopped station was not replaced"

say "kill -9 of the guard in a discharge: the station switches off and ends"
wait_until 60 in_discharge || fail "no discharge"
before=$(field cycles_done)
station=$(station_pid)
at=$(now)
kill -9 "$daemon_pid"
off_within_a_second "$at"
wait_until 15 sh -c "! kill -0 $station" || fail "station lives on without a guard"
wait "$daemon_pid" 2>/dev/null || true
start_daemon
wait_until 60 went_on "$before" || fail "campaign does not go on after a new start"

say "kill -9 of everything"
wait_until 60 in_discharge || fail "no discharge"
before=$(field cycles_done)
kill -9 "$daemon_pid" "$(station_pid)"
wait "$daemon_pid" 2>/dev/null || true
start_daemon
wait_until 60 went_on "$before" || fail "campaign does not go on"

say "an orderly stop of the service"
wait_until 60 in_discharge || fail "no discharge"
stop_daemon
bench_is_off || fail "output stays on after the service stopped"

say "nothing is lost or doubled"
[ "$(sql 'PRAGMA integrity_check')" = ok ] || fail "file is damaged"
[ "$(sql 'SELECT count(*) - max(cycle) FROM cycle')" = 0 ] || fail "cycles are missing or doubled"

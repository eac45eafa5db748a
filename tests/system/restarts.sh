#!/bin/sh
# After a restart: on by itself only with the same cell, a cell inside its limits and not too often; otherwise it waits for a
# person, with an alarm, and nothing is on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

alarm_is_open() { wane events "$(campaign)" --alarms | grep -q "$1"; }
on_lines() { awk -F, '$2 == 1' "$dir/output.csv" | wc -l; }
stop_bench() {
    kill "$bench_pid" 2>/dev/null || true
    wait "$bench_pid" 2>/dev/null || true
}
# The daemon without waiting for an instrument that may be refused.
start_daemon_only() {
    waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
    daemon_pid=$!
}
# A campaign with one cycle done, the service stopped in an orderly way.
begin() {
    rm -rf "$dir/site" "$dir/output.csv" "$dir/truth.csv"
    make_site 400 0
    sed -i 's/restart_voltage_tolerance = "500 mV"/restart_voltage_tolerance = "300 mV"/' "$WANE_CONFIG"
    start_bench --pace 2000
    start_daemon
    begin_campaign
    wait_until 60 cycles_done_at_least 1 || fail "no cycle"
}
# expect_hold ALARM STATE: told, latched, and nothing was switched on since $on was counted.
expect_hold() {
    wait_until 30 alarm_is_open "$1" || fail "no alarm $1"
    wait_until 10 state_is "$2" || fail "is $(field state), not $2"
    [ "$(field alarm)" = true ] || fail "status shows no alarm"
    bench_is_off || fail "output is on"
    [ "$(on_lines)" = "$on" ] || fail "output was switched on"
    if wane resume A >"$dir/out" 2>&1; then
        fail "resumed without an acknowledgement"
    fi
}
# The operator has looked at it: it goes on.
expect_go_on() {
    before=$(field cycles_done)
    wane ack A >/dev/null || fail "ack"
    wane resume A >/dev/null || fail "resume after the acknowledgement"
    wait_until 60 went_on "$before" || fail "does not go on after the acknowledgement"
}
# finish: what is true of all of them.
finish() {
    stop_daemon
    stop_bench
    [ "$(sql 'PRAGMA integrity_check')" = ok ] || fail "file is damaged"
    [ "$(sql 'SELECT count(*) - max(cycle) FROM cycle')" = 0 ] || fail "cycles are missing or doubled"
}

say "everything agrees: on by itself, and told"
begin
before=$(field cycles_done)
stop_daemon
bench_is_off || fail "output stays on after the service stopped"
start_daemon
wait_until 60 went_on "$before" || fail "does not go on"
wane events "$(campaign)" | grep -q restarted || fail "the restart is not told"
wane events "$(campaign)" | grep -q "resumed.*restart policy" || fail "the resume is not told"
finish

say "another cell in the holder: held"
begin
voltage=$(field voltage_v)
stop_daemon
stop_bench
soc=$(awk -v v="$voltage" 'BEGIN { print (v > 3.65 ? 0.0 : 1.0) }')
start_bench --pace 2000 --soc "$soc"
on=$(on_lines)
start_daemon
expect_hold held paused
wane events "$(campaign)" --alarms | grep -q "same cell" || fail "the alarm does not say why"
expect_go_on
finish

say "a cell that has become hot: halted"
begin
stop_daemon
stop_bench
start_bench --pace 2000 --soc 0.5 --ambient 79
on=$(on_lines)
start_daemon_only
expect_hold over_temperature halted
finish

say "another instrument: not even looked at"
begin
stop_daemon
stop_bench
start_bench --pace 2000 --serial 2
on=$(on_lines)
start_daemon_only
refused() { grep -q "SIMULATED-2.*SIMULATED-1" "$dir/waned.log"; }
wait_until 20 refused || fail "another tester is not noticed"
stop_daemon
[ "$(on_lines)" = "$on" ] || fail "output was switched on"
stop_bench

say "a station that dies again and again: three times on by itself, then held"
begin
resumes() { sql "SELECT count(*) FROM event WHERE kind = 'resumed' AND text LIKE '%restart policy%'"; }
resumed_times() { [ "$(resumes)" = "$1" ]; }
another_station() { pid=$(station_pid) && [ -n "$pid" ] && [ "$pid" != "$last" ]; }
n=0
while [ "$n" -lt 4 ]; do
    n=$((n + 1))
    last=$(station_pid)
    kill -9 "$last"
    wait_until 5 bench_is_off || fail "output stays on after a kill"
    on=$(on_lines)
    wait_until 40 another_station || fail "station was not started again"
    wait_until 20 ready || fail "station does not come back"
    if [ "$n" -le 3 ]; then
        wait_until 20 resumed_times "$n" || fail "did not go on by itself after death $n"
        wait_until 30 bench_is_on || fail "nothing is on after death $n"
    fi
done
expect_hold too_many_restarts paused
say "and one death more changes nothing"
while [ "$n" -lt 5 ]; do
    n=$((n + 1))
    last=$(station_pid)
    kill -9 "$last"
    wait_until 60 another_station || fail "station was not started again"
    wait_until 20 ready || fail "station does not come back"
    wait_until 20 alarm_is_open too_many_restarts || fail "the alarm was lost"
    [ "$(on_lines)" = "$on" ] || fail "output was switched on after $n deaths"
    [ "$(resumes)" = 3 ] || fail "resumed $(resumes) times"
done
expect_go_on
finish

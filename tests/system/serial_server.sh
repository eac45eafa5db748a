#!/bin/sh
# A station behind a TCP serial server, raw and RFC 2217: it measures, the guard switches off through the socket, and a connection that
# is lost in a discharge is an alarm, with off first when it is back.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

relay_pid=
trap 'kill $relay_pid 2>/dev/null || true; clean_up' EXIT

# start_relay KIND: $address is then what a port is called.
start_relay() {
    rm -f "$dir/address"
    wane-serial-relay "$1" "$dir/site/run/virtual-bench" "$dir/address" >>"$dir/relay.log" 2>&1 &
    relay_pid=$!
    wait_until 10 test -e "$dir/address" || fail "the serial server did not come up"
    address=$(cat "$dir/address")
}
stop_all() {
    stop_daemon
    kill "$relay_pid" "$bench_pid" 2>/dev/null || true
    wait "$relay_pid" "$bench_pid" 2>/dev/null || true
    rm -rf "$dir/site" "$dir/output.csv" "$dir/truth.csv" "$dir/relay.log"
}
state_is_not_running() { state_is halted || state_is "switching off"; }
alarm_is_open() { wane events "$(campaign)" --alarms | grep -q "$1"; }

# lost SIGNAL KIND TEXT: the connection is lost in a discharge; nothing can reach the bench, which stays on. Then off, before anything else.
lost() {
    wait_until 60 in_discharge || fail "no discharge"
    kill "-$1" "$relay_pid"
    wait_until 20 state_is_not_running || fail "not noticed"
    alarm_is_open "$2" || fail "no alarm $2"
    wait_until 20 grep -q "$3.*the instrument goes on as it was told last" "$dir/waned.log" ||
        fail "nobody is told what a lost connection means"
    wait_until 20 ready || fail "not connected again"
    wait_until 20 state_is halted || fail "not halted"
    bench_is_off || fail "the output is on after the connection came back"
    wane ack A >/dev/null || fail "ack"
    before=$(field cycles_done)
    wane resume A >/dev/null || fail "resume"
    wait_until 60 went_on "$before" || fail "the campaign does not go on"
}

story() {
    say "$1: a dialect is tried through it"
    make_site 400 0
    sed -i "s|resumes_per_hour = 3|resumes_per_hour = 100|" "$WANE_CONFIG"
    start_bench --pace 2000
    start_relay "$1"
    sed -i "s|port    = \"virtual-bench\"|port    = \"$address\"|" "$WANE_CONFIG"
    waned --config "$WANE_CONFIG" --check >/dev/null || fail "the address is refused"
    wane identify "$address" --dialect virtual-bench >"$dir/out" || fail "wane identify"
    grep -q "^$address: .*SIMULATED" "$dir/out" || fail "identify says $(cat "$dir/out")"
    wane try virtual-bench "$address" -n 2 --switch-on --current-a 1 --voltage-v 4.2 --confirm on >"$dir/out" ||
        { cat "$dir/out"; fail "wane try"; }

    say "$1: kill -9 of the station in a discharge"
    wane ports | grep -q "^ *$address .*free, of station A" || fail "wane ports: $(wane ports)"
    start_daemon
    wane ports | grep -q "^ *$address .*TCP serial server *a program of wane" || fail "wane ports: $(wane ports)"
    begin_campaign
    wait_until 60 in_discharge || fail "no discharge"
    before=$(field cycles_done)
    at=$(awk '{ print $1 }' /proc/uptime)
    kill -9 "$(station_pid)"
    wait_until 5 bench_is_off || fail "the output stays on"
    last=$(tail -1 "$dir/output.csv" | cut -d, -f1)
    awk -v a="$at" -v b="$last" 'BEGIN { printf "   off %.1f ms after\n", (b - a) * 1e3; exit !(b - a < 1) }' ||
        fail "the output went off too late"
    wait_until 10 grep -q "$address: output is off, confirmed" "$dir/waned.log" || fail "the guard did not confirm it"
    wait_until 60 went_on "$before" || fail "the campaign does not go on"

    say "$1: the connection is broken off in a discharge"
    lost HUP port_gone "has broken off the connection"
    say "$1: the network goes silent in a discharge"
    lost USR1 silence "no answer from the serial server"

    say "$1: everything killed, safe-off through the server"
    wait_until 60 in_discharge || fail "no discharge"
    station=$(station_pid)
    kill -STOP "$station" "$daemon_pid"
    kill -9 "$station" "$daemon_pid"
    wait "$daemon_pid" 2>/dev/null || true
    daemon_pid=
    bench_is_on || fail "the output is off before safe-off: this test would show nothing"
    wane-station --config "$WANE_CONFIG" --safe-off >"$dir/out" 2>&1 || { cat "$dir/out"; fail "safe-off"; }
    grep -q "$address is off, and no current flows" "$dir/out" || fail "safe-off says $(cat "$dir/out")"
    bench_is_off || fail "the output stays on"
    stop_all
}

story raw
story rfc2217

say "rfc2217: an instrument that hangs: the guard drops the interlock through the connection"
make_site 3 0
sed -i "s|on_restart = \"[a-z]*\";|& interlock = \"dtr\";|" "$WANE_CONFIG"
start_bench --pace 200
start_relay rfc2217
sed -i "s|port    = \"virtual-bench\"|port    = \"$address\"|" "$WANE_CONFIG"
start_daemon
begin_campaign
wait_until 60 output_is charge || fail "no charge"
grep -q ' 5=8' "$dir/relay.log" || fail "DTR was never up"
kill -STOP "$bench_pid"
: >"$dir/relay.log" # a new station is not let in before the guard has let go: what comes now is the guard's
kill -9 "$(station_pid)"
wait_until 20 grep -q "told off, not confirmed; interlock dropped" "$dir/waned.log" || fail "the guard drops no interlock"
wait_until 10 grep -q ' 5=9' "$dir/relay.log" || fail "the server was not told to drop DTR"
kill -CONT "$bench_pid"
stop_all

say "raw: a line of two MODBUS units behind it: RTU frames over TCP"
make_site 400 0
line=baud=115200,strict-gap
wane-virtual-bench --modbus-tester "$dir/site/run/virtual-bench,address=1,$line" --modbus-thermometer "+,address=11,$line" \
    --speed 60 --seed 7 --output-log "$dir/output.csv" >>"$dir/bench.log" 2>&1 &
bench_pid=$!
wait_until 20 test -e "$dir/site/run/virtual-bench" || fail "the virtual bench did not come up"
start_relay raw
sed -i -e 's|dialect = "virtual-bench"|dialect = "virtual-modbus"; unit = 1|' \
    -e "s|port    = \"virtual-bench\".*|port    = \"$address\"; thermometers = ( { dialect = \"virtual-modbus-thermometer\"; port = \"$address\"; unit = 11; measures = \"cell\"; } );|" \
    -e 's|gap_max          = "5 s"|gap_max          = "120 s"|' -e 's|resumes_per_hour = 3|resumes_per_hour = 100|' "$WANE_CONFIG"
wane identify "$address" --dialect virtual-modbus --unit 1 | grep -q "product 22338.*SIMULATED" || fail "wane identify"
wane try virtual-modbus-thermometer "$address" --unit 11 -n 1 >"$dir/out" || { cat "$dir/out"; fail "wane try"; }
start_daemon
begin_campaign
wait_until 60 bench_is_on || fail "nothing is switched on"
for who in wane-station wane-share; do
    wait_until 60 bench_is_on || fail "the campaign does not go on"
    at=$(now)
    kill -9 "$(pgrep -P "$daemon_pid" -x $who)"
    off_within_a_second "$at"
done
wait_until 60 bench_is_on || fail "the campaign does not go on"
stop_daemon
bench_is_off || fail "the output stays on after the service stopped"

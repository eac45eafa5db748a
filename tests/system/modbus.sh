#!/bin/sh
# A tester that speaks MODBUS RTU: tried exchange by exchange, driven through a campaign, killed under, switched off by the guard.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

port=$dir/site/run/modbus
dialects=$dir/site/conf/dialects
# bench_with SWITCHES...: the tester as it speaks MODBUS, with these switches.
bench_with() {
    switches=$1
    shift
    rm -f "$dir/output.csv" "$dir/truth.csv"
    start_bench --modbus-tester "$port$switches" "$@"
    wait_until 20 test -e "$port" || fail "the virtual bench did not come up"
}
stop_bench() {
    kill "$bench_pid"
    wait "$bench_pid" 2>/dev/null || true
    bench_pid=
}

make_site 2 0
sed -i -e 's|dialect = "virtual-bench"|dialect = "virtual-modbus"|' -e 's|port    = "virtual-bench"|port    = "modbus"|' \
    -e 's|resumes_per_hour = 3|resumes_per_hour = 100|' "$WANE_CONFIG"
grep -q '"virtual-modbus"' "$WANE_CONFIG" && grep -q '"modbus"' "$WANE_CONFIG" || fail "the configuration is another one"

say "tried: bytes, names and values; on only when asked for, and off by the guard's bytes alone"
bench_with ""
try_with "clock [0-9.]*, voltage [0-9.]*, current [-0-9.]*, cell [0-9.]*, ambient [0-9.]*, state 0" virtual-modbus "$port" -n 3
[ "$code" -eq 0 ] || fail "exit code $code"
grep -q '>> 01 01 00 00 00 01 FD CA' "$dir/out" || fail "no bytes are shown"
grep -q 'read (function 1, address 0): output' "$dir/out" || fail "no names are shown"
was_on && fail "the output was switched on"
try_with "set_current 0.5" virtual-modbus "$port" --switch-on --discharge --current-a 0.5 --voltage-v 3 --confirm on
[ "$code" -eq 0 ] || fail "exit code $code"
was_on || fail "it was not on"
bench_is_off || fail "it is still on"
wane try virtual-modbus "$port" -n 1 --json | grep -q '"means": "output 0"' || fail "no meaning in the JSON"
wane identify "$port" --dialect virtual-modbus | grep -q 'product 22338, map 1, serial_number 1 .*SIMULATED' || fail "identify"

say "another instrument, another unit, a register that is not there, a set-point that is not taken"
sed 's/product = 0x5742/product = 0x5743/' "$dialects/virtual-modbus.conf" >"$dialects/wrong.conf"
try_with "product is 22338, not 22339" wrong "$port"
[ "$code" -eq 1 ] || fail "exit code $code"
! grep -q 'write' "$dir/out" || fail "a stranger was written to"
sed 's/^unit  .*/unit = 2;/' "$dialects/virtual-modbus.conf" >"$dialects/wrong.conf"
try_with "no answer (unit 2, function 4, address 0 to 3).*the unit's address" wrong "$port"
sed 's/tripped  .*/tripped = { function = 4; address = 99; };/' "$dialects/virtual-modbus.conf" >"$dialects/wrong.conf"
try_with "illegal data address (02)" wrong "$port" --switch-on --current-a 1 --voltage-v 4.2 --confirm on
[ "$code" -eq 1 ] || fail "exit code $code"
bench_is_off || fail "it is on"
stop_bench
bench_with ",low-word-first"
sed 's/^unit  .*/unit = 1; word_order = "low first";/' "$dialects/virtual-modbus.conf" >"$dialects/wrong.conf"
try_with "serial_number 1$" wrong "$port" -n 1
[ "$code" -eq 0 ] || fail "exit code $code"
try_with "serial_number 65536$" virtual-modbus "$port" -n 1
stop_bench

say "a campaign of two cycles, on a line that damages replies: every capacity within 0.1 % of the truth"
bench_with ",strict-gap,baud=115200,flip=0.0001,insert=0.0001,lose=0.00002"
start_daemon
begin_campaign
wait_until 200 state_is finished || fail "campaign did not finish"
stop_daemon
grep -q 'bad or missing' "$dir/waned.log" || fail "no reply was damaged: this shows nothing"
[ "$(sql 'SELECT count(*) FROM cycle')" = 2 ] || fail "not two cycles"
[ "$(sql 'SELECT simulated FROM campaign')" = 1 ] || fail "not marked as simulated"
capacities_are_true 2
bench_is_off || fail "output is still on"
stop_bench

say "kill -9 of the station in a discharge: the guard writes off, and has it confirmed"
make_site 400 0
sed -i -e 's|dialect = "virtual-bench"|dialect = "virtual-modbus"|' -e 's|port    = "virtual-bench"|port    = "modbus"|' \
    -e 's|resumes_per_hour = 3|resumes_per_hour = 100|' "$WANE_CONFIG"
rm -f "$dir"/site/data/*
bench_with ",strict-gap,baud=115200" --speed 200
start_daemon
begin_campaign
wait_until 60 in_discharge || fail "no discharge"
before=$(field cycles_done)
: >"$dir/waned.log"
at=$(now)
kill -9 "$(station_pid)"
off_within_a_second "$at"
wait_until 10 grep -q 'output is off, confirmed by the instrument' "$dir/waned.log" || fail "the guard has it not confirmed"
wait_until 60 went_on "$before" || fail "campaign does not go on"

say "all killed at once: safe-off, as the service's unit runs it"
killed_in_discharge
wane-station --config "$WANE_CONFIG" --safe-off >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "safe-off"; }
grep -q 'modbus is off, and no current flows' "$dir/out" || { cat "$dir/out" >&2; fail "safe-off does not say so"; }
bench_is_off || fail "the output stays on"

#!/bin/sh
# wane try on the virtual bench: what is understood, what is not, and that nothing is switched on unless it is asked for and confirmed.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

port=$dir/site/run/virtual-bench
dialects=$dir/site/conf/dialects
never_on() { ! was_on; }

make_site 1 0
start_bench
say "identity, off, readings"
try_with "means  voltage [0-9.]* V  current [-0-9.]* A" virtual-bench "$port" -n 3
[ "$code" -eq 0 ] || fail "exit code $code"
[ "$(grep -c 'means' "$dir/out")" -eq 3 ] || fail "not three readings"
never_on || fail "the output was switched on"

say "another instrument is told, and nothing else is sent"
try_with "does not begin with 'MAKER,MODEL,'" generic-scpi "$port"
[ "$code" -eq 1 ] || fail "exit code $code"
! grep -q OUTP "$dir/out" || fail "a stranger was sent commands"

say "a wrong command is told with the standard's text"
sed 's/SOUR:FUNC CHAR"/SOUR:FUNKTION CHAR"/' "$dialects/virtual-bench.conf" >"$dialects/wrong.conf"
try_with "(Undefined header)" wrong "$port" --switch-on --current-a 1 --voltage-v 4.2 --confirm on
[ "$code" -eq 1 ] || fail "exit code $code"
never_on || fail "switched on although a command was refused"

say "not without confirmation"
try_with "not confirmed" virtual-bench "$port" --switch-on --current-a 1 --voltage-v 4.2
[ "$code" -eq 1 ] || fail "exit code $code"
try_with "not confirmed" virtual-bench "$port" --switch-on --current-a 1 --voltage-v 4.2 --confirm no
never_on || fail "switched on without confirmation"
try_with "needs --current-a and --voltage-v" virtual-bench "$port" --switch-on
[ "$code" -eq 2 ] || fail "exit code $code"

say "a thermometer, a relay and a load each as what they are"
run=$dir/site/run
wane-virtual-bench --load "$run/load" --relay "$run/relay" --thermometer "$run/cell" --output-log "$dir/others.csv" \
    >>"$dir/bench.log" 2>&1 &
others_pid=$!
wait_until 20 test -e "$run/cell" || fail "the other bench did not come up"
try_with "no current  temperature [0-9.]* degC" virtual-thermometer "$run/cell" -n 2
[ "$code" -eq 0 ] || fail "exit code $code"
! grep -q 'switch off' "$dir/out" || fail "a thermometer was to be switched off"
try_with "nothing to be switched" virtual-thermometer "$run/cell" --switch-on --confirm on
try_with "close the contact" virtual-relay "$run/relay" --switch-on --confirm on
[ "$code" -eq 0 ] || fail "exit code $code"
grep -q ',1,.*relay' "$dir/others.csv" && [ "$(tail -1 "$dir/others.csv" | cut -d, -f2)" = 0 ] || fail "the contact did not close and open"
try_with "has no {channel}" virtual-load "$run/load" --channel 2
[ "$code" -eq 1 ] || fail "exit code $code"
kill "$others_pid"

say "with it: on, and off again"
try_with "read with the output on" virtual-bench "$port" --switch-on --current-a 1 --voltage-v 4.2 --confirm on
[ "$code" -eq 0 ] || fail "exit code $code"
was_on || fail "it was not on"
bench_is_off || fail "it is still on"
wane try virtual-bench "$port" -n 1 --json >"$dir/out" || fail "JSON"
grep -q '"direction": "received"' "$dir/out" || fail "no exchanges in the JSON"

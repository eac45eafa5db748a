#!/bin/sh
# A station whose instruments all speak MODBUS RTU: supply, load, relay and thermometers: each tried, then a campaign, the station
# killed under it.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

run=$dir/site/run
make_site 2 0
sed -i -e '/^ *dialect = "virtual-bench";/d' \
    -e 's|^ *port    = "virtual-bench";.*|        supply = { dialect = "virtual-modbus-supply"; port = "supply"; };\
        load   = { dialect = "virtual-modbus-load"; port = "load"; };\
        relay  = { dialect = "virtual-modbus-relay"; port = "relay"; };\
        thermometers = ( { dialect = "virtual-modbus-thermometer"; port = "cell"; measures = "cell"; },\
                         { dialect = "virtual-modbus-thermometer"; port = "air"; measures = "ambient"; } );|' "$WANE_CONFIG"
sed -i -e 's/duration = "1 h"/duration = "5 min"/' "$dir/site/conf/procedures/short.conf"
# A busy computer is late, and the bench's clock runs 200 times as fast as ours.
sed -i -e 's|gap_max          = "5 s"|gap_max          = "120 s"|' "$WANE_CONFIG"

# bench SPEED
bench() {
    line=strict-gap,baud=115200
    wane-virtual-bench --modbus-supply "$run/supply,name=supply,$line" --modbus-load "$run/load,name=load,$line" \
        --modbus-relay "$run/relay,name=relay,$line" --modbus-thermometer "$run/cell,place=cell,$line" \
        --modbus-thermometer "$run/air,place=ambient,$line" \
        --speed "$1" --truth "$dir/truth.csv" --output-log "$dir/output.csv" --seed 7 >>"$dir/bench.log" 2>&1 &
    bench_pid=$!
    wait_until 20 test -e "$run/air" || fail "the virtual bench did not come up"
}
# is WHO ON: by the bench's own word.
is() { [ "$(awk -F, -v who="$1" '$4 == who { on = $2 } END { print on + 0 }' "$dir/output.csv")" = "$2" ]; }
# was WHO: it was on.
was() { awk -F, -v who="$1" '$4 == who && $2 == 1 { on = 1 } END { exit !on }' "$dir/output.csv"; }

say "each kind is tried: bits of a register by reading it first, a contact by its own discrete input"
bench 1
try_with "temperature_c [0-9.]*\|temperature [0-9.]* degC" virtual-modbus-thermometer "$run/cell" -n 1
[ "$code" -eq 0 ] || fail "exit code $code"
try_with "read (function 2, address 0): contact" virtual-modbus-relay "$run/relay" -n 1 --switch-on --confirm on
[ "$code" -eq 0 ] || fail "exit code $code"
was relay && is relay 0 || fail "the relay was not closed and opened"
grep -q '>> 01 0F 00 00 00 01 01 01' "$dir/out" || fail "the coil is not written by function 15"
try_with "set_current 0.5, set_voltage 4" virtual-modbus-supply "$run/supply" -n 1 --switch-on --current-a 0.5 --voltage-v 4 --confirm on
[ "$code" -eq 0 ] || fail "exit code $code"
was supply && is supply 0 || fail "the supply was not switched on and off"
# without the relay there is no voltage: it stops at once, which must show
try_with "run was set to 1, but reads 0" virtual-modbus-load "$run/load" -n 1 --switch-on --discharge --current-a 0.5 --voltage-v 3 \
    --confirm on
grep -q '>> 01 03 00 00 00 01 84 0A' "$dir/out" || fail "the register was not read before its bit was written"
was load && is load 0 || fail "the load was not switched on and off"
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
rm -f "$dir/output.csv" "$dir/truth.csv" "$run/air"

bench 200
start_daemon
begin_campaign

say "kill -9 of the station with the load on: load off, relay open, and on it goes"
wait_until 60 is load 1 || fail "the load never came on"
at=$(now)
kill -9 "$(station_pid)"
wait_until 5 is load 0 || fail "the load stays on"
awk -F, -v a="$at" '$4 == "load" && $2 == 0 && $1 >= a && !seen { seen = 1; at = $1 }
    END { printf "   off %.1f ms after\n", (at - a) * 1e3; exit !(seen && at - a < 1) }' "$dir/output.csv" || fail "off too late"
wait_until 5 awk -F, -v a="$at" '$4 == "relay" && $2 == 0 && $1 >= a { seen = 1 } END { exit !seen }' "$dir/output.csv" ||
    fail "the relay stays closed"
wait_until 10 grep -q 'output is off, confirmed by the instrument' "$dir/waned.log" || fail "the guard has it not confirmed"
wait_until 120 state_is finished || fail "campaign did not finish"
is load 0 && is supply 0 || fail "something is on"

say "two cycles; the one that was not interrupted within 3 % of the truth: here the discharge ends a turn of the loop late"
[ "$(sql 'SELECT count(*) FROM cycle')" = 2 ] || fail "not two cycles"
[ "$(sql 'SELECT simulated FROM campaign')" = 1 ] || fail "not marked as simulated"
true_ah=$(awk -F, 'NR == 1 { for (i = 1; i <= NF; i++) t[$i] = i; next } { last = $t["capacity_true_ah"] } END { print last }' \
    "$dir/truth.csv")
got_ah=$(sql 'SELECT capacity_ah FROM cycle WHERE cycle = 2')
awk -v a="$got_ah" -v b="$true_ah" 'BEGIN { off = (a - b) / b
    printf "   %.4f Ah, true %.4f Ah\n", a, b; exit !(off < 0.03 && off > -0.03) }' || fail "wrong capacity"

say "supply and load were never on together, and nothing was on with the relay open"
awk -F, 'NR > 1 && $4 ~ /BOTH/ { both++ } $4 ~ /^(supply|load|relay)$/ { on[$4] = $2 }
    $4 ~ /^(supply|load)$/ && $2 == 1 { n++; if (on["supply"] + on["load"] > 1 || !on["relay"]) bad++ }
    END { print "   " n " times on"; exit both > 0 || bad > 0 || n < 4 }' "$dir/output.csv" || fail "order of switching"

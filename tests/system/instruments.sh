#!/bin/sh
# A station of several instruments: a supply and a load that are never on together, a relay that closes last and opens
# with the service, thermometers of the cell and of the surroundings.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

make_site 2 0
sed -i -e '/^ *dialect = "virtual-bench";/d' \
    -e 's|^ *port    = "virtual-bench";.*|        supply = { dialect = "virtual-supply"; port = "supply"; };\
        load   = { dialect = "virtual-load"; port = "load";\
                   accuracy = { voltage_reading = "200 ppm"; voltage_fixed = "0.5 mV"; current_reading = "400 ppm"; current_fixed = "1 mA"; }; };\
        relay  = { dialect = "virtual-relay"; port = "relay"; };\
        thermometers = ( { dialect = "virtual-thermometer"; port = "cell"; measures = "cell";\
                           accuracy = { temperature = "0.3 K"; }; },\
                         { dialect = "virtual-thermometer"; port = "air"; measures = "ambient"; } );|' "$WANE_CONFIG"
sed -i -e 's/duration = "1 h"/duration = "5 min"/' "$dir/site/conf/procedures/short.conf"
# The bench's clock runs 200 times as fast as ours: a process that is 50 ms late is 10 s late there, and that is no gap here.
sed -i -e 's/gap_max .*/gap_max = "2 min";/' "$WANE_CONFIG"

several() {
    run=$dir/site/run
    wane-virtual-bench --supply "$run/supply" --load "$run/load" --relay "$run/relay" \
        --thermometer "$run/cell,name=cell,place=cell,unplug@12000" --thermometer "$run/air,name=air,place=ambient" \
        --speed 200 --truth "$dir/truth.csv" --output-log "$dir/output.csv" --seed 7 >>"$dir/bench.log" 2>&1 &
    bench_pid=$!
    wait_until 20 test -e "$run/air" || fail "the virtual bench did not come up"
}
# is WHO ON: by the bench's own word.
is() { [ "$(awk -F, -v who="$1" '$4 == who { on = $2 } END { print on }' "$dir/output.csv")" = "$2" ]; }
everything_is_off() { is supply 0 && is load 0 && is relay 0; }
status_says() { wane status A --json | tr -d '\n ' | grep -q "$1"; }

several
start_daemon
begin_campaign

say "kill -9 of the station with the load on: load off, relay open, and on it goes"
wait_until 60 is load 1 || fail "the load never came on"
kill -9 "$(station_pid)"
wait_until 5 grep -q ',0,.*,relay' "$dir/output.csv" || fail "the relay stays closed"
wait_until 2 is load 0 || fail "the load stays on"
wait_until 120 state_is finished || fail "campaign did not finish"
everything_is_off || is relay 1 || fail "something is on"


say "two cycles; the one that was not interrupted within 1 % of the truth"
[ "$(sql 'SELECT count(*) FROM cycle')" = 2 ] || fail "not two cycles"
true_ah=$(awk -F, 'NR == 1 { for (i = 1; i <= NF; i++) t[$i] = i; next } { last = $t["capacity_true_ah"] } END { print last }' \
    "$dir/truth.csv")
got_ah=$(sql 'SELECT capacity_ah FROM cycle WHERE cycle = 2')
awk -v a="$got_ah" -v b="$true_ah" 'BEGIN { off = (a - b) / b
    printf "   %.4f Ah, true %.4f Ah\n", a, b; exit !(off < 0.01 && off > -0.01) }' || fail "wrong capacity"
[ "$(sql 'SELECT count(*) FROM instrument')" -ge 5 ] || fail "not every instrument is recorded"

say "the report tells each instrument by its own data sheet; the station corrects the intake record, with a trace"
json_of() { tr -d '\n ' <"$dir/report.json"; }
wane report short --json >"$dir/report.json" 2>/dev/null || fail "no report"
for part in '"role":"load","identity":"[^"]*","dialect":"virtual-load","accuracy":{"voltage_of_reading":0.0002,"voltage_fixed_v":0.0005' \
    '"role":"relay",[^{]*{"voltage_of_reading":null' '"role":"cellthermometer",[^{]*{"voltage_of_reading":null[^}]*"temperature_k":0.3'; do
    json_of | grep -q "$part" || fail "the report does not tell $part"
done
wane intake short --mass-g 46.9 >"$dir/intake.out" 2>&1 || fail "$(cat "$dir/intake.out")"
[ "$(sql "SELECT mass_g FROM cell")" = 46.9 ] || fail "the mass is not recorded"
sql "SELECT text FROM event WHERE kind = 'intake'" | grep -q '^mass_g is 46.9, was .*, by .*(uid ' || fail "no trace of it"
wane intake short --mass-g 0.001 >"$dir/intake.out" 2>&1 && fail "takes any mass"
grep -q 'mass_g is 0.001: it must be from 0.1 to 10000' "$dir/intake.out" || fail "$(cat "$dir/intake.out")"
wane verify short >"$dir/verify.out" 2>&1 || fail "$(cat "$dir/verify.out")"

say "supply and load were never on together, and nothing was on with the relay open"
awk -F, 'NR > 1 && $4 ~ /BOTH/ { both++ } $4 ~ /^(supply|load|relay)$/ { on[$4] = $2 }
    $4 ~ /^(supply|load)$/ && $2 == 1 { n++; if (on["supply"] + on["load"] > 1 || !on["relay"]) bad++ }
    END { print "   " n " times on"; exit both > 0 || bad > 0 || n < 4 }' "$dir/output.csv" || fail "order of switching"

say "the cell's thermometer is unplugged: halted, and the station says which instrument"
wane start A --cell demo-18650 --procedure short --name again >"$dir/start.out" 2>&1 || fail "$(cat "$dir/start.out")"
wait_until 60 state_is halted || fail "goes on without a temperature"
everything_is_off || is load 0 && is supply 0 || fail "something is on"
status_says '"name":"cellthermometer",[^}]*"ready":false' || fail "does not say that the thermometer is lost"

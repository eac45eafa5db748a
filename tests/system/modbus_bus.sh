#!/bin/sh
# Two stations on one line: a MODBUS tester with two outputs, a relay and a thermometer for each of the two cells. Each runs its
# campaign; whatever dies, what it had on goes off, frame by frame over the one line, and the rest goes on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# of STATION NAME: from its status.
of() {
    wane status "$1" --json 2>/dev/null | tr -d '\n' | sed -n 's/.*"'"$2"'": *\("[^"]*"\|[^,}]*\).*/\1/p' | tr -d '"'
}
is() { [ "$(of "$1" "$2")" = "$3" ]; }
at_least() { [ "$(of "$1" cycles_done)" -ge "$2" ]; }
ready_both() { is A instrument_ready true && is B instrument_ready true; }
# closed WHO ON: by the bench's own word.
closed() { [ "$(awk -F, -v who="$1" '$4 == who { on = $2 } END { print on + 0 }' "$dir/output.csv")" = "$2" ]; }
on_both() { closed tester:1 1 && closed tester:2 1; }
all_off() { closed tester:1 0 && closed tester:2 0 && closed relayA 0 && closed relayB 0; }
# off_in_time WHO SINCE: that it went off within a second, from the bench's log.
off_in_time() {
    wait_until 5 closed "$1" 0 || fail "$1 stays on"
    awk -F, -v who="$1" -v a="$2" '$4 == who && $2 == 0 && $1 >= a && !seen { seen = 1; at = $1 }
        END { printf "   %s off %.1f ms after\n", who, (at - a) * 1e3; exit !(seen && at - a < 1) }' "$dir/output.csv" ||
        fail "$1 went off too late"
}
# switched WHO: how often that went off so far.
switched() { awk -F, -v who="$1" '$4 == who && $2 == 0 { n++ } END { print n + 0 }' "$dir/output.csv"; }
share_pid() { pgrep -P "$daemon_pid" -f "^wane-share"; }
station() { pgrep -P "$daemon_pid" -f "^wane-station.*--station $1$"; }

# Two stations out of the one of the demonstration.
make_two() {
    awk '
        function of(text, name, channel, warm, relay,    t) {
            t = text
            sub(/"A"/, "\"" name "\"", t)
            sub(/dialect = "virtual-bench";/, "dialect = \"virtual-modbus-outputs\"; unit = 1; channel = " channel ";", t)
            sub(/port    = "virtual-bench";[^\n]*\n/, "port    = \"bus\";\n", t)
            sub(/        sense = /, "        relay = { dialect = \"virtual-modbus-relay\"; port = \"bus\"; unit = " relay "; };\n" \
                "        thermometers = ( { dialect = \"virtual-modbus-thermometer\"; port = \"bus\"; unit = " warm \
                "; measures = \"cell\"; } );\n        sense = ", t)
            return t
        }
        /^    \{/ && !inside { inside = 1 }
        inside { block = block $0 "\n"; if ($0 ~ /^    \}/) { inside = 0
            a = of(block, "A", 1, 11, 21); b = of(block, "B", 2, 12, 22)
            sub(/\n$/, ",\n", a); printf "%s%s", a, b }
            next }
        { print }' "$WANE_CONFIG" >"$WANE_CONFIG.new"
    mv "$WANE_CONFIG.new" "$WANE_CONFIG"
    sed -i -e 's|gap_max          = "5 s"|gap_max          = "120 s"|' -e 's|resumes_per_hour = 3|resumes_per_hour = 100|' "$WANE_CONFIG"
}

make_site 400 0
make_two
sed -i -e 's/duration = "1 h"/duration = "5 min"/' "$dir/site/conf/procedures/short.conf"
run=$dir/site/run
waned --config "$WANE_CONFIG" --check >"$dir/out" 2>&1 || { cat "$dir/out"; fail "the configuration is refused"; }
line=baud=115200,strict-gap
wane-virtual-bench --modbus-tester "$run/bus,outputs=2,address=1,$line" \
    --modbus-thermometer "+,address=11,cell=1,$line" --modbus-thermometer "+,address=12,cell=2,$line" \
    --modbus-relay "+,address=21,cell=1,name=relayA,$line" --modbus-relay "+,address=22,cell=2,name=relayB,$line" \
    --cells 2 --speed 120 --soc 0.8 --seed 7 --output-log "$dir/output.csv" >>"$dir/bench.log" 2>&1 &
bench_pid=$!
wait_until 20 test -e "$run/bus" || fail "the virtual bench did not come up"

say "each is tried by its unit"
try_with "product 22356" virtual-modbus-thermometer "$run/bus" --unit 12 -n 1
[ "$code" -eq 0 ] || fail "exit code $code"
try_with "no answer (unit 99" virtual-modbus-thermometer "$run/bus" --unit 99 -n 1
wane identify "$run/bus" --dialect virtual-modbus-relay --unit 22 | grep -q "product 22354, map 1.*SIMULATED" || fail "identify"

start_daemon
wait_until 20 ready_both || fail "not both stations are ready"
[ "$(share_pid | wc -l)" = 1 ] || fail "not one process has the port"
for s in A B; do
    wane start $s --cell demo-18650 --procedure short --name "on$s" >"$dir/start.out" 2>&1 ||
        { cat "$dir/start.out" >&2; fail "wane start $s"; }
done

say "both run, each at its own output, behind its own relay"
wait_until 60 on_both || fail "not both outputs are on"
closed relayA 1 && closed relayB 1 || fail "a relay is open"
wait_until 120 at_least A 1 || fail "A does not finish a cycle"
wait_until 60 at_least B 1 || fail "B does not finish a cycle"
for s in A B; do
    warm=$(sqlite3 -readonly "$dir/site/data/on$s.wane" 'SELECT max(temperature_c) - min(temperature_c) FROM reading')
    awk -v w="$warm" 'BEGIN { exit !(w > 5) }' || fail "$s does not see its cell getting warm: $warm K"
done

say "kill -9 of station A: its output goes off, its relay opens, B is not disturbed"
wait_until 60 on_both || fail "not both outputs are on"
b_off=$(switched tester:2) b_open=$(switched relayB) other=$(station B)
at=$(now)
kill -9 "$(station A)"
off_in_time tester:1 "$at"
off_in_time relayA "$at"
[ "$(switched tester:2)" = "$b_off" ] && [ "$(switched relayB)" = "$b_open" ] || fail "something of B was switched"
[ "$(station B)" = "$other" ] || fail "station B was started again"
wait_until 60 on_both || fail "A does not go on"

say "kill -9 of the share: all goes off, and both stations go on"
share=$(share_pid)
at=$(now)
kill -9 "$share"
for who in tester:1 tester:2 relayA relayB; do off_in_time $who "$at"; done
wait_until 60 on_both || fail "not both go on"
[ "$(share_pid)" != "$share" ] || fail "the share was not replaced"

say "kill -9 of everything but the guard: it has the port itself"
: >"$dir/waned.log"
at=$(now)
kill -9 "$(share_pid)" "$(station A)" "$(station B)"
for who in tester:1 tester:2 relayA relayB; do off_in_time $who "$at"; done
wait_until 20 grep -q "unit 22: output is off, confirmed by the instrument" "$dir/waned.log" || fail "not all are confirmed"
wait_until 60 on_both || fail "not both go on"

say "kill -9 of all: safe-off switches each off over the one line"
share=$(share_pid) a=$(station A) b=$(station B)
kill -STOP "$share" "$a" "$b" "$daemon_pid"
kill -9 "$share" "$a" "$b" "$daemon_pid"
wait "$daemon_pid" 2>/dev/null || true
daemon_pid=
wait_until 10 sh -c "! kill -0 $share && ! kill -0 $a && ! kill -0 $b" || fail "something lives on"
on_both || fail "an output is off before safe-off: this test would show nothing"
wane-station --config "$WANE_CONFIG" --safe-off >"$dir/out" 2>&1 || { cat "$dir/out"; fail "safe-off fails"; }
for where in "unit 1 channel 1" "unit 1 channel 2" "unit 21" "unit 22"; do
    grep -q "$where: output is off" "$dir/out" || { cat "$dir/out"; fail "$where is not told off"; }
done
all_off || fail "something stays on"

say "nothing is lost or doubled"
start_daemon
wait_until 90 on_both || fail "not both go on after a new start"
stop_daemon
all_off || fail "something stays on after the service stopped"
for s in A B; do
    n=$(sqlite3 -readonly "$dir/site/data/on$s.wane" 'SELECT count(*) - max(cycle) FROM cycle')
    [ "$n" = 0 ] || fail "cycles of $s are missing or doubled"
done

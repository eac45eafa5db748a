#!/bin/sh
# One instrument with two outputs serves two stations: each runs its campaign; one that dies leaves the other running;
# when the process that has the port dies or hangs, both outputs go off, and both go on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# of STATION NAME: from its status.
of() {
    wane status "$1" --json 2>/dev/null | tr -d '\n' | sed -n 's/.*"'"$2"'": *\("[^"]*"\|[^,}]*\).*/\1/p' | tr -d '"'
}
is() { [ "$(of "$1" "$2")" = "$3" ]; }
both_are() { is A "$1" "$2" && is B "$1" "$2"; }
at_least() { [ "$(of "$1" cycles_done)" -ge "$2" ]; }
# output N ON: by the bench's own word.
output() { [ "$(awk -F, -v who="tester:$1" '$4 == who { on = $2 } END { print on + 0 }' "$dir/output.csv")" = "$2" ]; }
on_both() { output 1 1 && output 2 1; }
off_both() { output 1 0 && output 2 0; }
pid_of() { pgrep -P "$daemon_pid" -f "$1"; }
share_pid() { pid_of "^wane-share"; }
station() { pid_of "^wane-station.*--station $1$"; }
# off_in_time N SINCE: that output went off within a second, from the bench's log.
off_in_time() {
    wait_until 5 output "$1" 0 || fail "output $1 stays on"
    awk -F, -v who="tester:$1" -v a="$2" '$4 == who && $2 == 0 && $1 >= a && !seen { seen = 1; at = $1 }
        END { printf "   output %s off %.1f ms after\n", who, (at - a) * 1e3; exit !(seen && at - a < 1) }' \
        "$dir/output.csv" || fail "output $1 went off too late"
}
# switched N: how often that output went off so far.
switched() { awk -F, -v who="tester:$1" '$4 == who && $2 == 0 { n++ } END { print n + 0 }' "$dir/output.csv"; }

# Two stations out of the one of the demonstration.
make_two() {
    awk -v q='"' '
        /^    \{/ && !inside { inside = 1 }
        inside { block = block $0 "\n"; if ($0 ~ /^    \}/) { inside = 0
            a = block; sub(/dialect = "virtual-bench";/, "dialect = \"virtual-outputs\"; channel = 1;", a)
            b = a; sub(/channel = 1;/, "channel = 2;", b); sub(/"A"/, "\"B\"", b)
            sub(/\n$/, ",\n", a); printf "%s%s", a, b }
            next }
        { print }' "$WANE_CONFIG" >"$WANE_CONFIG.new"
    mv "$WANE_CONFIG.new" "$WANE_CONFIG"
    sed -i -e 's|gap_max          = "5 s"|gap_max          = "120 s"|' \
        -e 's|resumes_per_hour = 3|resumes_per_hour = 100|' "$WANE_CONFIG"
}
begin_both() {
    for s in A B; do
        wane start $s --cell demo-18650 --procedure short --name "on$s" >"$dir/start.out" 2>&1 ||
            { cat "$dir/start.out" >&2; fail "wane start $s"; }
    done
}
ready_both() { both_are instrument_ready true; }

make_site 400 0
make_two
run=$dir/site/run
start_outputs() {
    wane-virtual-bench --tester "$run/virtual-bench,outputs=2" --cells 2 --speed 250 --seed 7 \
        --output-log "$dir/output.csv" >>"$dir/bench.log" 2>&1 &
    bench_pid=$!
    wait_until 20 test -e "$run/virtual-bench" || fail "the virtual bench did not come up"
}
start_outputs
start_daemon
wait_until 20 ready_both || fail "not both stations are ready"
[ "$(share_pid | wc -l)" = 1 ] || fail "not one process has the port"
begin_both

say "both run, each at its own output"
wait_until 60 on_both || fail "not both outputs are on"
wait_until 120 at_least A 1 || fail "A does not finish a cycle"
wait_until 60 at_least B 1 || fail "B does not finish a cycle"

say "kill -9 of station A: its output goes off, B is not disturbed"
wait_until 60 on_both || fail "not both outputs are on"
b_off=$(switched 2)
other=$(station B)
at=$(now)
kill -9 "$(station A)"
off_in_time 1 "$at"
[ "$(switched 2)" = "$b_off" ] || fail "the output of B was switched"
[ "$(station B)" = "$other" ] || fail "station B was started again"
is B state running || fail "B does not run"
wait_until 60 on_both || fail "A does not go on"
is B state running || fail "B does not run any more"

say "kill -9 of the share: both outputs go off, and both stations go on"
share=$(share_pid)
at=$(now)
kill -9 "$share"
off_in_time 1 "$at"
off_in_time 2 "$at"
wait_until 60 on_both || fail "not both go on"
[ "$(share_pid)" != "$share" ] || fail "the share was not replaced"

say "SIGSTOP of the share: the guard does not wait for it"
share=$(share_pid)
kill -STOP "$share"
wait_until 10 off_both || fail "an output stays on under a stopped share"
wait_until 90 on_both || fail "not both go on"

say "kill -9 of everything but the guard: it has the port itself"
at=$(now)
kill -9 "$(share_pid)" "$(station A)" "$(station B)"
off_in_time 1 "$at"
off_in_time 2 "$at"
wait_until 60 on_both || fail "not both go on"

say "kill -9 of the guard: the stations switch off through the share, then all end"
share=$(share_pid) a=$(station A) b=$(station B)
at=$(now)
kill -9 "$daemon_pid"
off_in_time 1 "$at"
off_in_time 2 "$at"
wait "$daemon_pid" 2>/dev/null || true
wait_until 15 sh -c "! kill -0 $share && ! kill -0 $a && ! kill -0 $b" || fail "something lives on without a guard"

say "kill -9 of all: safe-off switches each output off over the one port"
start_daemon
wait_until 90 on_both || fail "not both go on after a new start"
share=$(share_pid) a=$(station A) b=$(station B)
kill -STOP "$share" "$a" "$b"
kill -STOP "$daemon_pid"
kill -9 "$share" "$a" "$b" "$daemon_pid"
wait "$daemon_pid" 2>/dev/null || true
daemon_pid=
wait_until 10 sh -c "! kill -0 $share && ! kill -0 $a && ! kill -0 $b" || fail "something lives on"
on_both || fail "an output is off before safe-off: this test would show nothing"
wane-station --config "$WANE_CONFIG" --safe-off >"$dir/out" 2>&1 || { cat "$dir/out"; fail "safe-off fails"; }
sed 's/^/   /' "$dir/out"
grep -q "channel 1: output is off" "$dir/out" && grep -q "channel 2: output is off" "$dir/out" || fail "not both are told off"
off_both || fail "an output stays on"

say "an orderly stop"
start_daemon
wait_until 90 on_both || fail "not both go on"
wane identify "$run/virtual-bench" >"$dir/out" 2>&1 || fail "$(cat "$dir/out")"
grep -q "says station A" "$dir/out" || fail "the station is not asked who is there"
stop_daemon
off_both || fail "an output stays on after the service stopped"

say "the port itself goes away: both halt, and find their instrument when it is back"
start_daemon
wait_until 90 on_both || fail "not both go on"
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
alarm_is() { wane status "$1" | grep -q "ALARM port_gone"; }
wait_until 20 alarm_is A || fail "A does not halt"
wait_until 20 alarm_is B || fail "B does not halt"
start_outputs
wait_until 60 ready_both || fail "not both find the instrument"
alarm_is A && alarm_is B || fail "a halt was forgotten"
off_both || fail "an output came on by itself"
stop_daemon

say "nothing is lost or doubled"
for s in A B; do
    n=$(sqlite3 -readonly "$dir/site/data/on$s.wane" 'SELECT count(*) - max(cycle) FROM cycle')
    [ "$n" = 0 ] || fail "cycles of $s are missing or doubled"
done

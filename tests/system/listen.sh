#!/bin/sh
# A tester that runs its own program, heard through its three formats over a bad line: the recorded capacities are
# the true ones. Then a cell that gets too hot: the stop command ends it. A terminal has no modem lines.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

program="cycles=2,charge-a=4,taper-a=0.1,discharge-a=10,stop-v=2.5,rest-s=600,start-s=60"

# talker FORMAT DIALECT SWITCHES OPTIONS...
talker() {
    format=$1 dialect=$2 switches=$3
    shift 3
    rm -rf "$dir/site" "$dir/truth.csv" "$dir/waned.log"
    make_site 2 0
    sed -e 's/repeat = "claim"/repeat = 2/' "$src/conf/procedures/listen.conf" >"$dir/site/conf/procedures/short.conf"
    sed -i -e "s/dialect = .*/dialect = \"$dialect\";/" -e 's/above_ambient .*/above_ambient = "off";/' \
        -e 's/below_ambient .*/below_ambient = "off";/' "$WANE_CONFIG"
    wane-virtual-bench --talker "$dir/site/run/virtual-bench,format=$format,$program$switches" --truth "$dir/truth.csv" \
        --seed 7 "$@" >>"$dir/bench.log" 2>&1 &
    bench_pid=$!
    wait_until 20 test -e "$dir/site/run/virtual-bench" || fail "the virtual bench did not come up"
    start_daemon
}

end_all() {
    stop_daemon
    kill "$bench_pid"
    wait "$bench_pid" 2>/dev/null || true
    bench_pid=
}

# capacities WITHIN: each within so much of the truth.
capacities() {
    wane export "$(campaign)" --what cycles --format csv -o "$dir/cycles.csv"
    awk -F, -v within="$1" '
        FNR == NR { if (FNR == 1) { for (i = 1; i <= NF; i++) t[$i] = i; next }
                    if ($t["current_a"] > 9.9) truth[++n] = $t["capacity_true_ah"]; next }
        FNR == 1 { for (i = 1; i <= NF; i++) c[$i] = i; next }
        { m++; off = ($c["capacity_ah"] - truth[m]) / truth[m]; if (off < 0) off = -off
          if (off > worst) worst = off }
        END { printf "   worst difference %.4f %% of %d cycles\n", worst * 100, m; exit worst > within || m != 2 || n < 2 }
    ' "$dir/truth.csv" "$dir/cycles.csv"
}

safe_off() {
    rc=0
    wane-station --config "$WANE_CONFIG" --safe-off >"$dir/out" 2>&1 || rc=$?
    [ "$rc" = "$1" ] || { cat "$dir/out" >&2; fail "safe-off ends with $rc, not $1"; }
}

say "halting is told before it starts; delimited, a good line"
talker delimited virtual-talker ",stop=HALT" --speed 1200
wane check A --cell demo-18650 --procedure short >"$dir/check.out" 2>&1 || fail "wane check"
grep -q "Halting sends its stop command; there is no" "$dir/check.out" || fail "wane check does not tell what halting is"
begin_campaign
grep -q "Halting sends its stop command; there is no" "$dir/start.out" || fail "wane start does not tell what halting is"
wait_until 120 state_is finished || fail "delimited: not finished"
capacities 0.004 || fail "delimited: capacity is not the true one"
[ "$(sql 'SELECT simulated FROM campaign')" = 1 ] || fail "not marked as simulated"
[ "$(sql 'SELECT count(*) FROM cycle WHERE flags <> 0')" = 0 ] || fail "a cycle is flagged"
end_all

# A byte in 1600 flipped, lost or added: about one record in thirty.
for of in "fixed virtual-talker-columns" "binary virtual-talker-frames"; do
    # shellcheck disable=SC2086 # words
    set -- $of
    say "$1, over a bad line"
    talker "$1" "$2" ",stop=HALT,flip=0.0002,lose=0.0002,insert=0.0002" --speed 1200
    begin_campaign
    wait_until 120 state_is finished || fail "$1: not finished"
    # 10 A for some seconds about a crossing that was not heard: a few mAh of 2500
    capacities 0.01 || fail "$1: capacity is not the true one"
    grep -q "bad or missing" "$dir/waned.log" || fail "$1: nobody was told of garbled records"
    end_all
done

say "too hot: the stop command ends it, and nothing goes on unacknowledged"
talker binary virtual-talker-frames ",stop=HALT" --speed 300 --fault "THERmometer:OFFSet 60@600"
begin_campaign
wait_until 60 state_is halted || fail "not halted"
wane events "$(campaign)" | grep -q "over_temperature" || fail "the alarm does not tell why"
wane resume A >/dev/null 2>&1 && fail "goes on without being acknowledged"
end_all

say "killed while the tester runs: the guard stops it"
talker binary virtual-talker-frames ",stop=HALT" --speed 60
begin_campaign
# More (or not more) than the 20 mA that count as off; false while nothing is read.
flows() { field current_a | awk 'NF && $1 != "null" { found = 1; bad = !($1 * $1 > 0.0004) } END { exit !found || bad }'; }
still() { field current_a | awk 'NF && $1 != "null" { found = 1; bad = $1 * $1 > 0.0004 } END { exit !found || bad }'; }
wait_until 30 flows || fail "no current"
kill -9 "$(station_pid)"
wait_until 30 grep -q "told off, not confirmed" "$dir/waned.log" || fail "the guard did nothing"
wait_until 30 ready || fail "the station does not come back"
wait_until 30 still || fail "the tester was not stopped"

say "station and guard killed at once: what is run behind them stops it"
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
stop_daemon
talker binary virtual-talker-frames ",stop=HALT" --speed 60
begin_campaign
wait_until 30 flows || fail "no current"
kill_everything
safe_off 0
grep -q "is off, and no current flows" "$dir/out" || fail "safe-off does not say that it is off"
start_daemon
wait_until 30 still || fail "the tester was not stopped"
end_all
safe_off 0 # nothing is left to be stopped
grep -q "no campaign let the program of its tester run" "$dir/out" || fail "safe-off does not say what it leaves alone"

say "nothing stops it: refused, unless somebody says so"
talker binary virtual-talker-frames "" --speed 60
sed -i '/^stop = /d' "$dir/site/conf/dialects/virtual-talker-frames.conf"
stop_daemon
start_daemon
wane start A --cell demo-18650 --procedure short >"$dir/start.out" 2>&1 && fail "started although nothing stops it"
grep -q "nothing on station A stops the tester" "$dir/start.out" || fail "does not say why"
wane start A --cell demo-18650 --procedure short --nothing-stops-it >"$dir/start.out" 2>&1 || fail "not started"
wait_until 20 state_is running || fail "not running"
wane pause A >"$dir/pause.out" 2>&1 && fail "paused what nothing stops"
wane stop A >/dev/null 2>&1 || fail "wane stop"
state_is stopped || fail "not stopped"

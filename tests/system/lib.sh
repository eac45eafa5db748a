# Common parts of the system tests: a private bench, service and configuration; sourced.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh
#
# Every wait is for an event with a limit; no test depends on how long something takes unless that is what it tests.

set -eu
. "$(dirname "$0")/../support/wait.sh"
bin=${WANE_BIN_DIR:?}
src=${WANE_SOURCE_DIR:?}
PATH=$bin:$PATH
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-system.XXXXXX")
bench_pid=""
daemon_pid=""

say() { echo "-- $*"; }

fail() {
    echo "FAILED: $*" >&2
    for log in "$dir"/*.log; do
        [ -e "$log" ] && { echo "== $log"; tail -25 "$log"; } >&2
    done
    exit 1
}

clean_up() {
    for pid in $daemon_pid $bench_pid; do
        kill -CONT "$pid" 2>/dev/null || true
        kill "$pid" 2>/dev/null || true
    done
    for pid in $daemon_pid $bench_pid; do
        wait "$pid" 2>/dev/null || true
    done
    if mountpoint -q "$dir/site/data" 2>/dev/null; then
        umount "$dir/site/data" || true
    fi
    rm -rf "$dir"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

# make_site CYCLES CHECK_UP_EVERY: configuration and a procedure "short" of so many claim cycles; 0: no check-ups.
make_site() {
    mkdir -p "$dir/site/data" "$dir/site/run"
    cp -R "$src/conf" "$dir/site/"
    WANE_CONFIG=$dir/site/conf/demo.conf
    export WANE_CONFIG
    sed -e 's/repeat = "claim"/repeat = '"$1"'/' -e 's/every = 50/every = '"$2"'/' \
        "$src/conf/procedures/datasheet-claim.conf" >"$dir/site/conf/procedures/short.conf"
    if [ "$2" -eq 0 ]; then # no check-ups at all
        sed -i '/^check_up = {/,$d' "$dir/site/conf/procedures/short.conf"
    fi
}

start_bench() {
    wane-virtual-bench --link "$dir/site/run/virtual-bench" --truth "$dir/truth.csv" --output-log "$dir/output.csv" \
        --seed 7 "$@" >>"$dir/bench.log" 2>&1 &
    bench_pid=$!
    wait_until 20 test -e "$dir/site/run/virtual-bench" || fail "the virtual bench did not come up"
}

start_daemon() {
    waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
    daemon_pid=$!
    wait_until 20 ready || fail "the service did not come up"
}

stop_daemon() {
    kill "$daemon_pid" 2>/dev/null || true
    wait "$daemon_pid" 2>/dev/null || true
    daemon_pid=
}

# field NAME: of the status of station A, as compact JSON.
field() {
    wane status A --json 2>/dev/null | tr -d '\n' | sed -n 's/.*"'"$1"'": *\("[^"]*"\|[^,}]*\).*/\1/p' | tr -d '"'
}
ready() { [ "$(field instrument_ready)" = true ]; }
state_is() { [ "$(field state)" = "$1" ]; }
output_is() { [ "$(field output)" = "$1" ]; }
cycles_done_at_least() { [ "$(field cycles_done)" -ge "$1" ]; }
station_pid() { pgrep -P "$daemon_pid" -x wane-station; }

# The bench's own word on its output: the last line of its log of transitions.
bench_output() { tail -1 "$dir/output.csv" | cut -d, -f2; }
bench_is_off() { [ "$(bench_output)" = 0 ]; }
bench_is_on() { [ "$(bench_output)" = 1 ]; }

begin_campaign() {
    wane start A --cell demo-18650 --procedure short --name short >"$dir/start.out" 2>&1 ||
        { cat "$dir/start.out" >&2; fail "wane start"; }
}
campaign() { echo "$dir/site/data/short.wane"; }
sql() { sqlite3 -readonly "$(campaign)" "$1"; }

in_discharge() { output_is discharge && bench_is_on; }
# went_on CYCLES: one more is over than before.
went_on() { cycles_done_at_least $(($1 + 1)); }
now() { awk '{ print $1 }' /proc/uptime; }
# off_within_a_second SINCE: by the bench's own clock of the host, from the log of its output.
off_within_a_second() {
    wait_until 5 bench_is_off || fail "output stays on"
    last=$(tail -1 "$dir/output.csv" | cut -d, -f1)
    awk -v a="$1" -v b="$last" 'BEGIN { printf "   off %.1f ms after\n", (b - a) * 1e3; exit !(b - a < 1) }' ||
        fail "output went off too late"
}
# Guard and station of A killed in the same moment; stopped first, so that neither sees the other die.
kill_everything() {
    station=$(station_pid)
    kill -STOP "$station"
    kill -STOP "$daemon_pid"
    kill -9 "$station" "$daemon_pid"
    wait "$daemon_pid" 2>/dev/null || true
    daemon_pid=
    wait_until 10 sh -c "! kill -0 $station" || fail "the station lives on"
}
killed_in_discharge() {
    wait_until 60 in_discharge || fail "no discharge"
    kill_everything
    bench_is_on || fail "the output is off before safe-off: this test would show nothing"
}

# try_with PATTERN ARGUMENTS...: tries, keeps what it says, wants the pattern in it; the exit code is in $code.
try_with() {
    pattern=$1
    shift
    code=0
    wane try "$@" >"$dir/out" 2>&1 </dev/null || code=$?
    grep -q -- "$pattern" "$dir/out" || { cat "$dir/out" >&2; fail "does not say: $pattern"; }
}
was_on() { cut -d, -f2 "$dir/output.csv" | grep -qx 1; }

# capacities_are_true N: those of N cycles within 0.1 % of what the cell really delivered at 10 A.
capacities_are_true() {
    wane export "$(campaign)" --what cycles --format csv -o "$dir/cycles.csv"
    awk -F, -v wanted="$1" '
        FNR == NR { if (FNR == 1) { for (i = 1; i <= NF; i++) t[$i] = i; next }
                    if ($t["current_a"] > 9.9) truth[++n] = $t["capacity_true_ah"]; next }
        FNR == 1 { for (i = 1; i <= NF; i++) c[$i] = i; next }
        { m++; got = $c["capacity_ah"]; off = (got - truth[m]) / truth[m]; if (off < 0) off = -off
          if (off > worst) worst = off
          if (off > 0.001) { printf "cycle %d: %s Ah, true %s Ah\n", m, got, truth[m]; bad = 1 } }
        END { printf "   worst difference %.4f %% of %d cycles\n", worst * 100, m
              exit bad || m != wanted || n != wanted }
    ' "$dir/truth.csv" "$dir/cycles.csv" || fail "recorded capacity is not the true one"
}

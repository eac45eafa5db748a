# Common parts of the system tests: a private bench, service and configuration; sourced.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh
#
# Every wait is for an event with a limit; no test depends on how long something takes unless that is what it tests.

set -eu
bin=${WANE_BIN_DIR:?}
src=${WANE_SOURCE_DIR:?}
PATH=$bin:$PATH
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-system.XXXXXX")
bench_pid= daemon_pid=

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

# wait_until SECONDS COMMAND...: false when the command still fails after so long.
wait_until() {
    limit=$(($(date +%s) + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$(date +%s)" -le "$limit" ] || return 1
        sleep 0.05
    done
}

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

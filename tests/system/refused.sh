#!/bin/sh
# Every mistake is told with its place and its remedy, and nothing is switched on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# expect WHAT TEXT COMMAND...: the command fails and says TEXT.
expect() {
    what=$1 text=$2
    shift 2
    if "$@" >"$dir/out" 2>&1; then
        fail "$what: was not refused"
    fi
    grep -q -- "$text" "$dir/out" || { cat "$dir/out" >&2; fail "$what: does not say '$text'"; }
    say "$what"
    sed 's/^/   /' "$dir/out" | head -3
}

make_site 2 0
conf=$WANE_CONFIG
good=$dir/good.conf
cp "$conf" "$good"

sed 's/voltage_max = "4.25 V"/voltage_max = "4.25 A"/' "$good" >"$conf"
expect "a wrong unit" "demo.conf:[0-9]*:.*voltage_max" waned --config "$conf" --check
sed 's/voltage_max = "4.25 V"/voltage_max = 4.25/' "$good" >"$conf"
expect "a bare number" "demo.conf:[0-9]*:.*voltage_max" waned --config "$conf" --check
sed 's/voltage_max = /voltage_maximum = /' "$good" >"$conf"
expect "an unknown key" "demo.conf:[0-9]*:.*voltage_maximum" waned --config "$conf" --check
expect "a missing file" "no-such.conf" waned --config "$dir/no-such.conf" --check
sed 's|^alerts = .*|alerts = { hook = "/no/such/hook"; };|' "$good" >"$conf"
say "a hook that cannot be run"
wane check A --cell demo-18650 --procedure short >"$dir/out" || fail "a plan is refused for its hook"
grep -q "The hook /no/such/hook cannot be run (No such file" "$dir/out" || fail "the hook is not told"
cp "$good" "$conf"
wane check A --cell demo-18650 --procedure short >"$dir/out"
grep -q "cannot be run" "$dir/out" && fail "a hook is told of that is not there"

say "a missing port, then a wrong instrument"
start_bench --identity "some other maker,load,1,1"
waned --config "$conf" >>"$dir/waned.log" 2>&1 &
daemon_pid=$!
wait_until 20 grep -q "identity\|wrong instrument\|begin" "$dir/waned.log" || fail "a wrong identity is not told"
grep -q "run/virtual-bench" "$dir/waned.log" || fail "the port is not named"
if wane start A --cell demo-18650 --procedure short >"$dir/out" 2>&1; then
    fail "a campaign was started on a wrong instrument"
fi
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
wait_until 40 grep -q "virtual-bench.*does not exist\|No such file" "$dir/waned.log" || fail "a missing port is not told"
start_bench
wait_until 60 ready || fail "the right instrument is not taken"
expect "an unknown cell" "no-such-cell" wane start A --cell no-such-cell --procedure short
expect "an unknown station" "B" wane status B
stop_daemon
expect "no service" "waned" wane start A --cell demo-18650 --procedure short

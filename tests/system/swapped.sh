#!/bin/sh
# Another tester of the same kind after a restart is not the one the campaign was begun with: nothing goes on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

make_site 20 0
start_bench --pace 2000
start_daemon
begin_campaign
wait_until 60 cycles_done_at_least 1 || fail "no cycle"
stop_daemon
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true

say "swapped: refused, with both identities"
start_bench --pace 2000 --serial 2
waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
daemon_pid=$!
refused() { grep -q "SIMULATED-2.*SIMULATED-1" "$dir/waned.log"; }
wait_until 20 refused || fail "another tester is not noticed"
bench_is_off || fail "output is on"
stop_daemon
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
bench_is_off || fail "output was switched on"

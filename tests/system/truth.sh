#!/bin/sh
# A whole campaign through the real processes: what is recorded is what the simulated cell really delivered.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

make_site 8 4
start_bench
start_daemon
begin_campaign
wait_until 120 state_is finished || fail "campaign did not finish"

say "eight cycles, three check-ups, nothing flagged"
[ "$(sql 'SELECT count(*) FROM cycle')" = 8 ] || fail "not eight cycles"
[ "$(sql 'SELECT count(*) FROM check_up')" = 3 ] || fail "not three check-ups"
[ "$(sql 'SELECT count(*) FROM cycle WHERE flags <> 0')" = 0 ] || fail "a cycle is flagged"

say "every capacity within 0.1 % of the truth"
capacities_are_true 8

say "marked as simulated"
[ "$(sql 'SELECT simulated FROM campaign')" = 1 ] || fail "not marked in the file"
wane cycles "$(campaign)" | grep -q SIMULATED || fail "not marked by wane cycles"
wane cycles "$(campaign)" --json | grep -q '"simulated": *true' || fail "not marked in JSON"
wane events "$(campaign)" | grep -q finished || fail "no event tells the end"
bench_is_off || fail "output is still on"

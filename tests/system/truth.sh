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

say "exported and imported again: eight cycles within 0.1 mAh, though only readings that changed are stored; simulated still"
cutoff=$(sql 'SELECT cutoff_v FROM cycle LIMIT 1')
wane export "$(campaign)" --what cycles | cut -d, -f1,2 >"$dir/want.csv"
for columns in wane bdf; do
    wane export "$(campaign)" --what readings --columns $columns -o "$dir/readings.csv"
    wane import "$dir/readings.csv" --charge-positive --cutoff-v "$cutoff" --end crossing -o "$dir/$columns.wane" 2>/dev/null |
        grep -q '^SIMULATED' || fail "imported as measured"
    wane export "$dir/$columns.wane" --what cycles | cut -d, -f1,2 >"$dir/got.csv"
    paste -d, "$dir/want.csv" "$dir/got.csv" | awk -F, 'NR > 1 { off = ($2 - $4) * 1000; off = off < 0 ? -off : off; worst = off > worst ? off : worst
        if ($1 != $3) bad = 1 } END { printf "   %d cycles, worst %.3f mAh\n", NR - 1, worst; exit bad || NR != 9 || worst > 0.1 }' ||
        fail "other cycles came back: $(cat "$dir/got.csv")"
done

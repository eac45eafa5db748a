#!/bin/sh
# What is published is what the files hold; publishing again changes nothing; what changed is noticed, on either side.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

campaign c1 A 0 600 2.5
campaign c2 B 0 60 2.6
campaign s1 A 1 60 2.7
database fleet

say "without tables nothing is sent; --prepare makes them, once"
publish fleet lab .
ends 1 'wane publish --prepare makes them'
publish fleet lab --prepare
ends 0
grep -q 'the tables are made, version 1' "$dir/out" || fail "prepare does not say what it did"
publish fleet lab --prepare
ends 0
grep -q 'of version 1 already' "$dir/out" || fail "prepare does not say that all was there"
database twice
for n in 1 2 3; do
    wane publish --connection "$(connection twice)" --prepare >"$dir/prepare.$n" 2>&1 &
    children="$children $!"
done
for pid in $children; do wait "$pid" || { cat "$dir"/prepare.*; fail "three --prepare at once"; }; done
children=
[ "$(sql twice 'SELECT count(*) FROM wane.schema_version')" = 1 ] || fail "the tables were made more than once"

say "a dry run tells, and changes nothing"
published fleet lab c1 s1 --dry-run --json
[ "$(json complete)" = true ] || fail "a dry run that is not complete"
grep -q '"rows_differing": 1815' "$dir/out" || fail "c1 has 600 cycles, 12 check-ups, 1201 events, itself and its cell"
[ "$(sql fleet 'SELECT count(*) FROM wane.campaign')" = 0 ] || fail "the dry run has written"

say "every value arrives as it is in the file"
published fleet lab c1 s1
grep -q '^c1 .* 1815  published' "$dir/out" || fail "not told how much was sent"
grep -q '^s1 .*SIMULATED' "$dir/out" || fail "simulated results are not labelled"
exact() { awk -F'|' '{ for (i = 1; i <= NF; i++) printf "%s ", $i ~ /^-?[0-9.e+-]+$/ ? sprintf("%.17g", $i) : "<" $i ">"; print "" }'; }
cycle_columns='cycle, capacity_ah, capacity_u_ah, energy_wh, charge_ah, coulombic_efficiency, mean_voltage_v, resistance_ohm,
    temperature_max_c, duration_s, start_ns, end_ns'
event_columns='number, time_ns, cycle, kind, text'
for file in c1 s1; do
    id=$(sql fleet "SELECT campaign_id FROM wane.campaign WHERE name = '$file'")
    sqlite3 "$file.wane" "SELECT printf('%d|%!.20g|%!.20g|%!.20g|', cycle, capacity_ah, capacity_u_ah, energy_wh) ||
        '|||' || iif(resistance_ohm IS NULL, '', printf('%!.20g', resistance_ohm)) || '||' || printf('%!.20g|%d|%d', duration_s, start_ns, end_ns) FROM cycle" |
        exact >"$dir/a"
    sql fleet "SELECT $cycle_columns FROM wane.cycle WHERE campaign_id = '$id' ORDER BY cycle" | exact >"$dir/b"
    [ -s "$dir/a" ] && diff "$dir/a" "$dir/b" >"$dir/out" || fail "cycles of $file"
    sqlite3 "$file.wane" "SELECT $event_columns FROM event" >"$dir/a"
    sql fleet "SELECT $event_columns FROM wane.event WHERE campaign_id = '$id' ORDER BY number" >"$dir/b"
    diff "$dir/a" "$dir/b" >"$dir/out" || fail "events of $file"
    sqlite3 "$file.wane" "SELECT strftime('%Y-%m-%d %H:%M:%S+00', end_utc_us / 1000000, 'unixepoch'), (flags & 63) = 0 FROM cycle" |
        sed 's/|0/|f/; s/|1/|t/' >"$dir/a"
    sql fleet "SET timezone = 'UTC'; SELECT end_utc, valid FROM wane.cycle WHERE campaign_id = '$id' ORDER BY cycle" >"$dir/b"
    diff "$dir/a" "$dir/b" >"$dir/out" || fail "times or validity of $file"
done
[ "$(sql fleet "SELECT marking || rated_capacity_ah FROM wane.cell JOIN wane.campaign USING (campaign_id) WHERE campaign.name = 'c1'")" = \
    'DX-18650 µ2.5' ] || fail "the cell"
for table in $tables; do
    [ "$(sql fleet "SELECT count(*) FROM wane.$table t JOIN wane.campaign m USING (campaign_id) WHERE t.simulated <> (m.name = 's1')")" = 0 ] ||
        fail "$table does not say what is simulated"
done

say "again: nothing changes"
before=$(sums fleet)
published fleet lab c1 s1 --json
[ "$(json rows_changed)" = 0 ] || fail "rows were changed"
[ "$(grep -c '"state": "up to date"' "$dir/out")" = 2 ] || fail "not told that all is up to date"
same "$before" "$(sums fleet)" "publishing twice changed something"

say "a campaign that goes on: what is new is sent, and nothing else; a file may be renamed"
add_cycles c1.wane 601 603
mv c1.wane renamed.wane
published fleet lab renamed.wane
grep -q '^c1 .* 4  published' "$dir/out" || fail "three cycles and the campaign's row have changed"
[ "$(sql fleet "SELECT count(*), max(cycle) FROM wane.cycle JOIN wane.campaign USING (campaign_id) WHERE name = 'c1'")" = '603|603' ] ||
    fail "not 603 cycles"
mv renamed.wane c1.wane

say "what changed is noticed: in the file, on the server, acknowledged, lost"
before=$(sums fleet no-times)
sqlite3 c1.wane "UPDATE cycle SET capacity_ah = capacity_ah - 1e-12 WHERE cycle = 300"
published fleet lab c1
grep -q '^c1 .* 1  published' "$dir/out" || fail "a changed row of the file"
sqlite3 c1.wane "UPDATE cycle SET capacity_ah = 2.5 * (1 - 0.0002 * 299) WHERE cycle = 300"
published fleet lab c1
same "$before" "$(sums fleet no-times)" "the same file, another server"
sql fleet "UPDATE wane.cycle SET capacity_ah = 9 WHERE cycle = 17"
sql fleet "UPDATE wane.event SET text = 'nothing happened' WHERE number = 99"
sql fleet "DELETE FROM wane.cycle WHERE cycle BETWEEN 20 AND 29"
sql fleet "UPDATE wane.cell SET marking = ''"
sql fleet "DELETE FROM wane.campaign WHERE name = 's1'"
published fleet lab c1 s1
same "$before" "$(sums fleet no-times)" "what was changed on the server by hand is not made good"
sqlite3 c1.wane "UPDATE event SET acknowledged_by = 'anna', acknowledged_utc_us = 1767225600000000 WHERE severity = 2 AND number < 800"
published fleet lab c1
[ "$(sql fleet "SELECT count(*) FROM wane.alarms WHERE NOT open AND acknowledged_by = 'anna'")" = 1 ] || fail "the acknowledgement"

say "an old copy is refused; --replace makes the server the same"
cp c1.wane new.wane
sqlite3 c1.wane "DELETE FROM cycle WHERE cycle > 500; DELETE FROM check_up WHERE after_cycle > 500"
before=$(sums fleet)
publish fleet lab c1
ends 1 'holds more of it than this file (500 cycles and 1201 events here, 603 and 1201 there)'
same "$before" "$(sums fleet)" "a refusal changed something"
sqlite3 c1.wane "DELETE FROM cycle WHERE cycle = 300" # a hole: in a block of which there is more
published fleet lab c1 --replace --json
[ "$(json rows_deleted)" = $((103 + 2 + 1)) ] || fail "not told what was deleted"
[ "$(sql fleet "SELECT count(*) FROM wane.cycle JOIN wane.campaign USING (campaign_id) WHERE name = 'c1'")" = 499 ] || fail "replace"
mv new.wane c1.wane
published fleet lab c1

say "another bench's campaign is refused; --take-over"
publish fleet lab-2 s1
ends 1 's1: bench lab has published it' '--take-over'
publish fleet lab-2 s1 --take-over
ends 0 'was bench lab.s until now'
[ "$(sql fleet "SELECT bench FROM wane.campaign WHERE name = 's1'")" = lab-2 ] || fail "not taken over"
[ "$(sql fleet "SELECT count(*) FROM wane.bench JOIN wane.campaign USING (campaign_id) WHERE name = 's1'")" = 2 ] || fail "who had it"
publish fleet lab s1
ends 1 'bench lab-2 has published it'

say "two benches at once, and twice the same"
database crowd
publish crowd lab --prepare
for job in 'lab c1' 'lab c1' 'lab-2 c2' 'lab-2 c2' 'lab-2 s1'; do
    wane publish --connection "$(connection crowd)" --bench "${job% *}" "${job#* }" >"$dir/crowd.$(echo "$job" | tr ' ' .)" 2>&1 &
    children="$children $!"
done
for pid in $children; do wait "$pid" || { cat "$dir"/crowd.*; fail "publishing at once"; }; done
children=
database quiet
publish quiet lab --prepare
published quiet lab c1
published quiet lab-2 c2
published quiet lab-2 s1
same "$(sums quiet no-times)" "$(sums crowd no-times)" "at once is not the same as one after the other"

say "what cannot be published is told and passed over"
mkdir mixed
cp c2.wane mixed/good.wane
printf 'no campaign' >mixed/bad.wane
cp seed.wane mixed/half.wane
sqlite3 mixed/half.wane "UPDATE campaign SET status = 'importing'"
publish fleet lab mixed
ends 1 'bad.wane' 'was not imported to its end'
grep -q '^c2 .* published' "$dir/out" || fail "the good one was not published"
[ "$(sql fleet "SELECT count(*) FROM wane.campaign WHERE imported")" = 0 ] || fail "half an import was published"
publish fleet lab none-such
ends 1 'none-such'
publish fleet lab c2 --config none.conf
ends 0

say "two benches with the same station and campaign, the clock of one at 1970: two campaigns, each with its own rows"
campaign twin A 0 20 2.5
mkdir other
cp twin.wane other/twin.wane
sqlite3 other/twin.wane "UPDATE campaign SET created_utc_us = 5000000; UPDATE cycle SET end_utc_us = 5000000 + cycle, capacity_ah = 2.25;
    DROP TRIGGER event_is_not_changed; UPDATE event SET utc_us = 9000000 - number"
published fleet lab twin
published fleet lab-2 other/twin.wane
[ "$(sql fleet "SELECT m.bench, count(*), max(c.capacity_ah), min(extract(year FROM c.end_utc)) FROM wane.cycle c
    JOIN wane.campaign m USING (campaign_id) WHERE m.name = 'twin' GROUP BY 1 ORDER BY 1" | tr '\n' ' ')" = \
    'lab|20|2.5|2026 lab-2|20|2.25|1970 ' ] || fail "the two are mixed up"
published fleet lab twin --json
[ "$(json rows_changed)" = 0 ] || fail "one changes the other"

say "the same log imported twice: told"
cp seed.wane again.wane
sqlite3 again.wane "UPDATE campaign SET created_utc_us = created_utc_us + 1"
published fleet lab seed
publish fleet lab again
ends 0 'the server holds 1 more of bench lab called seed'
exit 0

#!/bin/sh
# Garbled replies: told exactly, counted, once a minute at most, and shown by wane status; the campaign goes on, no wrong value is recorded.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

line="<4>station A: tester on $dir/site/run/virtual-bench: reply '.*' to MEAS:ALL? .*; [0-9]* of the last [0-9]* replies"
line="$line \\(was\\|were\\) bad or missing, [0-9]* since the last such line"
bad_lines() { grep -c "$line" "$dir/waned.log"; }
told() { [ "$(bad_lines)" -ge 1 ]; }
shown() { wane status A | grep -A2 "replies  *[0-9]* of the last [0-9]* bad or missing" | tr -d '\n' | grep -q "tester on.*reply"; }
counted() { [ "$(field recent_bad_replies)" -ge 1 ]; }
goes_on() { [ "$(field time_s | cut -d. -f1)" -ge "$1" ]; }

make_site 20 0
# one garbled reply after the other: each is asked again, which helps
set -- --pace 100
for n in 600 660 720 780 840 900 960 1020 1080 1140 1200 1260 1320 1380; do
    set -- "$@" --fault "GARBle 1@$n"
done
start_bench "$@"
start_daemon
begin_campaign

say "told with the station, the port, the reply, the query and how many"
wait_until 60 told || fail "nothing is told, or not so"
grep "$line" "$dir/waned.log" | sed "s|$dir/||"

say "in the status, as long as it is among the last hundred"
wait_until 10 counted || fail "not counted in the status"
wait_until 10 shown || fail "not shown by wane status: $(wane status A)"

say "at most once a minute, whatever comes"
wait_until 60 goes_on 1400 || fail "the campaign does not go on"
[ "$(bad_lines)" -le 2 ] || fail "$(bad_lines) lines"
[ "$(field bad_replies)" -ge 10 ] || fail "only $(field bad_replies) of 14 counted" # a digit garbled into another is none

say "no wrong value is recorded"
[ "$(sql "SELECT count(*) FROM reading WHERE voltage_v NOT BETWEEN 2 AND 4.3 OR abs(current_a) > 11")" = 0 ] ||
    fail "recorded: $(sql "SELECT voltage_v, current_a FROM reading WHERE voltage_v NOT BETWEEN 2 AND 4.3 OR abs(current_a) > 11")"
[ "$(field state)" = running ] || fail "not running but $(field state)"

say "a line that disturbs one byte in eight thousand, with a checksum: asked again, and never a wrong value"
stop_daemon
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
rm -rf "$dir/site" "$dir/output.csv" "$dir/truth.csv"
make_site 20 0
echo 'checksum = { kind = "crc-16/modbus"; form = "HEX"; separator = "*"; };' >>"$dir/site/conf/dialects/virtual-bench.conf"
wane-virtual-bench --tester "$dir/site/run/virtual-bench,checksum=crc-16/modbus,flip=0.00005,lose=0.00005,insert=0.00002" \
    --truth "$dir/truth.csv" --output-log "$dir/output.csv" --seed 7 >>"$dir/bench.log" 2>&1 &
bench_pid=$!
wait_until 20 test -e "$dir/site/run/virtual-bench" || fail "the virtual bench did not come up"
start_daemon
begin_campaign
enough() { [ "$(field bad_replies)" -ge 10 ] && cycles_done_at_least 1; }
wait_until 90 enough || fail "$(field bad_replies) bad replies, $(field cycles_done) cycles, $(field state)"
[ "$(field state)" = running ] || fail "not running but $(field state)"
wrong="voltage_v NOT BETWEEN 2.3 AND 4.25 OR abs(current_a) > 10.5 OR temperature_c NOT BETWEEN 20 AND 60 OR ambient_c NOT BETWEEN 20 AND 26"
[ "$(sql "SELECT count(*) FROM reading WHERE $wrong")" = 0 ] || fail "recorded: $(sql "SELECT * FROM reading WHERE $wrong")"
[ "$(sql "SELECT count(*) FROM reading")" -ge 50 ] || fail "hardly anything is recorded: this test would show nothing"

#!/bin/sh
# A campaign as the real processes have written it is borne out by its readings; whatever is changed in it is found, and where.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

command -v sqlite3 >/dev/null || { echo "SKIP: no sqlite3"; exit 77; }
charging() { output_is charge && bench_is_on; }
make_site 4 2
start_bench
start_daemon
begin_campaign
wait_until 60 in_discharge || fail "no discharge"
wane pause A >/dev/null
paused() { state_is paused; }
wait_until 20 paused || fail "not paused"
wane verify short >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "a campaign that was just paused"; }
wane resume A >/dev/null
wait_until 60 charging || fail "no charge"
kill -9 "$(station_pid)"
# the demonstration's policy: it goes on by itself
wait_until 120 state_is finished || fail "campaign did not finish"

say "nothing is wrong, with a pause and a killed station in it"
wane verify short >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "wane verify"; }
cat "$dir/out"
wane verify short --json >"$dir/out.json"
grep -q '"ok": true' "$dir/out.json" && grep -q '"simulated": true' "$dir/out.json" || { cat "$dir/out.json" >&2; fail "JSON"; }
wane backup short -o "$dir/good.wane" >/dev/null
stop_daemon

# changed WHAT PLACE SQL: that change is found, and told with that place.
n=0
changed() {
    n=$((n + 1))
    cp "$dir/good.wane" "$dir/bad.wane"
    sqlite3 "$dir/bad.wane" "DROP TRIGGER event_is_kept; DROP TRIGGER event_is_not_changed; $3;
        CREATE TRIGGER event_is_kept BEFORE DELETE ON event BEGIN SELECT 1; END;
        CREATE TRIGGER event_is_not_changed BEFORE UPDATE ON event BEGIN SELECT 1; END" || fail "$1: sqlite3"
    code=0
    wane verify "$dir/bad.wane" >"$dir/out" 2>&1 || code=$?
    [ "$code" = 1 ] || { cat "$dir/out" >&2; fail "not found: $1"; }
    grep -q -- "$2" "$dir/out" || { cat "$dir/out" >&2; fail "$1: not told where: $2"; }
}
say "what is changed is found"
changed "the configuration" 'config: .*SHA-256' "UPDATE config SET text = replace(text, '4.2 V', '4.3 V')"
changed "a capacity" 'cycle 2: capacity_ah is' "UPDATE cycle SET capacity_ah = capacity_ah * 1.001 WHERE cycle = 2"
changed "an energy" 'cycle 3: energy_wh is' "UPDATE cycle SET energy_wh = energy_wh + 0.001 WHERE cycle = 3"
changed "charge of a cycle" 'cycle 2: charge_ah is' "UPDATE cycle SET charge_ah = charge_ah * 1.0001 WHERE cycle = 2"
changed "an efficiency" 'cycle 4: coulombic_efficiency' "UPDATE cycle SET coulombic_efficiency = 0.9999 WHERE cycle = 4"
changed "a duration" 'cycle 1: duration_s is' "UPDATE cycle SET duration_s = duration_s + 1 WHERE cycle = 1"
changed "capacity of step and cycle alike" 'step [0-9]*: end_charge_ah is' "UPDATE cycle SET capacity_ah = capacity_ah * 1.03;
    UPDATE step SET end_charge_ah = end_charge_ah * 1.03, charge_out_ah = charge_out_ah * 1.03 WHERE kind = 2"
changed "the charge of a step" 'step 13: charge_in_ah is' "UPDATE step SET charge_in_ah = charge_in_ah * 1.03 WHERE step = 13"
changed "the time of a step" 'step 13: duration_s is' "UPDATE step SET duration_s = duration_s + 30 WHERE step = 13"
changed "what was missing" 'missing_s is' "UPDATE step SET missing_s = 500 WHERE step = 15"
changed "the highest temperature" 'temperature_max_c is' "UPDATE step SET temperature_max_c = temperature_max_c - 2 WHERE step = 15"
changed "a flag" 'cycle 2: flags' "UPDATE cycle SET flags = flags | 4096 WHERE cycle = 2"
changed "currents of readings" 'step 11: charge_out_ah is' "UPDATE reading SET current_a = current_a * 1.05 WHERE step = 11"
changed "a reading that is gone" 'reading 101: number 100 is missing' "DELETE FROM reading WHERE number = 100"
changed "the time of a reading" 'reading 201: is earlier' "UPDATE reading SET time_ns = time_ns + 900000000000 WHERE number = 200"
changed "the voltage of a reading" 'reading 50: has no voltage' "UPDATE reading SET voltage_v = NULL WHERE number = 50"
changed "a step that is gone" 'step 6: number 5 is missing' "DELETE FROM step WHERE step = 5"
changed "the last cycle that is gone" 'cycle 4: is missing' "DELETE FROM cycle WHERE cycle = 4"
changed "a check-up that is gone" 'check-up 1: is missing' "DELETE FROM check_up WHERE check_up = 1"
changed "an event that is gone" 'event 3: number 2 is missing' "DELETE FROM event WHERE number = 2"
changed "the order of events" 'event 3: is earlier' "UPDATE event SET time_ns = -1 WHERE number = 3"
changed "the end" 'is finished, and no event tells it' "UPDATE event SET kind = 'x' WHERE kind = 'finished'"
changed "the status" 'an event tells that it is finished' "UPDATE campaign SET status = 'running'"
changed "a view" 'there is no view fade' "DROP VIEW fade"
changed "an intent that is gone" 'intent 4: number 3 is missing' "DELETE FROM intent WHERE number = 3"
cp "$dir/good.wane" "$dir/bad.wane"
sqlite3 "$dir/bad.wane" "DROP TRIGGER event_is_kept"
wane verify "$dir/bad.wane" >"$dir/out" 2>&1 && fail "a trigger that is gone is not found"
grep -q 'no trigger event_is_kept' "$dir/out" || { cat "$dir/out" >&2; fail "the trigger is not named"; }
# a page of the readings
cp "$dir/good.wane" "$dir/bad.wane"
page=$(sqlite3 "$dir/good.wane" "SELECT pageno FROM dbstat WHERE name = 'reading' AND pagetype = 'leaf' LIMIT 1 OFFSET 2" 2>/dev/null || echo 40)
dd if=/dev/urandom of="$dir/bad.wane" bs=4096 seek=$((page - 1)) count=1 conv=notrunc 2>/dev/null
code=0
wane verify "$dir/bad.wane" --json >"$dir/out" 2>&1 || code=$?
[ "$code" = 1 ] && grep -q '"check": "integrity"' "$dir/out" || { cat "$dir/out" >&2; fail "a damaged page is not found"; }
echo "   $((n + 2)) changes, each found"
: >"$dir/empty.wane"
echo 'not a campaign' >"$dir/text.wane"
for name in empty text none; do
    code=0
    wane verify "$dir/$name.wane" >"$dir/out" 2>&1 || code=$?
    [ "$code" = 1 ] && grep -q "$name.wane" "$dir/out" || { cat "$dir/out" >&2; fail "$name.wane"; }
done

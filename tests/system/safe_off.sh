#!/bin/sh
# Guard and stations killed in the same moment in mid-discharge: what the service's unit runs then switches off all the same.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# safe_off EXIT_CODE CONFIG
safe_off() {
    rc=0
    wane-station --config "$2" --safe-off >"$dir/out" 2>&1 || rc=$?
    sed 's/^/   /' "$dir/out"
    [ "$rc" = "$1" ] || fail "safe-off ends with $rc, not $1"
}
says() { grep -q -e "$1" "$dir/out" || fail "does not say '$1'"; }
is_off() { wait_until 5 bench_is_off || fail "the output stays on"; }

make_site 400 0
start_bench --pace 2000
start_daemon
begin_campaign

say "a living service is not disturbed"
wait_until 60 in_discharge || fail "no discharge"
station=$(station_pid)
safe_off 1 "$WANE_CONFIG"
says "station A: .*in use.*nothing was switched off\|station A: .*wane-station.*nothing was switched off"
[ "$(station_pid)" = "$station" ] || fail "the station was disturbed"

say "all killed: off, confirmed"
killed_in_discharge
safe_off 0 "$WANE_CONFIG"
says "station A: .*virtual-bench is off, and no current flows"
is_off

say "once more is no mistake"
safe_off 0 "$WANE_CONFIG"

say "a configuration nobody can read: what was in use is remembered"
start_daemon
killed_in_discharge
echo "stations = {{{" >"$dir/site/conf/unreadable.conf"
RUNTIME_DIRECTORY=$dir/site/run
export RUNTIME_DIRECTORY
safe_off 1 "$dir/site/conf/unreadable.conf"
unset RUNTIME_DIRECTORY
says "station A: .*virtual-bench is off, and no current flows"
says "unreadable.conf does not tell which stations there are"
is_off

say "mistakes of a station, another without its port, nothing remembered: from the configuration"
start_daemon
killed_in_discharge
rm "$dir/site/run/A.0.in-use"
awk '
    /^    {/ { inside = 1 }
    inside { block = block $0 "\n" }
    { if (!inside || !/^    }/) print }
    inside && /^    }/ { # a second station behind the first, which gets a mistake
        sub(/name *= "A"/, "name = \"B\"", block)
        sub(/"virtual-bench";[^\n]*relative[^\n]*/, "\"not-there\";", block)
        print "    },"
        printf "%s", block
        inside = 0
    }
' "$WANE_CONFIG" | sed '0,/voltage_max = "4.25 V"/s//voltage_max = "4.25 A"/' >"$dir/site/conf/mistakes.conf"
safe_off 1 "$dir/site/conf/mistakes.conf"
says "mistakes.conf:[0-9]*:.*voltage_max"
says "station A: .*virtual-bench is off, and no current flows"
says "station B: .*not-there does not exist"
is_off

say "an output that stays on is not called off"
kill "$bench_pid"
wait "$bench_pid" 2>/dev/null || true
rm -rf "$dir/site" "$dir/output.csv" "$dir/truth.csv"
make_site 3 0
start_bench --pace 200 --fault "OUTPut ON@100"
start_daemon
begin_campaign
charges_after_the_fault() { output_is charge && [ "$(field time_s | cut -d. -f1)" -ge 200 ]; }
wait_until 60 charges_after_the_fault || fail "no charge"
kill_everything
bench_is_on || fail "the fault has gone"
safe_off 1 "$WANE_CONFIG"
says "station A: it says off, but [1-9][.0-9]* A flow: DISCONNECT THE CELL"
says "NOT every output is confirmed off"

say "no configuration at all"
safe_off 1 "$dir/no-such.conf"

#!/bin/sh
# Abnormal temperatures, voltages and instruments: off, verified, latched, told by the hook, and only a person goes on.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

alarm_is_open() { wane events "$(campaign)" --alarms | grep -q "$1"; }
hook_was_told() { grep -q '"kind":"'"$1"'"' "$dir/told.json"; }

# halts FAULT KIND: the fault comes in the first discharge; the campaign halts with an alarm of that kind.
halts() {
    say "$1: $2"
    rm -rf "$dir/site" "$dir/told.json" "$dir/output.csv" "$dir/truth.csv"
    make_site 3 0
    printf '#!/bin/sh\ncat >>"%s"\necho >>"%s"\n' "$dir/told.json" "$dir/told.json" >"$dir/hook"
    chmod +x "$dir/hook"
    sed -i 's|^alerts = .*|alerts = { hook = "'"$dir/hook"'"; };|' "$WANE_CONFIG"
    start_bench --fault "$1@6300"
    start_daemon
    begin_campaign
    wait_until 60 alarm_is_open "$2" || fail "no alarm $2"
    wait_until 30 state_is halted || fail "not halted"
    bench_is_off || fail "output is on"
    rc=0
    wane status >/dev/null || rc=$?
    [ "$rc" = 4 ] || fail "wane status ends with $rc, not 4"
    if wane resume A >"$dir/out" 2>&1; then
        fail "resumed without an acknowledgement"
    fi
    grep -q "acknowledge" "$dir/out" || fail "resume does not say what to do"
    wait_until 15 hook_was_told "$2" || fail "the hook was not told"
    stop_daemon
    start_daemon # a halt outlives the service
    wait_until 20 state_is halted || fail "the halt was lost with the service"
    wane ack A >/dev/null || fail "ack"
    state_is paused || fail "not paused after the acknowledgement"
    stop_daemon
    kill "$bench_pid"
    wait "$bench_pid" 2>/dev/null || true
}

halts "THERmometer:OFFSet 60" over_temperature
halts "THERmometer OPEN" not_plausible
halts "SILence 8" silence
halts "RESet" off_set_point

say "an output that stays on: everything is tried, and nobody is told that it is off"
rm -rf "$dir/site" "$dir/output.csv" "$dir/truth.csv"
make_site 3 0
start_bench --fault "OUTPut ON@6300"
start_daemon
begin_campaign
wait_until 60 alarm_is_open not_off || fail "no alarm not_off"
# It is called halted only when nothing flows any more: once the cell is empty.
state_is "switching off" || wane events "$(campaign)" | grep -q 'off_verified.*current -*0\.0[01]' ||
    fail "an output that is on is called $(field state)"
[ "$(field alarm)" = true ] || fail "status shows no alarm"

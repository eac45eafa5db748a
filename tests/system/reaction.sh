#!/bin/sh
# From the first abnormal reading to the off command, measured on the real processes by the bench's clock of the host: at most
# the readings of the debounce, one reading interval, and 50 ms. The one test here that is about time.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

interval=0.2 slack=0.05 rounds=3 reply_s=0.5 retries=2
benches=
trap 'for pid in $benches; do kill "$pid" 2>/dev/null || true; done; clean_up' EXIT

# A busy computer measures itself and not the service.
quiet() { ping=$(pty_ping) && awk -v ms="$ping" 'BEGIN { exit ms > 25 }'; }
tries=0
until quiet; do
    tries=$((tries + 1))
    if [ "$tries" -ge 10 ]; then
        echo "SKIP: this computer is too busy to measure 50 ms: a byte to another process and back takes $ping ms"
        exit 77
    fi
done
say "a byte to another process and back takes at most $ping ms here"

# Station, readings of the debounce, alarm, fault. Silence: one reading that has been asked for as often as it is.
cat >"$dir/faults" <<'EOF'
A 1 over_voltage VOLTage:OFFSet 0.8
B 1 under_voltage VOLTage:OFFSet -3
C 3 below_ambient THERmometer:OFFSet -12
D 2 not_plausible THERmometer OPEN
E 1 over_temperature THERmometer:OFFSet 32
F 3 off_set_point CURRent:OFFSet -0.5
G 1 over_current CURRent:OFFSet 4
H 2 not_plausible SENSe ON
I 0 silence SILence 1000
J 2 under_temperature THERmometer:OFFSet -25
K 1 over_current CURRent:OFFSet 0.5
L 1 over_voltage VOLTage:OFFSet 2
EOF
stations=$(cut -d' ' -f1 "$dir/faults")

# A tester that tells no time, in real time: each reading takes its clock one interval further.
real_time_site() {
    rm -rf "$dir/site"
    make_site 3 0
    sed -i -e 's/^has_clock = true;/has_clock = false;/' -e 's/MEAS:ALL? {interval_s}/MEAS:ALL? '$interval'/' \
        -e 's/"time_s", /"ignore", /' -e 's/^reply_timeout = .*/reply_timeout = "500 ms";/' \
        "$dir/site/conf/dialects/virtual-bench.conf"
    sed -i 's/reading_interval = "1 s"/reading_interval = "200 ms"/' "$WANE_CONFIG"
    sed -n '1,/^stations = (/p' "$WANE_CONFIG" >"$dir/head"
    sed -n '/^    {/,/^    }/p' "$WANE_CONFIG" >"$dir/station"
    {
        cat "$dir/head"
        comma=
        for s in $stations; do
            [ -z "$comma" ] || echo ,
            comma=yes
            sed -e 's/name    = "A"/name = "'"$s"'"/' -e 's/port    = "virtual-bench"/port = "bench-'"$s"'"/' "$dir/station"
        done
        echo ');'
    } >"$WANE_CONFIG"
}

status_of() { wane status "$1" --json 2>/dev/null | tr -d ' \n'; }
all_ready() { for s in $stations; do status_of "$s" | grep -q '"instrument_ready":true' || return 1; done; }
alarm_told() { wane events "$dir/site/data/$1.wane" --alarms | grep -q "$2"; }
all_told() { while read -r s _ alarm _; do alarm_told "$s" "$alarm" || return 1; done <"$dir/faults"; }
is_off() { [ "$(tail -1 "$dir/output-$1.csv" | cut -d, -f2)" = 0 ]; }
all_off() { for s in $stations; do is_off "$s" || return 1; done; }

# The fault comes at another moment of the reading in each round.
one_round() {
    real_time_site
    rm -f "$dir"/output-*.csv "$dir"/fault-*.csv
    while read -r s _ _ fault; do
        wane-virtual-bench --link "$dir/site/run/bench-$s" --output-log "$dir/output-$s.csv" --fault-log "$dir/fault-$s.csv" \
            --seed "$1" --fault "$fault@$((7 + $1)).0$1" >>"$dir/bench.log" 2>&1 &
        benches="$benches $!"
    done <"$dir/faults"
    waned --config "$WANE_CONFIG" >>"$dir/waned.log" 2>&1 &
    daemon_pid=$!
    wait_until 30 all_ready || fail "the service did not come up"
    for s in $stations; do
        wane start "$s" --cell demo-18650 --procedure short --name "$s" >"$dir/start.out" 2>&1 || fail "$(cat "$dir/start.out")"
    done
    wait_until 60 all_told || { while read -r s _ alarm _; do alarm_told "$s" "$alarm" || echo "   not told: $s $alarm"; done <"$dir/faults"; fail "not every fault is told"; }
    wait_until 10 all_off || fail "an output is on"
    # Where the readings stay wrong no off can be verified, and an orderly end takes its time.
    children=$(pgrep -P "$daemon_pid")
    for pid in $daemon_pid $children; do
        kill -9 "$pid" 2>/dev/null || true
    done
    wait "$daemon_pid" 2>/dev/null || true
    daemon_pid=
    for pid in $benches; do
        kill "$pid" 2>/dev/null || true
        wait "$pid" 2>/dev/null || true
    done
    benches=
    while read -r s debounce alarm _; do
        # the first off after the fault; it must have been on when the fault came
        awk -F, -v station="$s" -v debounce="$debounce" -v alarm="$alarm" '
            FNR == 1 { next }
            FILENAME ~ /fault-/ { at = $1; next }
            $1 < at { on = $2 }
            $1 >= at && $2 == 0 && on == 1 { print alarm, debounce, $1 - at; exit }
        ' "$dir/fault-$s.csv" "$dir/output-$s.csv" >>"$dir/times"
    done <"$dir/faults"
}

: >"$dir/times"
round=1
while [ "$round" -le "$rounds" ]; do
    one_round "$round"
    round=$((round + 1))
done
trials=$(wc -l <"$dir/times")
say "$trials trials, reading interval $interval s: from the first abnormal reading to the off command"
sort -k1,1 -k3,3n "$dir/times" | awk -v interval=$interval -v slack=$slack -v silence="$reply_s" -v retries=$retries '
    function told() { if (n) printf "   %-17s %d trials, min %.4f s, median %.4f s, max %.4f s; allowed %.3f s\n", was, n, t[1], t[int((n + 1) / 2)], t[n], allowed }
    $1 != was { told(); n = 0; was = $1 }
    { t[++n] = $3
      allowed = ($2 == 0 ? silence * (retries + 1) : ($2 - 1) * interval) + interval + slack
      if ($3 > allowed || $3 < 0) { printf "   TOO LATE: %s after %.4f s, allowed %.4f s\n", $1, $3, allowed; late = 1 } }
    END { told(); exit late }
' || fail "the reaction takes too long"
[ "$trials" -ge 30 ] || fail "only $trials outputs were on when the fault came"

#!/bin/sh
# Alerts: a halt reaches every target although the herald is killed at the worst moments, once as far as anybody can
# tell; a failing hook is tried again and told through the other; recoveries; the ping; never two heralds.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

alarm_is_open() { wane events "$(campaign)" --alarms | grep -q "$1"; }
# told NAME KIND: the lines of that kind a hook has got.
told() { grep "\"kind\":\"$2\"" "$dir/$1.json" 2>/dev/null; }
was_told() { told "$1" "$2" >/dev/null; }
# halts NAME: the ids of the halts a hook has got, one a line.
halts() { grep '"type":"halt"' "$dir/$1.json" | sed 's/.*"id":"\([^"]*\)".*/\1/'; }
twice() { halts "$1" | sort | uniq -d | wc -l; }
each() { halts "$1" | sort -u | wc -l; }
herald_pid() { pgrep -f "wane-herald --config $WANE_CONFIG"; }
herald_is_new() { [ -n "$(herald_pid)" ] && [ "$(herald_pid)" != "$1" ]; }
kill_herald() {
    old=$(herald_pid) || fail "no herald"
    kill -9 "$old"
    wait_until 20 herald_is_new "$old" || fail "the guard did not start the herald again"
}
channel_is() { # works | dead
    if wane status 2>/dev/null | grep -q "NO WORKING ALERT CHANNEL"; then [ "$1" = dead ]; else [ "$1" = works ]; fi
}

make_site 3 0
# The first target: kills its herald before it has delivered, then right after.
cat >"$dir/first" <<HOOK
#!/bin/sh
line=\$(cat)
case \$line in *'"type":"halt"'*) ;; *) printf '%s\n' "\$line" >>"$dir/first.json"; exit 0 ;; esac
echo x >>"$dir/first.calls"
case \$(grep -c x "$dir/first.calls") in
1) kill -9 "\$PPID" ;;
2) printf '%s\n' "\$line" >>"$dir/first.json"; kill -9 "\$PPID" ;;
*) printf '%s\n' "\$line" >>"$dir/first.json" ;;
esac
HOOK
# The second: fails at first, as long as there is a file.
cat >"$dir/second" <<HOOK
#!/bin/sh
[ ! -e "$dir/broken" ] || { echo "cannot reach anybody"; exit 1; }
cat >>"$dir/second.json"
HOOK
printf '#!/bin/sh\necho ping >>"%s"\n' "$dir/pings" >"$dir/ping"
chmod +x "$dir/first" "$dir/second" "$dir/ping"
: >"$dir/broken"
sed -i 's|^alerts = .*|alerts = { hooks = ( { program = "'"$dir/first"'"; }, { program = "'"$dir/second"'"; severity = "alarm"; } ); ping = { program = "'"$dir/ping"'"; }; };|' "$WANE_CONFIG"
sed -i 's|^run_dir .*|&\nmetrics_file = "'"$dir/wane.prom"'";|' "$WANE_CONFIG"
start_bench --fault "THERmometer:OFFSet 60@6300"
start_daemon
wait_until 10 channel_is works || fail "status says that no alert channel works"

say "one herald: a second one ends with 78"
rc=0
wane-herald --config "$WANE_CONFIG" >"$dir/second-herald.log" 2>&1 || rc=$?
[ "$rc" = 78 ] || fail "a second herald ended with $rc, not 78"
grep -q "another herald delivers the alerts" "$dir/second-herald.log" || fail "it does not say why it ends"

say "a halt is told although the herald is killed before and after the delivery"
begin_campaign
wait_until 60 alarm_is_open over_temperature || fail "no alarm"
wait_until 60 was_told first over_temperature || fail "the first target was not told"
third_call() { [ "$(grep -c x "$dir/first.calls")" -ge 3 ]; }
wait_until 60 third_call || fail "after it was killed the herald did not tell again what it could not know"
# Which was told when the herald was killed it cannot know: that one comes twice, with the same id.
only_one_twice() { [ "$(twice first)" = 1 ] && [ "$(halts first | wc -l)" = "$(($(each first) + 1))" ]; }
wait_until 30 only_one_twice || fail "not each alarm once and one of them twice"

say "a hook that fails is told through the other, and tried again"
wait_until 60 was_told first alert_target_failed || fail "the failure was not told"
told first alert_target_failed | grep -q '"target":"second"' || fail "the failing target is not named"
if was_told second over_temperature; then fail "the second target was told although it is broken"; fi
grep -q "second says: cannot reach anybody" "$dir/waned.log" || fail "what the hook said is not in the log"
rm "$dir/broken"
wait_until 120 was_told second over_temperature || fail "the second target was not tried again"
wait_until 20 was_told first alert_target_works || fail "that it works again was not told"

say "nothing is told again, however often the herald is killed"
: >"$dir/pings"
for _ in 1 2 3; do
    kill_herald
done
stop_daemon
start_daemon
wait_until 20 state_is halted || fail "the halt was lost with the service"
[ ! -s "$dir/pings" ] || fail "a ping although an alarm is latched"
wait_until 60 grep -q '^wane_alarm_active{station="A",campaign="short",.*simulated="true"} 1$' "$dir/wane.prom" ||
    fail "the metrics do not tell of the alarm: $(cat "$dir/wane.prom")"

say "the acknowledgement is told to both, with how the campaign is now; then all is well again"
wane ack A >/dev/null || fail "ack"
for name in first second; do
    wait_until 30 was_told "$name" acknowledged || fail "$name was not told of the acknowledgement"
    told "$name" acknowledged | grep -q '"type":"recovery".*"status":"paused","open_alarms":0' || fail "not the present state"
done
wait_until 60 test -s "$dir/pings" || fail "no ping although readings are recorded and no alarm is latched"
only_one_twice || fail "an alarm was told again after a restart"
[ "$(twice second)" = 0 ] || fail "the second target was told an alarm twice"
[ "$(halts first | sort -u)" = "$(halts second | sort -u)" ] || fail "the two were not told the same alarms"
if was_told second restarted; then fail "a warning to a target for alarms"; fi

say "an alarm that could not be recorded is told by the station's marker"
: >"$dir/site/run/A.halted"
wait_until 40 was_told second not_recorded || fail "the marker was not noticed"
told second not_recorded | grep -q '"type":"halt".*"station":"A".*"simulated":true' || fail "not as a halt of the station"
rm "$dir/site/run/A.halted"
wait_until 20 was_told second recording_restored || fail "that it is recorded was not told"

say "the digest of the day: one line a station, to who wants more than alarms"
stop_daemon
sed -i 's/alerts = { /alerts = { digest = "00:00"; /' "$WANE_CONFIG"
sed -i 's/"digest_day": [0-9]*/"digest_day": -1/' "$dir/site/data/herald-state.json" # none was sent yet
start_daemon
wait_until 20 was_told first digest || fail "no digest"
told first digest | grep -q '"text":"A: SIMULATED paused, campaign short, cycle [01] of 3' || fail "not that line"
if was_told second digest; then fail "a digest to a target for alarms"; fi

say "no working channel is said where everybody looks"
stop_daemon
chmod -x "$dir/first" "$dir/second"
start_daemon
wait_until 30 channel_is dead || fail "status does not say that no alert channel works"
grep -q "NO WORKING ALERT CHANNEL" "$dir/waned.log" || fail "nor does the log"
state_is paused || fail "the station does not run because of its alerts"

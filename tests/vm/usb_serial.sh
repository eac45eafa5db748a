#!/bin/sh
# A real USB-serial path under the stock kernel: the adapter is pulled out in mid-discharge and plugged in again.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/../system/lib.sh"
. "$src/contrib/packages.sh"
. "$src/tests/vm/machine.sh"

# make_configurations: demo.conf at the adapter, and plain.conf with an instrument as most are: it has no clock of its own
# and does not notice that nobody talks to it.
make_configurations() {
    make_site 1 0
    cp "$src/tests/vm/discharge.conf" "$dir/site/conf/procedures/"
    sed -i -e 's|^data_dir .*|data_dir = "/data";|' -e 's|^run_dir .*|run_dir = "/run/wane";|' \
        -e 's|port    = "virtual-bench";.*|port = "/dev/serial/by-path/'"$port"'";|' \
        -e 's|on_restart = "resume";|on_restart = "hold";|' \
        -e 's|beat_limit  = .*|beat_limit = "5 s"; # the processor is emulated, and the computer may be busy|' "$WANE_CONFIG"
    sed -i -e 's|^reply_timeout = "500 ms"|reply_timeout = "1 s"|' "$dir/site/conf/dialects/virtual-bench.conf"
    grep -q "by-path/$port" "$WANE_CONFIG" || fail "demo.conf is not what it was: no port to replace"
    sed -e 's|dialect = "virtual-bench"|dialect = "plain"|' "$WANE_CONFIG" >"$dir/site/conf/plain.conf"
    sed -e 's|^has_clock = true|has_clock = false|' -e 's|COMM:TIM {timeout_s}|COMM:TIM 0|' -e 's|"time_s"|"ignore"|' \
        "$dir/site/conf/dialects/virtual-bench.conf" >"$dir/site/conf/dialects/plain.conf"
    [ "$(grep -c 'has_clock = false\|COMM:TIM 0\|"ignore"' "$dir/site/conf/dialects/plain.conf")" = 3 ] ||
        fail "virtual-bench.conf is not what it was"
}

serve() {
    config=/conf/$1.conf
    inside "su wane -c 'exec waned --config $config' >/dev/console 2>&1 & echo \$! >/tmp/waned.pid"
    wait_until 60 ready || fail "the service did not come up"
}
ended() { ! inside pidof waned wane-guard wane-station wane-herald; }
end_service() {
    inside 'kill $(pidof waned wane-guard)'
    wait_until 60 ended || fail "the service does not end"
}

discharge() {
    wane start A --cell demo-18650 --procedure discharge --name "$1" >"$dir/start.out" || fail "wane start: $(cat "$dir/start.out")"
    wait_until 60 bench_is_on || fail "the output did not go on"
    wait_until 60 output_is discharge || fail "not discharging"
}

# Read to its end: what grep -q leaves unread would be taken for the next answer of the machine.
alarm_is_open() { wane events "$1" --alarms | grep "$2" >/dev/null; }

# on_again: only a person goes on.
on_again() {
    wait_until 10 state_is halted || fail "not halted but $(field state)"
    wane status A >/dev/null && fail "wane status shows no alarm by its exit code"
    wane resume A >"$dir/out" && fail "resumed without an acknowledgement"
    grep -q acknowledge "$dir/out" || fail "resume does not say what to do: $(cat "$dir/out")"
    [ "$(commands | grep -c 'OUTP ON')" = 0 ] || fail "switched on without a person"
    wane ack A >/dev/null || fail "ack"
    bench_is_off || fail "an acknowledgement switched on"
    wane resume A >/dev/null || fail "resume"
    wait_until 60 bench_is_on || fail "not on again"
    wait_until 60 output_is discharge || fail "not discharging again"
}

# off_came_first: the adapter is back; who is there (asked twice), off and its confirmation came before all else. Readings in front of
# that went to the adapter while it was being pulled.
off_came_first() {
    wait_until 60 state_is halted || fail "not halted but $(field state)"
    wait_until 60 ready || fail "the adapter is not used again"
    first=$(commands | awk '/^MEAS/ && !other { next } { other = 1; print }' | head -4 | tr '\n' ' ')
    [ "$first" = '*IDN? *IDN? OUTP OFF OUTP? ' ] || fail "first commands: $first"
    bench_is_off || fail "output is on"
}

need
fetch_kernel
make_configurations
make_root
start_bench --soc 0.9
begin_s=$(up_s)
start_machine
say "kernel $(inside uname -r): booted in $(since "$begin_s") s"

say "a port as libserialport shows it, and nobody else's"
serve demo
wane ports >"$dir/out"
grep -q "^/dev/ttyUSB0  *0403:6001  .*  station A (pid [0-9]*)  */dev/serial/by-path/$port" "$dir/out" || fail "$(cat "$dir/out")"
wane identify /dev/ttyUSB0 | grep "says station A" >/dev/null || fail "identify does not ask the station"
inside "su wane -c 'exec 3<>/dev/ttyUSB0'" >"$dir/out" && fail "another program of the same user may open the port"
grep -qi "busy" "$dir/out" || fail "$(cat "$dir/out")"
grep 'set_baud\|set_data' "$dir/adapter.log" | tail -1 | grep -q "baud rate 115[0-9]*$" || fail "the baud rate did not reach the adapter"
grep 'set_flow' "$dir/adapter.log" | tail -1 | grep -q "flow control 0$" || fail "the adapter was left with flow control"

say "unplugged: the tester's own time-out switches off, as nobody else can"
discharge one
unplug
unplugged_s=$(up_s)
wait_until 60 gone || fail "the adapter is still there"
mark
wait_until 60 alarm_is_open one port_gone || fail "no alarm"
wait_until 60 bench_is_off || fail "output is on"
say "off $(since "$unplugged_s") s after it was pulled"
[ -z "$(commands)" ] || fail "something was sent: $(commands)"
state_is "switching off" || fail "an off that nobody confirmed is called $(field state)"
[ "$(field instrument_ready)" = false ] || fail "an instrument that is not there is called ready"

say "plugged in: off first, then nothing without a person"
mark
plug
off_came_first
[ "$(inside readlink "/dev/serial/by-path/$port")" = ../../ttyUSB0 ] || fail "its name was held: $(inside 'ls /dev/ttyUSB*')"
alarm_is_open one port_gone || fail "the alarm is over by itself"
on_again

say "the station is killed: the guard switches off over the real port, and lets it go"
mark
inside 'kill -9 $(pidof wane-station)'
wait_until 60 bench_is_off || fail "output is on"
wait_until 60 state_is paused || fail "not paused but $(field state)"
wait_until 60 ready || fail "the station does not open its port again"
first=$(commands | grep -v '^MEAS' | head -1)
[ "$first" = "OUTP OFF" ] || fail "first command: $first"
[ "$(commands | grep -c 'OUTP ON')" = 0 ] || fail "switched on without a person"
wane resume A >/dev/null || fail "resume"
wait_until 60 bench_is_on || fail "not on again"
wane stop A >/dev/null || fail "stop"
wait_until 60 bench_is_off || fail "output is on"
mark
end_service
[ "$(modem_lines | tail -1)" = 0x300 ] || fail "the lines do not fall with the service: $(modem_lines)"

say "an instrument without a time-out stays on, and that is said; its interlock is closed by a person's order only"
serve plain
discharge two
unplug
wait_until 60 gone || fail "the adapter is still there"
wait_until 60 alarm_is_open two not_off || fail "no alarm not_off"
bench_is_on || fail "the bench is off by itself: this shows nothing"
mark
plug
off_came_first
# The kernel raises both lines at the opening and libserialport writes them once as it finds them, then DTR is dropped, and
# stays so: that it was off the instrument had said before. The order of a person raises it, after off was confirmed anew.
dtr_lines() { modem_lines | sed -n '/0x303\|0x10./p' | tr '\n' ' ' | sed 's/ 0x100\( 0x100\)*/ 0x100/'; }
[ "$(dtr_lines)" = "0x303 0x101 0x100 " ] || fail "DTR: $(modem_lines | tr '\n' ' ')"
on_again
[ "$(dtr_lines)" = "0x303 0x101 0x100 0x101 " ] || fail "DTR after the resume: $(modem_lines | tr '\n' ' ')"

say "out and in within a moment"
mark
unplug
plug
off_came_first
on_again
wane stop A >/dev/null || fail "stop"
wait_until 60 bench_is_off || fail "output is on"
say "$(since "$begin_s") s in all"

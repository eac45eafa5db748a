#!/bin/sh
# The disk of the campaigns is gone: what a station says by its marker is told all the same, also by a herald that is
# started only then.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

told() { grep -q "\"kind\":\"$1\"" "$dir/told.json"; }
start_herald() {
    wane-herald --config "$WANE_CONFIG" >>"$dir/herald.log" 2>&1 &
    daemon_pid=$!
}

make_site 1 0
printf '#!/bin/sh\ncat >>"%s"\n' "$dir/told.json" >"$dir/hook"
chmod +x "$dir/hook"
: >"$dir/told.json"
sed -i 's|^alerts = .*|alerts = { hooks = ( { program = "'"$dir/hook"'"; } ); };|' "$WANE_CONFIG"
start_herald
wait_until 10 test -s "$dir/site/run/herald.json" || fail "the herald did not come up"

say "gone under a herald that runs"
rm -r "$dir/site/data"
: >"$dir/site/run/A.halted"
wait_until 40 told not_recorded || fail "nobody was told of the station's alarm"
rm "$dir/site/run/A.halted"
wait_until 20 told recording_restored || fail "nobody was told that it is over"

say "gone before it is started"
stop_daemon
: >"$dir/told.json"
: >"$dir/site/run/A.halted"
start_herald
wait_until 40 told not_recorded || fail "the herald is of no use without the disk"
echo "PASSED"

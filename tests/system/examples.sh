#!/bin/sh
# The examples of every command's help, as they stand there, against a simulated bench and campaign.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Changed in them are only places that cannot be here: /media and /srv are directories of the test, and the port of a maker's tester
# is the virtual bench's. An example that is not run is named, with its reason; one that is neither run nor named fails.
. "$(dirname "$0")/lib.sh"

port=$dir/site/run/virtual-bench
make_site 3 0
cp "$dir/site/conf/procedures/short.conf" "$dir/site/conf/procedures/datasheet-claim.conf"
cp "$dir/site/conf/dialects/virtual-bench.conf" "$dir/site/conf/dialects/my-load.conf"
sed -i 's/"MAKER,MODEL,"/"wane project,"/' "$dir/site/conf/dialects/generic-scpi.conf" # who the virtual bench says it is
printf '#!/bin/sh\nexit 0\n' >"$dir/hook"
chmod +x "$dir/hook"
sed -i 's|^alerts = "none";|alerts = { hooks = ( { program = "'"$dir"'/hook"; severity = "warning"; } ); };|' "$WANE_CONFIG"
mkdir -p "$dir/here/pages" "$dir/media/stick" "$dir/media/archive" "$dir/srv/backup"
cd "$dir/here" || exit 1

# Something measured: 310 short cycles of a cell that fades, as a log and as campaigns.
awk 'BEGIN {
    print "time_s,voltage_v,current_a,temperature_c"
    for (c = 0; c < 310; c++) {
        k = 1 - 0.0006 * c - 1e-6 * c * c
        for (s = 0; s <= 40; s++) printf "%.1f,%.5f,%.3f,%.2f\n", t += 90 * k, 3.0 + 1.2 * s / 40, 2.0, 25 + c % 3 / 10
        for (s = 0; s < 3; s++) printf "%.1f,4.15,0,25\n", t += 60
        for (s = 0; s <= 40; s++) printf "%.1f,%.5f,%.3f,%.2f\n", t += 90 * k, 4.1 - 1.4 * s / 40 - 0.001 * (40 - s) * c / 310, -2.0, 26
        for (s = 0; s < 3; s++) printf "%.1f,3.2,0,25\n", t += 60
    }
}' >log.csv
awk 'BEGIN { print "cycle,capacity_ah"; for (c = 1; c < 310; c++) printf "%d,%.5f\n", c, 2 - 0.0004 * c - 1e-6 * c * c }' >fade.csv
awk -F, 'NR == 1 { print "time_s;U1;current_a"; next } NR <= 400 { printf "%s;%.2f;%s\n", $1, 1000 * $2, $3 }' log.csv | sed '2,$s/\./,/g' >week1.csv
awk -F, 'NR == 1 { print "time_s;U1;current_a"; next } NR > 400 && NR <= 800 { printf "%s;%.2f;%s\n", $1, 1000 * $2, $3 }' log.csv | sed '2,$s/\./,/g' >week2.csv
wane import log.csv --cutoff-v 2.7 --rated-ah 2 --name demo -o "$dir/measured.wane" >"$dir/import.log" 2>&1 || fail "import: $(cat "$dir/import.log")"

# in_order: the examples of these commands, numbered as they come; lines that end in \ go on.
for command in $(wane help | sed -n '/^Commands:/,/^Options/s/^  \([a-z-]*\) .*/\1/p'); do
    wane help "$command" | sed -n '/^Examples:/,$p' | sed -e 1d -e ':a' -e '/\\$/N; s/\\\n *//; ta' -e 's/^  //' | sed "s/^/$command:/"
done >"$dir/examples"
n=$(grep -c . "$dir/examples")
[ "$n" -ge 50 ] || fail "only $n examples were found"
: >"$dir/done"

# example EXIT-CODE LINE...: runs it (its command is before the colon).
example() {
    wanted=$1
    line=$2
    echo "$line" >>"$dir/done"
    words=$(echo "$line" | sed -e 's/^[a-z-]*://' -e "s,/media/,$dir/media/,g" -e "s,/srv/,$dir/srv/,g" \
        -e "s,/dev/serial/by-id/usb-MAKER_MODEL-if00-port0,$port," -e "s,/dev/ttyUSB0,$port,")
    code=0
    sh -c "$words" >"$dir/out" 2>&1 </dev/null || code=$?
    [ "$code" -eq "$wanted" ] || { cat "$dir/out" >&2; fail "'$words' ends with $code, not $wanted"; }
}
# examples_of EXIT-CODE COMMAND...: all of them that were not run yet.
examples_of() {
    wanted=$1
    shift
    for command in "$@"; do
        grep "^$command:" "$dir/examples" >"$dir/these"
        while IFS= read -r line <&3; do
            grep -qxF -e "$line" "$dir/done" || example "$wanted" "$line"
        done 3<"$dir/these"
    done
}
passed_over() { # COMMAND REASON
    grep "^$1:" "$dir/examples" >>"$dir/done"
    echo "   not run: wane $1: $2"
}

say "a bench, before and while it works"
start_bench
examples_of 0 check identify
start_daemon
examples_of 0 ports test-alert start status
passed_over try "the port is the service's now; it is run at the end"
example 0 "$(grep '^watch:.*--until-end' "$dir/examples")"
grep -q '^ *3 ' "$dir/out" || { cat "$dir/out" >&2; fail "wane cycles demo shows no third cycle"; }
echo 'watch:wane watch' >>"$dir/done"
wane watch >"$dir/out" 2>&1 &
pid=$!
wait_until 20 grep -q '^station A  finished' "$dir/out" || fail "wane watch shows nothing"
kill "$pid"
wait "$pid" || fail "wane watch ends with $?"
mv "$dir/site/data/demo.wane" "$dir/first.wane"
cp "$src/conf/procedures/datasheet-claim.conf" "$dir/site/conf/procedures/" # all its cycles: it must not end by itself
example 0 "$(grep '^start:' "$dir/examples")"
wait_until 60 in_discharge || fail "no discharge"
examples_of 0 pause
wait_until 20 state_is paused || fail "not paused"
examples_of 0 resume
wait_until 60 output_is charge || wait_until 60 output_is discharge || fail "does not go on"
examples_of 1 ack # nothing is in alarm, and it says so
grep -q 'no alarm is waiting' "$dir/out" || fail "wane ack: $(cat "$dir/out")"
examples_of 0 stop
wait_until 20 state_is stopped || fail "not stopped"
stop_daemon
for line in "my-load $port" "my-load $port --switch-on --discharge --current-a 0.5 --voltage-v 3 --confirm on"; do
    # shellcheck disable=SC2086 # words
    wane try $line >"$dir/out" 2>&1 </dev/null || { cat "$dir/out" >&2; fail "wane try $line"; }
done

say "what was measured"
cp "$dir/first.wane" "$dir/site/data/demo.wane" # its cell has a datasheet with a claim
examples_of 0 claim report
example 0 "$(grep '^plot:.*dqdv' "$dir/examples")" # the log below is too coarse for it
for name in demo other third; do
    cp "$dir/measured.wane" "$dir/site/data/$name.wane"
done
cp "$dir/measured.wane" "$dir/media/archive/old.wane"
examples_of 0 import campaigns cycles compare events export plot project verify intake backup help
passed_over publish "it needs a PostgreSQL; the tests of the fleet run it"

say "all of them"
sort -u "$dir/examples" >"$dir/all"
sort -u "$dir/done" | comm -23 "$dir/all" - >"$dir/left"
[ ! -s "$dir/left" ] || fail "neither run nor named: $(cat "$dir/left")"
echo "   $n examples"

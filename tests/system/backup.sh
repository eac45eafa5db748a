#!/bin/sh
# Copies of a campaign while its station records: whole at any moment, and the station does not notice. Archives are read everywhere.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

copies=$dir/copies
mkdir "$copies"
plain() { sqlite3 "file:$1?immutable=1" "$2"; } # as a medium that cannot be written shows it
# whole FILE: looked through, complete in itself, with as many readings as rows are numbered.
whole() {
    [ "$(plain "$1" 'PRAGMA integrity_check')" = ok ] || fail "$1 is damaged"
    [ "$(plain "$1" 'PRAGMA application_id')" = 2002873957 ] || fail "$1 is no campaign"
    [ "$(plain "$1" 'SELECT count(*) - max(number) FROM reading')" = 0 ] || fail "$1: readings are missing"
    [ ! -e "$1-wal" ] && [ ! -e "$1-shm" ] && [ ! -e "$1-journal" ] || fail "$1 has a log beside it"
}
rows() { plain "$1" 'SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM intent)'; }

make_site 400 0
start_bench
start_daemon
begin_campaign
wait_until 60 cycles_done_at_least 1 || fail "no cycle"

say "copies of a campaign that is being written"
before=0 n=0
while [ "$n" -lt 6 ]; do
    done=$(field cycles_done)
    wane backup short -o "$copies/$n.wane" >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "wane backup"; }
    whole "$copies/$n.wane"
    [ "$(plain "$copies/$n.wane" 'SELECT count(*) FROM cycle')" -ge "$done" ] || fail "a cycle that was over is not in the copy"
    now_rows=$(rows "$copies/$n.wane")
    [ "$now_rows" -gt "$before" ] || fail "the station does not go on"
    before=$now_rows n=$((n + 1))
    wait_until 60 went_on "$done" || fail "the station does not go on"
done
wane backup --all -o "$copies" --json >"$dir/out" || fail "wane backup --all"
grep -q '"campaign": "short"' "$dir/out" && grep -q '"simulated": true' "$dir/out" || { cat "$dir/out" >&2; fail "JSON"; }
wane backup short -o "$dir/site/data" 2>"$dir/out" && fail "a copy in data_dir was allowed"
grep -q 'where the stations work' "$dir/out" || fail "it is not said why data_dir is no place"
wane backup short -o "$copies/a.wane" --archive 2>"$dir/out" && fail "a running campaign was archived"
grep -q 'running.*--unfinished' "$dir/out" || { cat "$dir/out" >&2; fail "it is not said that it runs"; }
[ ! -e "$copies/a.wane" ] || fail "a refused archive is there"

say "killed in the middle, at whatever moment"
n=0 killed=0
while [ "$n" -lt 25 ]; do
    wane backup short -o "$copies/k.wane" >/dev/null 2>&1 &
    pid=$!
    i=0
    while [ "$i" -lt $((n * 150)) ]; do i=$((i + 1)); done
    kill -9 "$pid" 2>/dev/null || true
    wait "$pid" 2>/dev/null || true
    [ -e "$copies/k.wane.new" ] && killed=$((killed + 1))
    if [ -e "$copies/k.wane" ]; then
        whole "$copies/k.wane"
        rm "$copies/k.wane"
    fi
    n=$((n + 1))
done
echo "   $killed of $n left a file under its other name"
wane backup short -o "$copies/k.wane" >/dev/null || fail "no backup after those that were killed"
whole "$copies/k.wane"
[ -z "$(find "$copies" -name '*.new*')" ] || fail "remains: $(find "$copies" -name '*.new*')"

if mkdir "$dir/small" && mount -t tmpfs -o size=128k tmpfs "$dir/small" 2>/dev/null; then
    say "no room"
    code=0
    wane backup short -o "$dir/small" >"$dir/out" 2>&1 || code=$?
    left=$(ls "$dir/small")
    umount "$dir/small"
    [ "$code" = 1 ] && grep -q 'no space.*MB' "$dir/out" || { cat "$dir/out" >&2; fail "no room is not told"; }
    [ -z "$left" ] || fail "half a copy stays on the full disk: $left"
fi

say "nothing of all this was noticed at the station"
[ "$(field state)" = running ] || fail "the campaign is $(field state)"
[ "$(sql "SELECT count(*) FROM event WHERE severity > 0")" = 0 ] || fail "$(sql "SELECT text FROM event WHERE severity > 0")"
[ "$(sql "SELECT count(*) FROM cycle WHERE flags <> 0")" = 0 ] || fail "a cycle is flagged"

say "a finished one as an archive, read by every command where nothing can be written"
wane stop A >/dev/null
stopped() { state_is stopped; }
wait_until 20 stopped || fail "not stopped"
wane backup short -o "$copies/short.wane" --archive >/dev/null || fail "wane backup --archive"
whole "$copies/short.wane"
(cd "$copies" && sha256sum --check --quiet short.wane.sha256) || fail "its SHA-256"
chmod a-w "$copies"
[ "$(stat -c %A "$copies/short.wane" | tr -d 'r-')" = "" ] || fail "the archive can be written"
stop_daemon
# read_by COMMAND...: as somebody who may not write there; root may anywhere.
read_by() {
    if [ "$(id -u)" -eq 0 ] && command -v setpriv >/dev/null; then
        chmod a+rx "$dir" "$copies"
        setpriv --reuid 65534 --clear-groups "$@"
    else
        "$@"
    fi >"$dir/out" 2>&1 || [ $? -eq 4 ] || { cat "$dir/out" >&2; fail "$*"; }
}
archive=$copies/short.wane
for command in "cycles $archive" "events $archive" "export $archive --what readings" "export $archive --what cycles" \
    "project $archive --threshold-ah 1" "claim $archive" "campaigns $copies" "verify $archive"; do
    # shellcheck disable=SC2086 # words
    read_by wane $command
done
[ "$(find "$copies" -name '*-wal' -o -name '*-shm')" = "" ] || fail "reading left something beside the archive"

#!/bin/sh
# How fast a recorded log is imported, and readings exported, beside sqlite3's own .import of the same file: ratios of CPU time of one run.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# usage: import_speed.sh [ROWS]     2000000 unless told otherwise; needs about 400 bytes of disk a row
#
# .import splits the lines and stores texts. wane import reads the log twice (to judge it, then to integrate it), checks every value,
# recognises steps and cycles, and stores numbers.
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
rows=${1:-2000000}
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-speed.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
awk -v rows="$rows" 'BEGIN {
    print "time_s,voltage_v,current_a,temperature_c"
    for (t = 0; t < rows; t++) {
        i = t % 2000
        if (i < 1000) printf "%d,%.4f,1.5000,%.2f\n", t, 3 + 1.2 * i / 1000, 25 + i / 500
        else printf "%d,%.4f,-1.4983,%.2f\n", t, 4.2 - 1.5 * (i - 1000) / 1000, 27 - (i - 1000) / 500
    } }' >log.csv

# cpu COMMAND...: its CPU time in seconds, user and system.
cpu() {
    times >before # a pipe would be another process, with times of its own
    "$@" >/dev/null
    times >after
    sed -n 2p before after -s | awk '{ for (i = 1; i <= 2; i++) { split($i, a, /[ms]/); s[NR] += a[1] * 60 + a[2] } } END { printf "%.2f", s[2] - s[1] }'
}
peer=$(cpu sqlite3 peer.db -cmd ".mode csv" ".import log.csv log")
import=$(cpu wane import log.csv --cutoff-v 2.8 -o log.wane)
csv=$(cpu wane export log --what readings -o readings.csv)
json=$(cpu wane export log --what readings --format json -o readings.json)
awk -v rows="$rows" -v peer="$peer" -v import="$import" -v csv="$csv" -v json="$json" -v bytes="$(wc -c <log.csv)" 'BEGIN {
    printf "%d rows, %.0f MB; CPU seconds: sqlite3 .import %.2f, wane import %.2f (%.2f times, %.0f MB/s), export as CSV %.2f, as JSON %.2f\n",
        rows, bytes / 1e6, peer, import, import / peer, bytes / 1e6 / import, csv, json
    exit !(import < 4 * peer) }' || { echo "an import takes four times as long as sqlite3's"; exit 1; }

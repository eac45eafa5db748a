#!/bin/sh
# wane-herald --metrics: what a collector reads, checked with promtool where Debian's package prometheus is installed; and the
# dashboard asks for nothing that is not written.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
src=${WANE_SOURCE_DIR:?}
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-metrics.XXXXXX")
trap 'rm -rf "$work"' EXIT
fail() { echo "FAIL: $*" >&2; exit 1; }
mkdir -p "$work/data" "$work/run"
cp -R "$src/conf" "$work/conf"
config=$work/conf/demo.conf
file=$work/run/wane.prom
sed -i 's|^run_dir .*|&\nmetrics_file = "../run/wane.prom";|' "$config"
cd "$work/data"

# A station without a campaign, then with one: three campaigns there, of which the newest of the station counts.
wane-herald --config "$config" --metrics
grep -q '^wane_station_state{station="A",state="none"} 1$' "$file" || fail "a station without a campaign: $(cat "$file")"
grep -q '^wane_cycle' "$file" && fail "there is a cycle without a campaign"
for n in old new; do wane import "$src/tests/cli/data/log.csv" --cutoff-v 2.5 --rated-ah 1 -o $n.wane >/dev/null; done
wane import "$src/tests/cli/data/log.csv" -o imported.wane >/dev/null
for n in old new; do
    sqlite3 $n.wane "UPDATE campaign SET imported = 0, station = 'A', status = 'running', cycles_planned = 300, simulated = 1;
        UPDATE cell SET name = 'a \"cell\" \\ of Ω' || char(10) || 'x'; UPDATE reading SET ambient_c = 21.5;
        UPDATE cycle SET capacity_u_ah = 0.0011, coulombic_efficiency = 0.998"
done
sqlite3 old.wane "UPDATE campaign SET created_utc_us = 1, status = 'stopped'"
sqlite3 new.wane "INSERT INTO event VALUES(9, 1234567890, 1700000001000000, 8, 2, 'temperature', 'hot', NULL, NULL)"
wane-herald --config "$config" --metrics

# sample NAME_AND_MORE VALUE: there is such a sample of the campaign "new".
sample() {
    grep -q "^$1{station=\"A\",campaign=\"new\",cell=\"a \\\\\"cell\\\\\" \\\\\\\\ of Ω x\",simulated=\"true\"$2} $3\$" "$file" ||
        fail "no $1 $2 $3 in: $(grep "^$1" "$file")"
}
sample wane_station_state ',state="running"' 1
sample wane_station_state ',state="halted"' 0
sample wane_alarm_active '' 1
sample wane_alarms_unacknowledged '' 1
sample wane_campaign_readable '' 1
sample wane_campaign_cycles '' 9
sample wane_campaign_planned_cycles '' 300
sample wane_cycle_capacity_amperehours '' 0.8475
sample wane_cycle_capacity_uncertainty_amperehours '' 0.0011
sample wane_cycle_retention_ratio '' 0.8475
sample wane_cycle_coulombic_efficiency_ratio '' 0.998
sample wane_cycle_resistance_ohms '' '0.08333.*'
sample wane_cycle_temperature_max_celsius '' 32
sample wane_cell_voltage_volts '' 3
sample wane_cell_current_amperes '' 0
sample wane_cell_temperature_celsius '' 31
sample wane_ambient_temperature_celsius '' 21.5
sample wane_projection_state ',state="not_yet_predictable"' 1
sample wane_projection_threshold_amperehours '' 0.7
sample wane_last_reading_timestamp_seconds '' '[0-9.]*'
sample wane_last_reading_age_seconds '' '[0-9.e-]*'
[ "$(grep -c 'campaign="old"\|campaign="imported"' "$file")" -eq 0 ] || fail "another campaign is told of"
[ "$(tail -1 "$file")" = "# EOF" ] || fail "it does not end with # EOF"
[ "$(stat -c %a "$file")" = 644 ] || fail "not everybody may read it"
[ ! -e "$file.new" ] || fail "$file.new was left"

# A projection: the cycles of a log that is long enough.
sqlite3 new.wane "WITH RECURSIVE n(i) AS (SELECT 10 UNION ALL SELECT i + 1 FROM n WHERE i < 300)
    INSERT INTO cycle(cycle, capacity_ah, flags, start_ns, end_ns, end_utc_us) SELECT i, 1 - 0.0006 * i, 0, i, i, i FROM n"
wane-herald --config "$config" --metrics
sample wane_projection_state ',state="projected"' 1
for p in 10 50 90; do sample wane_projection_end_of_life_cycles ",percentile=\"$p\"" '[0-9.]*'; done
awk -F'} ' '/^wane_projection_end_of_life_cycles/ { if ($2 <= last || $2 < 301) exit 1; last = $2; n++ } END { exit n != 3 }' "$file" ||
    fail "the percentiles do not rise: $(grep end_of_life "$file")"

# The text itself: one TYPE and HELP a family, the unit at the end of the name, its samples together.
awk '
    /^# TYPE/ { if ($4 != "gauge" || seen[$3]++) bad = bad " " $3; family = $3; next }
    /^# UNIT/ { if ($3 != family || $3 !~ ("_" $4 "$")) bad = bad " " $3; next }
    /^# HELP/ { if ($3 != family || NF < 5) bad = bad " " $3; helped[$3] = 1; next }
    /^# EOF/ { next }
    { name = $0; sub(/[{ ].*/, "", name); if (name != family) bad = bad " " name; samples[name] = 1 }
    END { for (f in seen) if (!helped[f]) bad = bad " " f; if (bad != "") print "   not in order:" bad; exit bad != "" }' "$file" || fail "the text"

# The dashboard asks for nothing else, and leaves nothing out.
/usr/bin/python3 -m json.tool "$src/contrib/metrics/dashboard.json" >/dev/null || fail "dashboard.json is no JSON"
grep -o 'wane_[a-z_]*' "$src/contrib/metrics/dashboard.json" | sort -u >"$work/asked"
sed -n 's/^# TYPE \([a-z_]*\) .*/\1/p' "$file" | sort -u >"$work/written"
diff "$work/asked" "$work/written" || fail "< is asked for by the dashboard and not written, > the other way round"

# What cannot be written is told, and what was there stays.
inode=$(stat -c %i "$file")
wane-herald --config "$config" --metrics
[ "$(stat -c %i "$file")" != "$inode" ] || fail "it was written over in place: whoever reads it may find half of it"
cp "$file" "$work/before"
sed -i 's|^metrics_file.*|metrics_file = "../none/wane.prom";|' "$config"
! wane-herald --config "$config" --metrics 2>"$work/err" || fail "written into a directory that is not there"
grep -q 'none/wane.prom cannot be written: No such file' "$work/err" || fail "it does not say so: $(cat "$work/err")"
cmp "$file" "$work/before" || fail "the file of before has changed"
sed -i 's|^metrics_file.*|metrics_file = "../run/wane.txt";|' "$config"
! wane-herald --config "$config" --metrics 2>/dev/null || fail "another ending than .prom is taken"
sed -i '/^metrics_file/d' "$config"
! wane-herald --config "$config" --metrics 2>"$work/err" || fail "without metrics_file"
grep -q 'names no metrics_file' "$work/err" || fail "it does not say so: $(cat "$work/err")"

if command -v promtool >/dev/null; then
    promtool check metrics <"$file" >"$work/out" 2>&1 || { cat "$work/out"; fail "promtool"; }
    [ ! -s "$work/out" ] || { cat "$work/out"; fail "promtool has something to say"; }
    sed 's/^wane_alarm_active/wane_alarm_active_total/' "$file" | promtool check metrics >/dev/null 2>&1 && fail "promtool takes anything"
    echo "   checked by $(promtool --version 2>&1 | head -1)"
else
    echo "   not checked by promtool: install Debian's package prometheus"
fi

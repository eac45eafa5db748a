#!/bin/sh
# wane import against published capacities.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# NASA Ames Prognostics Center of Excellence, Li-ion Battery Aging Datasets (Saha and Goebel 2007), cell B0005: all 168 cycles within 3 mAh.
# CALCE, University of Maryland, cell CS2_35: 25 selected cycles within 16 mAh. Both to 2.7 V, from the publishers' own readings.
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
data=${WANE_REFERENCE_DIR:-${WANE_SOURCE_DIR:?}/../shared/reference}
[ -e "$data/raw/B0005_discharge.csv" ] || {
    echo "SKIP: no reference data in $data (set WANE_REFERENCE_DIR)"
    exit 77
}
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-open.XXXXXX")
trap 'rm -rf "$work"' EXIT

# reproduce LOG PUBLISHED CYCLES LIMIT_MAH
reproduce() {
    wane import "$data/raw/$1" --cutoff-v 2.7 --name x -o "$work/x.wane"
    wane export "$work/x.wane" --what cycles -o "$work/x.csv"
    rm -f "$work"/x.wane*
    awk -F, -v want="$3" -v limit="$4" '
        FNR == 1 { for (i = 1; i <= NF; i++) column[FILENAME, $i] = i; next }
        { cycle = $column[FILENAME, "cycle"]; ah = $column[FILENAME, "capacity_ah"] }
        FNR == NR { published[cycle] = ah; next }
        { n++; off = (ah - published[cycle]) * 1000; if (off < 0) off = -off
          if (published[cycle] == "" || ah == "") bad = 1
          if (off > worst) { worst = off; at = cycle } }
        END { printf "   %d cycles, worst difference %.3f mAh at cycle %d (allowed %s)\n", n, worst, at, limit
              exit bad || n != want || worst > limit }
    ' "$data/fade/$2" "$work/x.csv"
}
reproduce B0005_discharge.csv nasa_pcoe/B0005.csv 168 3
reproduce CS2_35_selected.csv calce/CS2_35.csv 25 16

# Without the column that tells the cycles they are recognised by the current: the same number, the same capacities.
awk -F, -v OFS=, '{ print $3, $4, $5, $6 }' "$data/raw/B0005_discharge.csv" >"$work/blind.csv"
wane import "$work/blind.csv" --cutoff-v 2.7 -o "$work/blind.wane"
wane import "$data/raw/B0005_discharge.csv" --cutoff-v 2.7 -o "$work/told.wane" >/dev/null
for f in blind told; do
    wane export "$work/$f.wane" --what cycles | awk -F, '{ print $1 "," $2 }' >"$work/$f.cycles"
done
diff "$work/told.cycles" "$work/blind.cycles"

# Written as other people write logs (milli-units, minutes, decimal commas, charging with negative current): the same capacities.
awk -F, 'NR == 1 { print "Cycle;Test time / min;U [mV];I [mA];Temp (K)"; next }
    { line = sprintf("%s;%.14g;%.10g;%.10g;%.10g", $1, $3 / 60, $4 * 1000, -$5 * 1000, $6 + 273.15); gsub(/[.]/, ",", line); print line }' \
    "$data/raw/B0005_discharge.csv" >"$work/other.csv"
wane import "$work/other.csv" --decimal-comma --cutoff-v 2.7 -o "$work/other.wane" >/dev/null 2>"$work/said"
grep -q 'it is turned round' "$work/said" || {
    cat "$work/said"
    echo "it was not seen that negative current charges"
    exit 1
}

# Exported and imported again, in our columns and those of the Battery Data Format: the same cycles, to the ten digits that are written.
wane export "$work/told.wane" --what readings -o "$work/own.csv"
wane export "$work/told.wane" --what readings --columns bdf -o "$work/bdf.csv"
for f in own bdf; do
    wane import "$work/$f.csv" --charge-positive --cutoff-v 2.7 -o "$work/$f.wane" >/dev/null 2>&1
done
wane export "$work/told.wane" --what cycles | cut -d, -f1-29 >"$work/told.all"
for f in other own bdf; do
    wane export "$work/$f.wane" --what cycles | cut -d, -f1-29 >"$work/$f.all"
    awk -F, -v name=$f '
        FNR == NR { for (i = 1; i <= NF; i++) want[FNR, i] = $i; rows = FNR; next }
        { for (i = 1; i <= NF; i++) {
              a = $i; b = want[FNR, i]; off = a - b; if (off < 0) off = -off; size = b < 0 ? -b : b
              if ((a == "") != (b == "") || off > 1e-9 * size) { print "   " name ", line " FNR ": " a " and not " b; bad = 1 } } }
        END { if (FNR != rows) bad = 1; print "   " name ": " FNR " lines the same"; exit bad }' "$work/told.all" "$work/$f.all"
done

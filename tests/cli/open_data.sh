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

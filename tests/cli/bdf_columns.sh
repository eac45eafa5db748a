#!/bin/sh
# The columns of `wane export --columns bdf` are columns of the Battery Data Format, all that it requires among them.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Battery Data Alliance, table of columns 1.3.0 (bdf_columns_v1.3.0.tsv of the reference data).
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
table=${WANE_REFERENCE_DIR:-${WANE_SOURCE_DIR:?}/../shared/reference}/standards/bdf_columns_v1.3.0.tsv
[ -e "$table" ] || {
    echo "SKIP: no $table (set WANE_REFERENCE_DIR)"
    exit 77
}
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-bdf.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
wane import "$WANE_SOURCE_DIR/tests/cli/data/log.csv" --cutoff-v 2.5 >/dev/null
sqlite3 log.wane 'UPDATE campaign SET imported = 0' # so that there is a time of day
wane export log --what readings --columns bdf | head -1 | tr -d '\r' | tr ',' '\n' >labels
wane export log --what readings --columns bdf --format json | sed -n 2p | tr ',' '\n' | sed 's/[{}]//g; s/^"\([^"]*\)":.*/\1/' | grep . >names

# check COLUMN_OF_TABLE FILE: each line but our own is such a column and not deprecated; each required one is there.
check() {
    awk -F '\t' -v column="$1" '
        FNR == NR { if (/^#/ || $1 == "label") next
            n = split($column, a, "|"); known[a[1]] = 1; old[a[1]] = $4 == "yes"; if ($3 == "yes") need[a[1]] = 1; next }
        $0 == "Simulated / 1" || $0 == "Round" || $0 == "round" { next }
        { lines++; delete need[$0] }
        !($0 in known) { print "   no such column: " $0; bad = 1 }
        old[$0] { print "   deprecated: " $0; bad = 1 }
        END { for (k in need) { print "   missing: " k; bad = 1 }
              print "   " lines " columns"; exit bad || lines < 9 }' "$table" "$2"
}
check 1 labels
check 2 names

#!/bin/sh
# Every export opens in pandas without an option, with the numbers and the types it was written with.
# Debian's python3 with its python3-pandas, whatever else stands first on the path.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
/usr/bin/python3 -c 'import pandas' 2>/dev/null || {
    echo "SKIP: no python3-pandas"
    exit 77
}
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-pandas.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
wane import "${WANE_SOURCE_DIR:?}/tests/cli/data/log.csv" --cutoff-v 2.5 --rated-ah 1 >/dev/null
# something in every column: texts that need quotes, umlauts, and a number of many digits
sqlite3 log.wane "UPDATE campaign SET simulated = 1, imported = 0;
    UPDATE reading SET ambient_c = 21.5, utc_us = 1700000000250000 + number * 1000000;
    UPDATE reading SET time_ns = 123456789 WHERE number = 1;
    UPDATE cycle SET capacity_u_ah = 0.0011, energy_u_wh = 0.0042, resistance_u_ohm = 6e-07, ambient_min_c = 20, ambient_max_c = 22, flags = 3;
    INSERT INTO check_up VALUES(1, 8, 0.95, 0.001, 3.1, 0.004, 0.07, 0.0007, 3.7, 30.5, 1500000000, 2000000000, 1, 1700000000000000);
    INSERT INTO event VALUES(2, 1234567890, 1700000001000000, 8, 2, 'temperature', 'a \"quoted\" text, with comma, gemessen f' || char(252) || 'r N.N.', 'anna', 1700000002000000);"
for what in cycles readings steps events check-ups; do
    wane export log --what $what -o $what.csv
    wane export log --what $what --format json -o $what.json
done
wane export log --what readings --columns bdf -o bdf.csv
wane export log --what readings --columns bdf --format json -o bdf.json
/usr/bin/python3 "$WANE_SOURCE_DIR/tests/cli/pandas_read.py"

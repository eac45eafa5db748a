#!/bin/sh
# Every kind of picture in every format, drawn by gnuplot as it is installed: whole, of the right kind and of the right size.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
for tool in gnuplot xmllint; do
    command -v $tool >/dev/null || { echo "skipped: no $tool"; exit 77; }
done
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-pictures.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
fail() { echo "FAILED: $*" >&2; exit 1; }

wane import "${WANE_SOURCE_DIR:?}/tests/cli/data/log.csv" --cutoff-v 2.5 --rated-ah 1 >/dev/null 2>&1
sqlite3 log.wane 'UPDATE campaign SET simulated = 1;
    UPDATE cycle SET coulombic_efficiency = 0.99, energy_efficiency = 0.9, resistance_ohm = 0.02, ambient_min_c = 22, ambient_max_c = 23'
cp log.wane other.wane

# draw FILE ARGUMENTS...
draw() {
    file=$1
    shift
    wane plot "$@" -o "$file" 2>err || fail "wane plot $*: $(cat err)"
    [ -s "$file" ] || fail "wane plot $*: $file is empty"
}
for kind in fade retention resistance discharge heating temperature efficiency dqdv; do
    draw $kind.svg $kind log
    xmllint --noout $kind.svg || fail "$kind.svg is no XML"
    grep -q '>SIMULATED<' $kind.svg || fail "$kind.svg does not say across it that it is simulated"
    grep -q '>SIMULATED  ' $kind.svg || fail "$kind.svg does not say in its title that it is simulated"
    grep -q 'discharge at 1.79 to 1.99 A to 2.5 V; highest cell temperature 32 °C' $kind.svg || fail "$kind.svg does not tell the conditions"
    grep -Eq '(href|src)=.?(https?:|file:)' $kind.svg && fail "$kind.svg looks elsewhere"
    # of several campaigns, dark, as a bitmap
    draw $kind.png $kind log other --look dark --size 800x500
    [ "$(od -An -tx1 -N8 $kind.png | tr -d ' \n')" = 89504e470d0a1a0a ] || fail "$kind.png is no PNG"
    [ "$(od -An -tu1 -j16 -N8 $kind.png | tr -s ' \n' ' ')" = ' 0 0 3 32 0 0 1 244 ' ] || fail "$kind.png is not 800 x 500"
    draw $kind.pdf $kind log
    [ "$(head -c 5 $kind.pdf)" = %PDF- ] || fail "$kind.pdf is no PDF"
done
draw large.png fade log --size 3840x2160
[ "$(od -An -tu1 -j16 -N8 large.png | tr -s ' \n' ' ')" = ' 0 0 15 0 0 0 8 112 ' ] || fail "large.png is not 3840 x 2160"
draw clear.svg fade log --look transparent --size 480x320
grep -q 'width="480" height="320"' clear.svg || fail "clear.svg is not 480 x 320"
# The one of 5000 cycles is no larger than can be shown; its lowest and its last point are in it.
sqlite3 log.wane "WITH RECURSIVE n(i) AS (SELECT 100 UNION ALL SELECT i + 1 FROM n WHERE i < 5099)
    INSERT INTO cycle SELECT (SELECT i FROM n AS m WHERE m.i = n.i), $(sqlite3 log.wane "SELECT group_concat(name, ', ') FROM pragma_table_info('cycle') WHERE name <> 'cycle'")
    FROM n, (SELECT * FROM cycle WHERE cycle = 7)"
draw many.svg fade log
[ "$(wc -c <many.svg)" -lt 400000 ] || fail "many.svg of 5000 cycles has $(wc -c <many.svg) bytes"
leftover=$(find . -name '*part*')
[ -z "$leftover" ] || fail "left behind: $leftover"

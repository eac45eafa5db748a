#!/bin/sh
# Reports in headless Chromium: no error, nothing fetched, no overflow on a phone and on a desk, by day and by night, on paper; whatever
# the texts in the campaign file hold. Then the same looks at a page that is bad in each of these ways, and must find it so.
# SPDX-License-Identifier: GPL-3.0-or-later
#
#   browser.sh            KEEP=DIR browser.sh leaves the pages, their pictures and the PDF in DIR
set -eu
here=$(cd "$(dirname "$0")" && pwd)
PATH=${WANE_BIN_DIR:?}:$PATH
for program in chromium python3 pdftotext gnuplot sqlite3; do
    command -v $program >/dev/null || {
        echo "SKIP: there is no $program (contrib/packages.sh: packages_test, packages_run)"
        exit 77
    }
done
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-report.XXXXXX")
trap 'rm -rf "$work"' EXIT
cp -R "$here/../cli/data" "$work/data"
cd "$work"
LC_ALL=C
export LC_ALL
unset WANE_CONFIG

# What a log cannot tell, put in: events, instruments, a certificate, a datasheet with a claim.
wane import data/log.csv --cutoff-v 2.5 --rated-ah 1 -o plain.wane >/dev/null
cp plain.wane rich.wane
sqlite3 rich.wane "
    UPDATE campaign SET simulated = 1, imported = 0, name = 'rich', station = 'A', procedure_title = 'Datasheet claim', status = 'stopped',
        cycles_planned = 9, accuracy_voltage_of_reading = 0.0005, accuracy_voltage_fixed_v = 0.001, accuracy_current_of_reading = 0.001,
        accuracy_current_fixed_a = 0.002, accuracy_temperature_c = 1, accuracy_time_of_reading = 0.00005;
    UPDATE cell SET title = 'Invented 21700', marking = 'DEMO', mass_g = 69.1, diameter_mm = 21.2, length_mm = 70.1, arrival_voltage_v = 3.48,
        ac_impedance_ohm = 0.0128, ac_impedance_hz = 1000, ac_impedance_max_ohm = 0.018, dc_resistance_max_ohm = 0.03, nominal_voltage_v = 3.3,
        charge_voltage_v = 4.2, discharge_cutoff_v = 2.5, claim_cycles = 9, claim_charge_current_a = 1, claim_charge_until_current_a = 0.05,
        claim_discharge_current_a = 2, claim_discharge_until_voltage_v = 2.5, claim_retention = 0.8, claim_min_ah = 0.8;
    UPDATE cycle SET flags = 0, discharge_current_a = 2, capacity_u_ah = 0.001, energy_u_wh = 0.004, resistance_ohm = 0.05,
        resistance_u_ohm = 0.0006, cutoff_slope_v_per_s = -0.001, coulombic_efficiency = 0.998, energy_efficiency = 0.95;
    INSERT INTO session(start_utc_us, monotonic_ns, time_ns, boot_id) VALUES(1790000000000000, 0, 0, 'b'), (1790000100000000, 0, 0, 'c');
    INSERT INTO instrument VALUES('tester', 'generic', '/dev/secret-port', 'EXAMPLE,T1,4711,1.0', 1);
    INSERT INTO calibration VALUES('tester', 'EXAMPLE,T1,4711,1.0', 'voltage', 'V', 1.0002, 0.0005, 0.001, 2, 0.002, 1770000000000000,
        1800000000000000, 'K-4711');
    INSERT INTO event(time_ns, utc_us, cycle, severity, kind, text) VALUES(10, 1790000000000001, 1, 2, 'halted', 'over-temperature'),
        (20, 1790000000000002, 1, 1, 'warning', 'calibration ran out'), (30, 1790000000000003, 1, 0, 'resumed', 'by somebody'),
        (40, 1790000000000004, 1, 0, 'intake', 'mass_g is 69.1, was not recorded, by somebody (uid 7)');
    UPDATE config SET text = 'alerts = { hooks = ( { program = \"mail\"; arguments = [ \"nobody@example.org; )\" ]; } ); };
stations = ();
'"

# Every text of the file is hostile, or too long, or no text at all.
cp rich.wane hostile.wane
long=$(printf '%0200d' 0)
evil='"'"</title></style></pre><script>window.hostile = 1</script><img src=x onerror=\"window.hostile = 1\"><b>'&amp; $long"
say() { printf '%s' "$evil" | sed "s/'/''/g"; }
bad="CAST(x'3c7363726970743e1b5b33316dff80e280aec3' AS TEXT)" # <script> ESC [31m, no UTF-8, a turn of the direction, half a letter
sqlite3 hostile.wane "
    UPDATE campaign SET name = '$(say)', station = '$(say)', procedure = '$(say)', procedure_title = '$(say)', status = 'stopped';
    UPDATE cell SET title = '$(say)', marking = '$(say)', name = $bad;
    UPDATE instrument SET role = '$(say)', identity = '$(say)', dialect = $bad;
    UPDATE calibration SET role = '$(say)', certificate = '$(say)', quantity = '$(say)', unit = '<b>';
    UPDATE step SET description = '$(say)', ended_by = '<b>';
    UPDATE config SET text = '$(say)' || text || $bad, sha256 = '<script>';
    DROP TRIGGER event_is_not_changed;
    UPDATE event SET text = '$(say)';
    UPDATE event SET kind = '<script>' WHERE kind <> 'intake';
    INSERT INTO event(time_ns, utc_us, cycle, severity, kind, text) VALUES(50, 1790000000000005, 1, 2, 'halted', $bad)"

for name in plain rich hostile; do
    wane report $name.wane -o $name.html
done
if grep -l -e nobody@ -e secret-port -e 'uid 7' ./*.html; then
    echo "the report tells who is alerted, who works there, or where an instrument is plugged in" >&2
    exit 1
fi
for text in ': mass_g is 69.1, was not recorded<' 'reading + 0.0005 V<' 'voltage 2026-02-02<'; do
    grep -q "$text" rich.html || {
        echo "the report does not tell $text" >&2
        exit 1
    }
done
for word in discharge heating resistance fade efficiency; do
    grep -q "<figure id=\"figure-$word\"" rich.html || {
        echo "there is no picture of $word in the report" >&2
        exit 1
    }
done
python3 "$here/browser.py" "$work" plain.html rich.html hostile.html

# A page that is bad in every way: each must be found.
cat >bad.html <<'END'
<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>bad</title></head><body style="background:#fff;color:#888">
<h1 id="x">a</h1><h3 id="x">b</h3><p style="width:2000px">wide</p><table><tr><td>1</td></tr></table>
<img src="http://192.0.2.1/x.png"><script>window.hostile = 1; nothing.at.all()</script></body></html>
END
if python3 "$here/browser.py" "$work" bad.html >bad.txt 2>&1; then
    echo "a bad page passed" >&2
    exit 1
fi
for word in overflow contrast error fetched script hostile 'same id' heading caption dark; do
    grep -q "$word" bad.txt || {
        cat bad.txt
        echo "nothing was said of: $word" >&2
        exit 1
    }
done
if [ -n "${KEEP:-}" ]; then
    mkdir -p "$KEEP"
    cp ./*.html ./*.png ./*.pdf "$KEEP/"
fi
echo "three reports, one bad page"

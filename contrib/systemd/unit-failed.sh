#!/bin/sh
# Tells by the alert program that a service has failed for good; run by wane-alarm@.service.
# SPDX-License-Identifier: GPL-3.0-or-later
#
#   unit-failed UNIT     the program is $WANE_ALERT; it gets one JSON object on its standard input, as for every alarm
set -eu
unit=${1:?which unit has failed?}
# A unit's name may go into JSON as it is when it holds nothing but these.
case $unit in *[!A-Za-z0-9@:._-]*) echo "<3>'$unit' is no name of a unit" >&2; exit 2 ;; esac

text="$unit has failed and is not started again by itself. Every output was told off; look at the bench all the same, then: systemctl status $unit"
echo "<1>$text" >&2
if [ ! -x "${WANE_ALERT:-}" ]; then
    echo "<1>nobody is told: '${WANE_ALERT:-}' is no program (WANE_ALERT of wane-alarm@.service)" >&2
    exit 1
fi
printf '{"station":"","campaign":"","cell":"","simulated":false,"number":0,"utc":"%s","severity":"alarm","kind":"service_failed","cycle":0,"text":"%s"}\n' \
    "$(date -u +%Y-%m-%dT%H:%M:%SZ)" "$text" | timeout -k 5 60 "$WANE_ALERT" || {
    echo "<1>nobody was told: $WANE_ALERT failed" >&2
    exit 1
}

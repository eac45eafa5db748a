#!/bin/sh
# Runs one of the scripts that need a terminal: watch.sh SCRIPT.py
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
/usr/bin/python3 -c 'import pyte, wcwidth' 2>/dev/null || {
    echo "skipped: no python3-pyte"
    exit 77
}
exec /usr/bin/python3 -B "${WANE_SOURCE_DIR:?}/tests/cli/$1"

#!/bin/sh
# Writes the score table of lib/fade/METHOD.md anew.
# SPDX-License-Identifier: GPL-3.0-or-later
# usage: sh tests/bench/scores.sh BENCH_PROGRAM REFERENCE_DIR
set -eu
here=$(cd "$(dirname "$0")" && pwd)
page=$here/../../lib/fade/METHOD.md
scores=$("$1" "$2")
{
    sed '/^<!-- scores -->$/q' "$page"
    printf '```\n%s\n```\n' "$scores"
    sed -n '/^<!-- end of scores -->$/,$p' "$page"
} >"$page.new"
mv "$page.new" "$page"

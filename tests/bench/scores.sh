#!/bin/sh
# Writes the score table of lib/fade/METHOD.md anew.
# SPDX-License-Identifier: GPL-3.0-or-later
# usage: sh tests/bench/scores.sh BENCH_PROGRAM REFERENCE_DIR MORE_DIR
set -eu
here=$(cd "$(dirname "$0")" && pwd)
page=$here/../../lib/fade/METHOD.md
lines='^known  .*%$|^unseen  .*%$|^early, unseen'
scores=$(
    "$1" "$2" "$3"
    echo 'cells of odd number alone:'
    "$1" "$2" "$3" half=1 | grep -E "$lines|^unseen, means"
    echo 'the same curves thinned to 16 check-ups a life:'
    "$1" "$2" "$3" thin=16 | grep -E "$lines"
    echo 'and to 30:'
    "$1" "$2" "$3" thin=30 | grep -E "$lines"
)
{
    sed '/^<!-- scores -->$/q' "$page"
    printf '```\n%s\n```\n' "$scores"
    sed -n '/^<!-- end of scores -->$/,$p' "$page"
} >"$page.new"
mv "$page.new" "$page"

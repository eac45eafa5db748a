#!/bin/sh
# Runs the lines of NAME.cmds as commands and compares what they say with NAME.golden.
# SPDX-License-Identifier: GPL-3.0-or-later
#
#   golden.sh NAME            BLESS=1 golden.sh NAME writes the golden anew: read the difference before you commit it
#
# The commands run in a directory of their own with a copy of data/. In the golden stands each command behind "$ ", its standard
# output as it is, its standard error behind "! ", and its exit code when it is not 0. Three things change from day to day and from
# build to build and are replaced: times of day (<utc>), the directory (<here>), and the compiled-in path of the configuration (<default>).
set -eu
here=$(cd "$(dirname "$0")" && pwd)
name=$1
PATH=${WANE_BIN_DIR:?}:$PATH
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-cli.XXXXXX")
trap 'rm -rf "$work"' EXIT
mkdir "$work/site"
cp -R "$here/data" "$work/site/data"
cd "$work/site"
unset WANE_CONFIG NO_COLOR
LC_ALL=C
export LC_ALL
default=$(wane | sed -n "s,^There is no configuration at \(.*\) yet\.$,\1,p; s,^Configuration: ,,p")

while IFS= read -r line; do
    case $line in
    '' | '#'*) continue ;;
    esac
    printf '$ %s\n' "$line"
    code=0
    sh -c "$line" >"$work/out" 2>"$work/err" </dev/null || code=$?
    cat "$work/out"
    sed 's/^/! /' "$work/err"
    [ "$code" -eq 0 ] || echo "exit $code"
done <"$here/$name.cmds" | sed -E -e 's/[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9:]{8}Z/<utc>/g' -e "s,$default,<default>,g" -e "s,$work/site,<here>,g" >"$work/got"

if [ "${BLESS:-}" = 1 ]; then
    cp "$work/got" "$here/$name.golden"
    exit 0
fi
diff -u "$here/$name.golden" "$work/got" || {
    echo "wane does not say what tests/cli/$name.golden says (BLESS=1 tests/cli/golden.sh $name makes it the truth)" >&2
    exit 1
}

#!/bin/sh
# Every shell script passes shellcheck, and shellcheck finds something in a bad one.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# usage: shell.sh ROOT
set -eu
command -v shellcheck >/dev/null || {
    echo "skipped: no shellcheck (Debian package shellcheck)"
    exit 77
}
cd "$1"
work=$(mktemp -d "${TMPDIR:-/tmp}/tidy-shell.XXXXXX")
trap 'rm -rf "$work"' EXIT

# Scripts by their first lines; what is read in by others says of which shell it is.
find .ci conf contrib daemon lib tests tools -type f | sort | while IFS= read -r f; do
    if head -n 6 "$f" | tr -d '\000' | grep -q -e '^#!/bin/\(sh\|bash\)' -e '^# shellcheck shell='; then
        printf '%s\n' "$f"
    fi
done >"$work/scripts"
[ "$(grep -c '' "$work/scripts")" -ge 60 ] || { echo "only these scripts were found:"; cat "$work/scripts"; exit 1; }

cp .shellcheckrc "$work"
printf '#!/bin/sh\nx="a b"\necho $x\n' >"$work/bad.sh"
if (cd "$work" && shellcheck bad.sh >out); then
    echo "a bad script passes"
    exit 1
fi
xargs shellcheck --format=gcc <"$work/scripts"
echo "$(grep -c '' "$work/scripts") scripts"

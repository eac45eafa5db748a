#!/bin/sh
# Every file, command and option that the documents name is there.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# usage: names.sh ROOT      WANE_BIN_DIR: where wane is
#
# Looked at is what stands between `backquotes`, and where links go. Words in capitals in a path stand for any name.
set -eu
cd "$1"
wane=${WANE_BIN_DIR:?}/wane
work=$(mktemp -d "${TMPDIR:-/tmp}/tidy-names.XXXXXX")
trap 'rm -rf "$work"' EXIT
find daemon lib conf tools tests contrib -type f | sed 's,.*/,,' | sort -u >"$work/files"
"$wane" help | sed -n '/^Commands:/,/^Options/s/^  \([a-z-]*\) .*/\1/p' >"$work/commands"

exists() { # PATH: or something of that form
    pattern=$(printf '%s\n' "$1" | sed -E 's/[A-Z]+/*/g')
    [ -e "$1" ] && return
    # shellcheck disable=SC2086 # a pattern
    set -- $pattern
    [ -e "$1" ]
}
# check FILE NAME: prints a complaint when what it names is not there.
check() {
    set -f
    # shellcheck disable=SC2086 # words
    case $2 in
    wane\ *)
        set -- "$1" $2
        grep -qx -e "$3" "$work/commands" || { case $3 in [a-z]*) echo "$1: there is no command: $2 $3" ;; esac; return; }
        command=$3
        for word in "$@"; do
            case $word in
            --*) "$wane" help "$command" | grep -q -e "$word\( \|$\)" || echo "$1: wane $command has no option $word" ;;
            esac
        done
        ;;
    *' '*) ;; # another program's
    daemon/* | lib/* | conf/* | tools/* | tests/* | contrib/*)
        set +f
        exists "$2" || echo "$1: there is no $2"
        ;;
    *[a-z].[ch] | *[a-z].sh | *[a-z].conf)
        case $2 in *[A-Z*]* | */*) ;; *) grep -qx -e "$2" "$work/files" || echo "$1: there is no file $2" ;; esac
        ;;
    esac
    set +f
}
named() { # FILE
    tr '\n' ' ' <"$1" | grep -o '`[^`]*`' | tr -d '`'
    grep -o '](\([^)#]*\))' "$1" | sed -e 's/^](//' -e 's/)$//' | grep -v '^http' | while IFS= read -r link; do
        [ -e "$(dirname "$1")/$link" ] || echo "contrib/no-link-to/$link"
    done
}
for document in README.md DEVELOPERS.md lib/fade/METHOD.md; do
    [ -e "$document" ] || continue
    named "$document" | sort -u >"$work/names"
    n=$(grep -c '' "$work/names")
    [ "$n" -ge 10 ] || echo "$document: only $n names were found"
    while IFS= read -r name; do
        check "$document" "$name"
    done <"$work/names"
done >"$work/complaints"

# That each kind of complaint is made.
for bad in 'lib/none.c' 'wane frobnicate' 'wane status --frob' 'none.c' 'lib/none/NAME.c'; do
    [ -n "$(check self "$bad")" ] || echo "nothing is said about: $bad"
done >>"$work/complaints"
cat "$work/complaints"
[ ! -s "$work/complaints" ]

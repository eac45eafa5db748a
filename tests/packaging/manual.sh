#!/bin/sh
# The manual pages are well-formed, and tell every command and every option there is.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

command -v mandoc >/dev/null || { echo "skipped: no mandoc"; exit 77; }
install_tree
man=$prefix/share/man

say "mandoc -T lint"
for page in man1/wane.1 man8/waned.8; do
    # Other pages may not be installed here; everything else is to be mended.
    mandoc -T lint -W warning "$man/$page" >"$dir/out" 2>&1 || { cat "$dir/out" >&2; fail "$page"; }
    mandoc -T utf8 "$man/$page" | sed 's/.\x08//g' >"$dir/$(basename "$page").txt"
done

say "every command and option of wane is told"
wane=$prefix/bin/wane
commands=$("$wane" help | sed -n '/^Commands:/,/^Options/s/^  \([a-z-]*\) .*/\1/p')
[ "$(echo "$commands" | wc -l)" -ge 19 ] || fail "which commands are there? $commands"
for command in $commands; do
    grep -q "^\.It Cm $command\( \|$\)" "$man/man1/wane.1" || fail "wane.1 does not tell of: wane $command"
    # The part of the page on this command, up to the next one.
    awk -v c="$command" '/^\.It Cm / { on = $3 == c } /^\.Sh / { on = 0 } on' "$man/man1/wane.1" >"$dir/part"
    for option in $("$wane" help "$command" | sed -n 's/^  \(-., \)\{0,1\}--\([a-z-]*\).*/\2/p'); do
        case $option in config | json | help) continue ;; esac
        grep -q "Fl Fl $(echo "$option" | sed 's/-/[\\\\]*-/g')\( \|$\)" "$dir/part" || fail "wane.1 does not tell of: wane $command --$option"
    done
done
for option in $("$prefix/sbin/waned" --help | grep -o -e '--[a-z-]*' | sort -u); do
    grep -q "Fl Fl ${option#--}\( \|$\)" "$man/man8/waned.8" || fail "waned.8 does not tell of: waned $option"
done

say "the pages say what matters most"
for word in 'SAFETY' 'interlock' 'fuse' 'containment' 'local codes' 'licensed' 'within 1 s' '50 ms' 'DTR' 'RTS'; do
    grep -q "$word" "$dir/waned.8.txt" || fail "waned.8 does not speak of: $word"
done

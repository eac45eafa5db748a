#!/bin/sh
# The manual pages are well-formed, and tell every command and every option there is.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

command -v mandoc >/dev/null || { echo "skipped: no mandoc"; exit 77; }
install_tree
man=$prefix/share/man

say "mandoc -T lint"
for page in man1/wane.1 man1/wane-virtual-bench.1 man5/wane.conf.5 man5/wane-campaign.5 man8/waned.8; do
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
for option in $("$prefix/bin/wane-virtual-bench" --help | sed -n '1,/^Switches/p' | grep -o -e '--[a-z-]*[a-z]' | sort -u); do
    grep -q "Fl Fl ${option#--}\( \|$\)" "$man/man1/wane-virtual-bench.1" || fail "wane-virtual-bench.1 does not tell of: $option"
done
for option in $("$prefix/sbin/waned" --help | grep -o -e '--[a-z-]*' | sort -u); do
    grep -q "Fl Fl ${option#--}\( \|$\)" "$man/man8/waned.8" || fail "waned.8 does not tell of: waned $option"
done

say "every key of the configuration is told, and no other"
# Rows of the tables of lib/config, and of the macros they are made of; the rules of the envelope are those of debounce.
awk '
    function names(s,    name) {
        while (match(s, /([A-Z][A-Z_0-9]*[(]|[.]name = )"[a-z_0-9]+"/)) {
            name = substr(s, RSTART, RLENGTH)
            s = substr(s, RSTART + RLENGTH)
            if (name ~ /^(CELL_WORD|MEMBER)/) continue
            sub(/^[^"]*"/, "", name)
            sub(/"$/, "", name)
            print name
        }
    }
    FNR == 1 { inside = define = 0 }
    /struct wn_key [a-z_]*(\[\])? =/ { inside = 1 }
    /^#define / { define = 1 }
    inside || define { names($0) }
    inside && (/[.]name = NULL/ || /^ *};/ || /struct wn_key .*;$/) { inside = 0 }
    define && !/\\$/ { define = 0 }
' "${WANE_SOURCE_DIR:?}"/lib/config/*.[ch] | sort -u >"$dir/keys"
[ "$(grep -c '' "$dir/keys")" -ge 180 ] || fail "only $(grep -c '' "$dir/keys") keys were found: were all seen?"
sed -n 's/^\.It Va //p' "$man/man5/wane.conf.5" | tr ',' '\n' | sed -e 's/ *Va *//' -e 's/ //g' -e '/^$/d' | sort -u >"$dir/told"
comm -23 "$dir/keys" "$dir/told" >"$dir/missing"
comm -13 "$dir/keys" "$dir/told" >"$dir/unknown"
[ ! -s "$dir/missing" ] || fail "wane.conf.5 does not tell of: $(tr '\n' ' ' <"$dir/missing")"
[ ! -s "$dir/unknown" ] || fail "wane.conf.5 tells of keys that are none: $(tr '\n' ' ' <"$dir/unknown")"

say "every table, view, column and flag of a campaign file is told"
if command -v sqlite3 >/dev/null; then
    (cd "$dir" && "$prefix/bin/wane" import "$WANE_SOURCE_DIR/tests/cli/data/log.csv" -o example.wane >/dev/null)
    page=$man/man5/wane-campaign.5
    tables=$(sqlite3 "$dir/example.wane" "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite_%'")
    [ "$(echo "$tables" | wc -l)" -ge 20 ] || fail "which tables are there? $tables"
    for table in $tables; do
        awk -v t="$table" '/^\.It Li / { on = $3 == t } /^\.S[hs] / { on = 0 } on' "$page" >"$dir/part"
        [ -s "$dir/part" ] || fail "wane-campaign.5 does not tell of: $table"
        for column in $(sqlite3 "$dir/example.wane" "SELECT name FROM pragma_table_info('$table')"); do
            grep -q "^\.Va.* $column\( \|$\)" "$dir/part" || fail "wane-campaign.5 does not tell of: $table.$column"
        done
        for column in $(sed -n 's/^\.Va //p' "$dir/part" | tr ',:.' '   '); do
            sqlite3 "$dir/example.wane" "SELECT name FROM pragma_table_info('$table')" | grep -qx "$column" ||
                fail "wane-campaign.5 tells of a column that is none: $table.$column"
        done
    done
    sqlite3 "$dir/example.wane" "SELECT text FROM about_text WHERE topic = 'flags'" | grep -o '[0-9]* [a-z_]* (' | tr -d '(' |
        while read -r bit word; do
            grep -q "^\.It $bit $word$" "$page" || { echo "wane-campaign.5 does not tell of the flag $word" >&2; exit 1; }
        done || exit 1
    grep -q "the version of the schema, $(sqlite3 "$dir/example.wane" 'PRAGMA user_version')\.$" "$page" || fail "wane-campaign.5: another version"
fi

say "the pages say what matters most"
for word in 'SAFETY' 'interlock' 'fuse' 'containment' 'local codes' 'licensed' 'within 1 s' '50 ms' 'DTR' 'RTS'; do
    grep -q "$word" "$dir/waned.8.txt" || fail "waned.8 does not speak of: $word"
done

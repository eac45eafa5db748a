#!/bin/sh
# What bash (and zsh, where it is) offers behind "wane", as it is installed: every command and option there is, and the names of
# the configuration.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

command -v bash >/dev/null || { echo "skipped: no bash"; exit 77; }
install_tree
wane=$prefix/bin/wane
PATH=$prefix/bin:$PATH
mkdir -p "$dir/site/data" "$dir/site/run" "$dir/here"
cp -R "$prefix/share/wane/conf" "$dir/site/conf"
WANE_CONFIG=$dir/site/conf/demo.conf
export WANE_CONFIG
"$wane" import "${WANE_SOURCE_DIR:?}/tests/cli/data/log.csv" -o "$dir/site/data/c1.wane" >/dev/null
cp "$dir/site/data/c1.wane" "$dir/site/data/c2.wane"
: >"$dir/here/results.csv"
cd "$dir/here" || exit 1

# The words of the command line as arguments; the last one is under the cursor.
cat >"$dir/ask.bash" <<'EOF'
source "$1"
shift
COMP_WORDS=("$@") COMP_CWORD=$(($# - 1))
_wane
printf '%s\n' "${COMPREPLY[@]}"
EOF
cat >"$dir/ask.zsh" <<'EOF'
_describe() { local -a list; list=("${(@P)2}"); for x in "${list[@]}"; do print -r -- "${${x%%:*}}"; done }
_files() { print -r -- *(N) }
script=$1
shift
words=("$@") CURRENT=$#
ask() { source $script }
ask
EOF
offers() { # SHELL WORD...: what is offered
    shell=$1
    shift
    case $shell in
    bash) bash "$dir/ask.bash" "$prefix/share/bash-completion/completions/wane" "$@" ;;
    zsh) zsh -f "$dir/ask.zsh" "$(ls "$prefix"/share/zsh/*/_wane)" "$@" ;;
    esac
}
# wants OFFER WORD...: it is offered
wants() {
    offer=$1
    shift
    for shell in $shells; do
        offers "$shell" "$@" >"$dir/out"
        grep -qx -e "$offer" "$dir/out" || { cat "$dir/out" >&2; fail "$shell: '$*' does not offer $offer"; }
    done
}
shells=bash
command -v zsh >/dev/null && shells="bash zsh" || echo "   no zsh here: only bash"

say "every command and every option"
n=0
for command in $("$wane" help | sed -n '/^Commands:/,/^Options/s/^  \([a-z-]*\) .*/\1/p'); do
    wants "$command" wane "$(echo "$command" | cut -c1)"
    offers bash wane "$command" - >"$dir/options"
    for option in $("$wane" "$command" --help | sed -n -e 's/^  \(-.\), --.*/\1/p' -e 's/^  \(-., \)\{0,1\}\(--[a-z-]*\).*/\2/p'); do
        grep -qx -e "$option" "$dir/options" || fail "wane $command does not offer $option"
        n=$((n + 1))
    done
done
[ "$n" -ge 100 ] || fail "only $n options were seen"

say "names of the configuration"
wants A wane status ''
wants A wane start ''
wants demo-18650 wane start A --cell ''
wants datasheet-claim wane start A --cell demo-18650 --procedure data
wants c1 wane cycles ''
wants c2 wane --config "$WANE_CONFIG" --json verify c1 c
wants virtual-bench wane try ''
wants generic-scpi wane identify /dev/null --dialect gen
wants json wane export c1 --format ''
wants fade wane plot ''
wants c1 wane plot fade ''
wants project wane help p
wants --cutoff-v wane import results.csv --cut

say "files where a file is meant, and nothing where nothing can stand"
wants results.csv wane import ''
wants results.csv wane project --csv ''
wants results.csv wane export c1 -o r
for words in "ports x" "frobnicate x" "cycles c1 --every x" "pause A x"; do
    # shellcheck disable=SC2086 # words
    [ -z "$(offers bash wane $words)" ] || fail "something is offered for: wane $words"
done
WANE_CONFIG=$dir/none.conf
[ -z "$(offers bash wane status x 2>&1)" ] || fail "without a configuration something is said"
exit 0

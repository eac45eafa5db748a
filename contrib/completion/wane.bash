# bash completion for wane(1). What may stand next is told by the command itself.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=bash

_wane() {
    local cur=${COMP_WORDS[COMP_CWORD]} line IFS=$'\n'
    COMPREPLY=()
    for line in $("${COMP_WORDS[0]}" __complete "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null); do
        case $line in
        :files)
            compopt -o filenames 2>/dev/null
            # shellcheck disable=SC2207 # IFS splits at line ends
            COMPREPLY+=($(compgen -f -- "$cur"))
            ;;
        *)
            line=${line%%$'\t'*}
            [[ $line == "$cur"* ]] && COMPREPLY+=("$line")
            ;;
        esac
    done
    return 0
}
complete -F _wane wane

# How the tests wait: for an event, with a limit; sourced.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh

# wait_until SECONDS COMMAND...: false when the command still fails after so long.
wait_until() {
    limit=$(($(date +%s) + $1))
    shift
    until "$@" >/dev/null 2>&1; do
        [ "$(date +%s)" -le "$limit" ] || return 1
        sleep 0.05
    done
}

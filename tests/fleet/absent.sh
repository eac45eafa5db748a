#!/bin/sh
# A build without libpq says so, and how to get the rest; its help is there.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
said=$("${WANE_BIN_DIR:?}/wane" publish x 2>&1) && { echo "wane publish succeeds without libpq" >&2; exit 1; }
case $said in
*'built without it'*'libpq-dev'*'-DWN_PUBLISH=ON'*) ;;
*) echo "does not say how to get it: $said" >&2; exit 1 ;;
esac
"$WANE_BIN_DIR/wane" publish --help | grep -q -e '--dry-run'

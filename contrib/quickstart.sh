#!/bin/sh
# From a fresh Debian 12 to a finished campaign: installs what is missing, builds, runs 300 cycles on the virtual bench.
# SPDX-License-Identifier: GPL-3.0-or-later
#
#   contrib/quickstart.sh [DIRECTORY]     where the demonstration goes; default build/demo
#
# Nothing outside the source's folder build (or DIRECTORY) is changed, except for the Debian packages that are named first.
set -eu
cd "$(dirname "$0")/.."
. contrib/packages.sh

demo=${1:-build/demo}
cycles_every=25

# shellcheck disable=SC2086
install_packages "to build wane" $packages_build
# shellcheck disable=SC2086
install_packages "to draw pictures" $packages_run

echo "Building in build/"
cmake -S . -B build -DCMAKE_BUILD_TYPE=RelWithDebInfo -DBUILD_TESTING=OFF >build.log 2>&1 || { cat build.log; rm -f build.log; exit 1; }
cmake --build build -j "$(nproc)" >>build.log 2>&1 || { tail -40 build.log; exit 1; }
mkdir -p build && mv build.log build/quickstart-build.log
bin=$PWD/build/bin
PATH=$bin:$PATH

if [ -e "$demo/data/demo.wane" ]; then
    old=$demo.$(date +%Y%m%d-%H%M%S)
    echo "Keeping the demonstration that is there as $old"
    mv "$demo" "$old"
fi
mkdir -p "$demo/run" "$demo/data"
cp -R conf "$demo/"
demo=$(cd "$demo" && pwd)
export WANE_CONFIG="$demo/conf/demo.conf"

bench_pid=""
daemon_pid=""
end() {
    [ -z "$daemon_pid" ] || kill "$daemon_pid" 2>/dev/null || true
    [ -z "$daemon_pid" ] || wait "$daemon_pid" 2>/dev/null || true
    [ -z "$bench_pid" ] || kill "$bench_pid" 2>/dev/null || true
}
trap end EXIT
trap 'exit 130' INT TERM

# wait_for WHAT COMMAND...: tries for at most 20 seconds.
wait_for() {
    what=$1
    shift
    n=0
    until "$@" >/dev/null 2>&1; do
        n=$((n + 1))
        if [ "$n" -gt 200 ]; then
            echo "$what did not come up; the logs lie in $demo" >&2
            tail -5 "$demo"/*.log >&2
            exit 1
        fi
        sleep 0.1
    done
}
ready() { wane status A --json | grep -q '"instrument_ready": *true'; }

echo
echo "SIMULATED: a virtual bench with a virtual cell, on a real serial line (pseudo-terminal)"
wane-virtual-bench --link "$demo/run/virtual-bench" --truth "$demo/data/truth.csv" --seed 1 >"$demo/bench.log" 2>&1 &
bench_pid=$!
wait_for "The virtual bench" test -e "$demo/run/virtual-bench"
waned --config "$WANE_CONFIG" >"$demo/waned.log" 2>&1 &
daemon_pid=$!
wait_for "The service" ready

wane start A --cell demo-18650 --procedure datasheet-claim --name demo
wane watch A --until-end

campaign=$demo/data/demo.wane
echo
wane status A || true
echo
wane cycles "$campaign" --every "$cycles_every"
echo
wane claim "$campaign"
echo
wane project "$campaign"
wane plot fade "$campaign" -o "$demo/fade.svg"
wane plot fade "$campaign" -o "$demo/fade.png"
wane plot resistance "$campaign" -o "$demo/resistance.svg"
wane report "$campaign" -o "$demo/demo.html" --force
echo
echo "The campaign file   $campaign   (sqlite3 $campaign 'SELECT * FROM about')"
echo "Fade picture        $demo/fade.svg and fade.png"
echo "Resistance picture  $demo/resistance.svg"
echo "Report              $demo/demo.html"
echo "The cell's truth    $demo/data/truth.csv (only a simulated cell tells it)"
echo "Configuration       $WANE_CONFIG"
echo "Logs                $demo/waned.log and bench.log"
echo
echo "Next: $bin/wane cycles $campaign, or README.md for the way to a first real campaign."

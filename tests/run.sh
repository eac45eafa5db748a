#!/bin/sh
# Installs what the tests need, builds, and runs every test.
# SPDX-License-Identifier: GPL-3.0-or-later
#
#   tests/run.sh            build with gcc, all tests; then clang with sanitizers, the tests that run under them
#   tests/run.sh --quick    only the first of the two
set -eu
cd "$(dirname "$0")/.."
. contrib/packages.sh
quick=${1:-}

# shellcheck disable=SC2086
install_packages "to build, run and test wane" $packages_build $packages_publish $packages_run $packages_test $packages_vm

jobs=$(nproc)
export CTEST_OUTPUT_ON_FAILURE=1

echo "== format"
git ls-files '*.c' '*.h' 2>/dev/null | xargs -r clang-format --dry-run --Werror

echo "== gcc, release with assertions"
cmake -S . -B build/test -DCMAKE_BUILD_TYPE=RelWithDebInfo -DCMAKE_C_COMPILER=gcc -DCMAKE_INSTALL_PREFIX=/usr >/dev/null
cmake --build build/test -j "$jobs"
if [ "$quick" != "--quick" ]; then
    echo "== clang-tidy"
    git ls-files 'lib/*.c' 'daemon/*.c' 'tools/*.c' | xargs -P "$jobs" -n 6 clang-tidy -p build/test --quiet 2>/dev/null
    echo "== clang, address and undefined-behaviour sanitizers"
    cmake -S . -B build/sanitize -DCMAKE_BUILD_TYPE=Debug -DCMAKE_C_COMPILER=clang -DWN_SANITIZE=ON >/dev/null
    cmake --build build/sanitize -j "$jobs"
    ctest --test-dir build/sanitize -j "$jobs" -L 'unit|trace'
fi
# Twice as many as there are processors: the system's stories wait more than they compute; what computes counts double.
# They go by the clock, so what fails beside others is tried once more alone, and that counts.
ctest --test-dir build/test -j "$((2 * jobs))" || ctest --test-dir build/test --rerun-failed

#!/bin/sh
# Proves that mutate.sh itself can fail: a program of one line, and a list with one mutation of each kind.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
mutate=$(cd "$(dirname "$0")/.." && pwd)/mutate.sh
dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-mutate.XXXXXX")
trap 'rm -rf "$dir"' EXIT
trap 'exit 130' INT TERM
mkdir -p "$dir/root/lib" "$dir/list"

cat >"$dir/root/CMakeLists.txt" <<'END'
cmake_minimum_required(VERSION 3.25)
project(victim LANGUAGES C)
enable_testing()
add_executable(test_sum lib/sum.c)
add_test(NAME test_sum COMMAND test_sum)
add_executable(test_blind lib/sum.c)
target_compile_definitions(test_blind PRIVATE BLIND)
add_test(NAME test_blind COMMAND test_blind)
add_test(NAME test_never COMMAND test_blind skip)
set_tests_properties(test_never PROPERTIES SKIP_RETURN_CODE 77)
add_executable(test_broken lib/sum.c)
add_test(NAME test_broken COMMAND test_broken WILL FAIL)
END
cat >"$dir/root/lib/sum.c" <<'END'
static volatile int three = 3;
int main(int argc, char **argv)
{
    int sum = 0;
    for (int i = 1; i <= three; i++) {
        sum += i;
    }
#ifdef BLIND
    sum = 6;
#endif
    return argc == 2 ? 77 : argc == 3 ? 1 : sum != 6;
}
END

# mutation NAME TESTS OLD NEW
mutation() {
    printf '[%s]\nwhy: a try\nfile: lib/sum.c\ntests: %s\n-%s\n+%s\n\n' "$1" "$2" "$3" "$4"
}
{
    mutation seen 'test_sum' 'i <= three' 'i < three'
    mutation seen-second 'test_blind test_s.*' 'sum += i' 'sum -= i'
    mutation hangs 'test_sum' 'i++' 'i += 0 * argc'
} >"$dir/list/good.mutation"

failed=0
# expect CODE TEXT ARGUMENTS...: what mutate.sh ends with and what it says.
expect() {
    want=$1 text=$2
    shift 2
    code=0
    sh "$mutate" --root "$dir/root" --mutations "$dir/list" --work "$dir/broken" "$@" >"$dir/out" 2>&1 || code=$?
    if [ "$code" -ne "$want" ] || ! grep -q -e "$text" "$dir/out"; then
        echo "mutate.sh $*: exit code $code instead of $want, or it does not say '$text':"
        cat "$dir/out"
        failed=1
    fi
}

expect 0 'caught .* seen .*test_sum' --only seen
expect 0 'caught .* seen-second .*test_sum' --only seen-second
export WANE_MUTATE_HANG_S=2
expect 0 'caught .* hangs .*test_sum, which hangs' --only hangs
expect 0 '^seed 7:' --sample 1 --seed 7 --check
expect 2 'no mutation is called' --only nobody
cmp -s "$dir/root/lib/sum.c" "$dir/broken/source/lib/sum.c" || { echo "the copy is left broken"; failed=1; }

mutation unseen 'test_blind' 'sum += i' 'sum -= i' >"$dir/list/bad.mutation"
expect 1 'SURVIVED .*unseen' --only unseen
mutation stale 'test_sum' 'no such text' '' >"$dir/list/bad.mutation"
expect 2 'stale does not apply: bring it up to date' --only stale
expect 2 'stale does not apply: bring it up to date' --check
mutation twice 'test_sum' 'sum' 'mus' >"$dir/list/bad.mutation"
expect 2 'twice does not apply.* [0-9]* times' --only twice
mutation nonsense 'test_sum' 'int sum = 0;' 'int sum = ;' >"$dir/list/bad.mutation"
expect 2 'WRONG .*nonsense .*does not compile' --only nonsense
mutation unsound 'test_broken' 'i <= three' 'i < three' >"$dir/list/bad.mutation"
expect 2 'WRONG .*unsound .*fails without any mutation' --only unsound
mutation absent 'test_absent' 'i <= three' 'i < three' >"$dir/list/bad.mutation"
expect 2 'WRONG .*absent .*no test is called' --only absent
mutation cannot 'test_never' 'i <= three' 'i < three' >"$dir/list/bad.mutation"
expect 0 'skipped .*cannot' --only cannot
mutation seen 'test_sum' 'i++' 'i--' >"$dir/list/bad.mutation"
expect 2 'a second mutation called seen' --all
exit $failed

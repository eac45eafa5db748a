#!/bin/sh
# Proves that the tests can fail: breaks the program on purpose, one mutation at a time, and shows which test sees it.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# usage: mutate.sh [--all | --only NAME... | --sample N [--seed S]] [--check] [--names] [-j JOBS]
#                  [--work DIR] [--root DIR] [--mutations DIR]
#   --all      every mutation (the default)
#   --only     the named ones
#   --sample   N of those that are not marked slow, drawn by a seed that is printed; WANE_MUTATE_SEED, else --seed, else the date
#   --check    builds nothing: does every mutation still apply?
#   --names    lists them and ends
#   --work     where the copy of the sources is broken and built (default: build/mutate)
#
# The mutations are in tests/mutate/*.mutation:
#   [name]                one word, unique
#   why: ...              the danger it stands for
#   file: lib/...         what is broken
#   tests: EXPR...        tests that should see it, in this order; each a regular expression for the whole name in ctest
#   slow: why             not drawn by --sample
#   -old text             lines to be replaced, exactly as they are; they must be there exactly once. The first and the last
#   +new text             may be a part of a line: what stands before and after stays
#
# A mutation is caught when a test fails, or hangs, that passes without it. Exit code: 0 all were caught; 1 one survived;
# 2 misuse, or the list is wrong: a mutation that does not apply, does not compile, or has a test that fails without it.
set -u
LC_ALL=C
export LC_ALL
unset MAKEFLAGS MAKELEVEL DESTDIR

root=$(cd "$(dirname "$0")/.." && pwd) || exit 2
work='' mutations='' only='' mode=all sample='' seed=${WANE_MUTATE_SEED:-} jobs=$(nproc 2>/dev/null || echo 2) check=''

die() {
    echo "mutate.sh: $*" >&2
    exit 2
}

while [ $# -gt 0 ]; do
    case $1 in
    --all) mode=all ;;
    --check) check=yes ;;
    --names) mode=names ;;
    --only | --sample | --seed | --work | --root | --mutations | -j)
        [ $# -ge 2 ] || die "$1 needs a value"
        case $1 in
        --only) mode=only only="$only $2" ;;
        --sample) mode=sample sample=$2 ;;
        --seed) seed=${WANE_MUTATE_SEED:-$2} ;;
        --work) work=$2 ;;
        --root) root=$2 ;;
        --mutations) mutations=$2 ;;
        -j) jobs=$2 ;;
        esac
        shift
        ;;
    -j*) jobs=${1#-j} ;;
    *) die "unknown argument '$1'; the head of this file tells what there is" ;;
    esac
    shift
done
root=$(cd "$root" && pwd) || exit 2
work=${work:-$root/build/mutate}
mutations=${mutations:-$root/tests/mutate}
mkdir -p "$work" || exit 2
work=$(cd "$work" && pwd) || exit 2
case $jobs$sample in *[!0-9]*) die "-j and --sample take a number" ;; esac
src=$work/source build=$work/build
started=$(date +%s)

# The list, one directory a mutation; the names in their order.
rm -rf "$work/list" "$work/log"
mkdir -p "$work/list" "$work/log" || exit 2
perl -e '
    my ($to, @files) = @ARGV;
    my (%seen, $m, $side, @order);
    sub wrong { die "$ARGV line $.: $_[0]\n" }
    sub put { my ($what, $text) = @_; open my $f, ">", "$to/$m->{name}/$what" or die "$to: $!\n"; print $f $text; close $f or die }
    sub over {
        return unless $m;
        for my $what ("why", "file", "tests", "old") { die "mutation $m->{name} has no $what\n" unless defined $m->{$what} }
        mkdir "$to/$m->{name}" or die "$to/$m->{name}: $!\n";
        put($_, defined $m->{$_} ? $m->{$_} : "") for "why", "file", "tests", "old", "new", "slow";
        push @order, $m->{name};
    }
    @ARGV = @files;
    while (<>) {
        chomp;
        if (/^\[([a-z0-9-]+)\]$/) {
            over();
            $seen{$1}++ and wrong("a second mutation called $1");
            $m = {name => $1};
        } elsif (/^(why|file|tests|slow): (.*\S)\s*$/) {
            $m or wrong("stands before the first [name]");
            $m->{$1} = $2;
        } elsif (/^([-+])(.*)$/) {
            $m or wrong("stands before the first [name]");
            my $key = $1 eq "-" ? "old" : "new";
            $m->{$key} = defined $m->{$key} ? "$m->{$key}\n$2" : $2;
        } elsif (!/^(#.*)?$/) {
            wrong("what is this?");
        }
        close ARGV if eof; # the line numbers begin again
    }
    over();
    @order or die "no mutation in the list\n";
    open my $f, ">", "$to.order" or die; print $f "$_\n" for @order; close $f or die;
' "$work/list" "$mutations"/*.mutation || die "$mutations: the list cannot be read"

m() { cat "$work/list/$1/$2"; }

# apply NAME TREE: breaks the copy; without TREE only looks.
apply() {
    perl -e '
        my ($list, $root, $tree) = @ARGV;
        sub slurp { open my $f, "<", $_[0] or die "$_[0]: $!\n"; local $/; my $t = <$f>; return defined $t ? $t : "" }
        my ($file, $old, $new) = (slurp("$list/file"), slurp("$list/old"), slurp("$list/new"));
        my $text = slurp("$root/$file");
        my $n = () = $text =~ /\Q$old\E/g;
        die "its old text is in $file $n times\n" if $n != 1;
        die "it changes nothing\n" if $old eq $new;
        exit 0 if !defined $tree;
        substr($text, index($text, $old), length $old) = $new;
        open my $f, ">", "$tree/$file" or die "$tree/$file: $!\n"; print $f $text; close $f or die;
    ' "$work/list/$1" "$root" ${2:+"$2"}
}

choose() {
    case $mode in
    all | names) cat "$work/list.order" ;;
    only)
        for name in $only; do
            [ -d "$work/list/$name" ] || die "no mutation is called $name"
            echo "$name"
        done
        ;;
    sample)
        while read -r name; do
            [ -s "$work/list/$name/slow" ] || echo "$name"
        done <"$work/list.order" | perl -e '
            my ($n, $seed) = @ARGV;
            srand($seed);
            my @all = <STDIN>;
            for (my $i = 0; $i < $n && $i < @all; $i++) {
                my $k = $i + int(rand(@all - $i));
                @all[$i, $k] = @all[$k, $i];
                print $all[$i];
            }' "$sample" "$seed"
        ;;
    esac
}

[ -n "$seed" ] || seed=$(date -u +%Y%m%d)
case $seed in *[!0-9]*) die "the seed must be a number" ;; esac
choose >"$work/chosen" || exit 2
if [ "$mode" = names ]; then
    while read -r name; do
        printf '%-40s %s\n' "$name" "$(m "$name" why)"
    done <"$work/chosen"
    exit 0
fi
[ "$mode" = sample ] && echo "seed $seed: again with WANE_MUTATE_SEED=$seed"

# Does each of them still mean something? Told before anything is built.
stale=0
while read -r name; do
    why=$(apply "$name" 2>&1) || {
        echo "$name does not apply: bring it up to date: $why"
        stale=$((stale + 1))
    }
done <"$work/chosen"
if [ -n "$check" ]; then
    echo "$(wc -l <"$work/chosen") mutations, $stale that do not apply"
    [ "$stale" -eq 0 ] || exit 2
    exit 0
fi

# The copy: what belongs to the project; what is the same stays, so that it is not built again.
files_below() { (cd "$1" && find . -name build -prune -o -name 'build-*' -prune -o -type f -print | sed 's,^\./,,'); }
project_files() {
    if [ -e "$root/.git" ]; then
        git -C "$root" ls-files --cached --others --exclude-standard
    else
        files_below "$root"
    fi
}
copy_tree() {
    mkdir -p "$src" || return
    { project_files && echo && files_below "$src"; } | perl -e '
        use File::Basename; use File::Path;
        my ($from, $to) = @ARGV;
        my (%wanted, $copied);
        sub slurp { open my $f, "<", $_[0] or die "$_[0]: $!\n"; binmode $f; local $/; my $t = <$f>; return defined $t ? $t : "" }
        while (my $f = <STDIN>) {
            chomp $f;
            if ($f eq "") {
                %wanted or die "there is no file in $from\n";
                $copied = 1;
            } elsif ($copied) {
                unlink "$to/$f" if !$wanted{$f};
            } elsif (-f "$from/$f") {
                $wanted{$f} = 1;
                my $text = slurp("$from/$f");
                next if -f "$to/$f" && slurp("$to/$f") eq $text;
                mkpath(dirname("$to/$f"));
                open my $o, ">", "$to/$f" or die "$to/$f: $!\n";
                binmode $o; print $o $text; close $o or die "$to/$f: $!\n";
                chmod((stat "$from/$f")[2] & 0777, "$to/$f");
            }
        }
    ' "$root" "$src"
}

copy_tree || die "the sources cannot be copied to $src"
generator=
command -v ninja >/dev/null && generator=-GNinja
# Warnings about what a mutation leaves unused are no errors here; no debug information: it is built often.
cmake -S "$src" -B "$build" ${generator:+"$generator"} -DCMAKE_BUILD_TYPE=RelWithDebInfo -DWN_MUTATE=ON \
    -DCMAKE_C_FLAGS_RELWITHDEBINFO=-O1 -DCMAKE_C_FLAGS=-w >"$work/log/configure" 2>&1 ||
    die "the copy cannot be configured: see $work/log/configure"
ctest --test-dir "$build" -N 2>/dev/null | sed -n 's/^ *Test *#[0-9]*: //p' >"$work/all_tests"
programs=$(cat "$src"/daemon/CMakeLists.txt "$src"/daemon/*/CMakeLists.txt "$src"/tools/*/CMakeLists.txt 2>/dev/null |
    sed -n 's/^ *add_executable(\([a-z-]*\).*/\1/p' | sort -u | tr '\n' ' ')

# What has to be built for a test: the program it runs, or, where that is a script, all programs of the project.
targets_of() {
    program=$(find "$build" -name CTestTestfile.cmake -exec cat {} + | perl -ne '
        BEGIN { ($test, $build) = splice @ARGV, 0, 2 }
        print "$1\n" if m,^add_test\((?:\[=*\[)?\Q$test\E(?:\]=*\])? "\Q$build\E/(?:[^"]*/)?([^"/]+)",;
    ' "$1" "$build")
    echo "${program:-$programs}"
}

# Names of the tests a mutation asks for, in its order.
tests_of() {
    for expr in $(m "$1" tests); do
        grep -Ex -e "$expr" "$work/all_tests" || echo "none:$expr"
    done
}

# build_for TEST LOG
build_for() {
    # shellcheck disable=SC2046 # one word a target
    cmake --build "$build" -j "$jobs" --target $(targets_of "$1") >"$work/log/$2.build" 2>&1
}

# run_test TEST LIMIT_S LOG: result is passes, skipped, fails or hangs.
run_test() {
    timeout -k 20 "$2" ctest --test-dir "$build" -R "^$1\$" --output-on-failure >"$work/log/$3.test" 2>&1
    code=$?
    if [ "$code" -ge 124 ] || grep -q '\*\*\*Timeout' "$work/log/$3.test"; then
        result=hangs
    elif [ "$code" -ne 0 ]; then
        result=fails
    elif grep -q '\*\*\*Skipped\|^No tests' "$work/log/$3.test"; then
        result=skipped
    else
        result=passes
    fi
}

# Without any mutation, once each: what the test says then, and how long it may take when something is broken.
mkdir -p "$work/sound"
rm -f "$work/sound"/*
sound() {
    [ -e "$work/sound/$1" ] && return
    took=$(date +%s)
    if build_for "$1" "sound-$1"; then
        took=$(date +%s)
        run_test "$1" 600 "sound-$1"
    else
        result=broken
    fi
    echo "$result $((${WANE_MUTATE_HANG_S:-30} + 4 * ($(date +%s) - took)))" >"$work/sound/$1"
}

restore() { cp "$root/$(m "$1" file)" "$src/$(m "$1" file)"; }

# try NAME: verdict is caught, survived, skipped or wrong; by what.
try() {
    verdict=skipped by='no test could run here'
    for test in $(tests_of "$1"); do
        case $test in none:*)
            verdict=wrong by="no test is called ${test#none:}"
            return
            ;;
        esac
        sound "$test"
        read -r plain limit <"$work/sound/$test"
        case $plain in
        skipped) continue ;;
        passes) ;;
        broken)
            verdict=wrong by="$test cannot be built without any mutation: see $work/log/sound-$test.build"
            return
            ;;
        *)
            verdict=wrong by="$test $plain without any mutation: see $work/log/sound-$test.test"
            return
            ;;
        esac
        apply "$1" "$src" || { verdict=wrong by='does not apply'; return; }
        if ! build_for "$test" "$1"; then
            restore "$1"
            verdict=wrong by="does not compile: see $work/log/$1.build"
            return
        fi
        run_test "$test" "$limit" "$1"
        restore "$1"
        case $result in
        fails) verdict=caught by=$test ;;
        hangs) verdict=caught by="$test, which hangs" ;;
        *) verdict=survived by="$(m "$1" tests)" ;;
        esac
        [ "$verdict" = caught ] && return
    done
}

caught=0 survived=0 skipped=0 wrong=$stale
: >"$work/by"
while read -r name; do
    apply "$name" 2>/dev/null || continue # told above
    began=$(date +%s)
    try "$name" </dev/null
    case $verdict in
    caught)
        caught=$((caught + 1))
        echo "${by%%,*}" >>"$work/by"
        printf 'caught    %-40s %s (%d s)\n' "$name" "$by" $(($(date +%s) - began))
        ;;
    survived)
        survived=$((survived + 1))
        printf 'SURVIVED  %-40s %s: %s\n' "$name" "$by" "$(m "$name" why)"
        ;;
    skipped)
        skipped=$((skipped + 1))
        printf 'skipped   %-40s %s\n' "$name" "$by"
        ;;
    wrong)
        wrong=$((wrong + 1))
        printf 'WRONG     %-40s %s\n' "$name" "$by"
        ;;
    esac
done <"$work/chosen"

sort "$work/by" | uniq -c | sort -rn | sed 's/^/  /'
echo "$(wc -l <"$work/chosen") mutations: $caught caught, $survived survived, $skipped skipped, $wrong wrong; $(($(date +%s) - started)) s"
[ "$wrong" -eq 0 ] || exit 2
[ "$survived" -eq 0 ]

#!/bin/sh
# Proves that every house rule can fail, and does not fail for nothing.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# Small trees are made in a temporary directory: a good one that keeps all rules although it comes close to breaking
# them, and one bad change at a time. TIDY_CC, TIDY_CFLAGS and TIDY_NM as for tidy.sh; TIDY_AR makes a library.
set -u
LC_ALL=C
export LC_ALL

here=$(cd "$(dirname "$0")" && pwd) || exit 2
cc=${TIDY_CC:-cc}
ar=${TIDY_AR:-ar}
TIDY_CC=$cc
export TIDY_CC

work=$(mktemp -d "${TMPDIR:-/tmp}/tidy-self.XXXXXX") || exit 2
trap 'rm -rf "$work"' EXIT
trap 'exit 2' HUP INT TERM
GIT_CEILING_DIRECTORIES=$work # a repository around the temporary directory is none of our business
TIDY_ALLOW=$work/allow
export GIT_CEILING_DIRECTORIES TIDY_ALLOW

tests=0
failed=0

# lines N TEXT: the same line N times.
lines() {
    awk -v n="$1" -v text="$2" 'BEGIN { for (i = 0; i < n; i++) print text }'
}

good_tree() {
    rm -rf "$work/tree" "$work/allow"
    mkdir -p "$work/tree" "$work/allow" && cd "$work/tree" || exit 2
    mkdir -p lib/base lib/wire lib/engine lib/port lib/store lib/serial daemon tools tests/unit tests/system conf contrib build-x
    echo 'a tree' >README.md
    : >DEVELOPERS.md
    : >LICENSE
    : >CMakeLists.txt
    echo '/build-*/' >.gitignore
    echo 'leftover' >build-x/TO"DO"
    printf '%s\n' '#ifndef A' '#define A' '#include <stddef.h>' 'struct err { size_t n; };' '#endif' >lib/base/err.h
    {
        echo '/* system("ls"), strtod( and time( in a comment */ #include "base/err.h"' | sed 's,.*/ #,#,'
        echo '/* system("ls"), strtod( over'
        echo '   two lines: rand() gets() */'
        printf '%s\n' 'static const char *const text = "call strtod(x) or \" system(y)"; // popen()'
        echo "static char q = '\"'; /* a lone quote */"
        echo 'int my_system(int), runtime(int), sprintf_like(int);'
        echo 'int ask(struct clock *c) { return c->time(c) + (*c).gmtime (c); }'
        echo 'char name[] = "/tmp/wane-x.XXXXXX";'
        echo 'double d = strtod_l(a, b, c);'
    } >lib/base/num.c
    printf '%s\n' 'void f(void)' '{' >lib/base/long.c
    lines 68 '    go();' >>lib/base/long.c
    echo '}' >>lib/base/long.c
    lines 529 '/* comment */' >>lib/base/long.c # 600 in all
    printf '/* %s%s */\n' "$(lines 50 x | tr -d '\n')" "$(lines 54 'µ' | tr -d '\n')" >lib/base/wide.c # 110 columns
    echo '#include "base/err.h"' >lib/wire/line.h
    printf '%s\n' '#include "wire/line.h"' '#include "engine/engine.h"' '#include <string.h>' >lib/engine/engine.c
    printf '%s\n' '#ifndef B' '#define B' '#include "base/err.h"' 'struct engine { struct err e; };' '#endif' >lib/engine/engine.h
    printf '%s\n' '#include "port/store.h"' '#include <sqlite3.h>' >lib/store/store.c
    printf '%s\n' '#include "store/store.h"' '#include <libserialport.h>' >lib/serial/serial.c
    : >lib/store/store.h
    echo 'int now(void) { return clock_gettime(1, 0); }' >lib/port/clock_real.c
    : >lib/port/store.h
    printf '%s\n' '#include "base/err.h"' '#include "port/store.h"' 'int main(void) { nanosleep(0, 0); }' >daemon/guard.c
    printf '%s\n' '#include "store/store.h"' '#include <sqlite3.h>' >daemon/station.c
    echo 'int main(void) { return 0; }' >tools/wane.c
    printf '%s\n' '#include "base/err.h"' 'char *p = strtok(s, t); /* tests may */' >tests/unit/test_a.c
    echo 'void f(void) { sleep(1); }' >tests/system/test_b.c
    printf '%s\n' '# a comment' '' 'lib/base/num.c strtod_l because it must' 'lib/port/clock*.c clock_gettime the one place' \
        >"$work/allow/allow_calls.txt"
    printf '%s\n' '# a comment' 'str(len|chr) * * strings' 'abort wn_base good.o the end' \
        '_GLOBAL_OFFSET_TABLE_ * * code' >"$work/allow/allow_symbols.txt"
}

report() { # OUTCOME WHAT
    tests=$((tests + 1))
    if [ "$1" != ok ]; then
        failed=$((failed + 1))
        sed 's/^/    /' "$work/out"
    fi
    echo "$1 $tests - $2"
}

keeps() { # RULE WHAT
    if sh "$here/tidy.sh" "$work/tree" "$1" >"$work/out" 2>&1; then report ok "$1: $2"; else report 'not ok' "$1: $2"; fi
}

# breaks RULE PATTERN WHAT: exit status 1, exactly one complaint, and it matches PATTERN.
breaks() {
    sh "$here/tidy.sh" "$work/tree" "$1" >"$work/out" 2>&1
    if [ $? -eq 1 ] && [ "$(grep -v '^    ' "$work/out" | grep -c '')" -eq 2 ] && grep -q -e "$2" "$work/out"; then
        report ok "$1: complains of $3"
    else
        report 'not ok' "$1: should complain once of $3 ($2)"
    fi
    good_tree
}

good_tree
for rule in file_length function_length line_length calls layers headers words top; do
    keeps $rule 'content with a good tree'
done

echo '/* one more */' >>lib/base/long.c
breaks file_length '^lib/base/long.c:1: 601 lines' 'a file of 601 lines'
lines 601 '' >tests/system/z.h
breaks file_length '^tests/system/z.h:1: 601 lines' 'a last file, and a header of tests'

printf '%s\n' 'int g(void)' '{' >tools/long.c
lines 69 '    go();' >>tools/long.c
echo '}' >>tools/long.c
breaks function_length '^tools/long.c:2: a function of 71 lines' 'a function of 71 lines'

printf '/* %s%s */\n' "$(lines 51 x | tr -d '\n')" "$(lines 54 'µ' | tr -d '\n')" >>daemon/station.c
breaks line_length '^daemon/station.c:3: 111 columns' 'a line of 111 columns'

for call in system popen strtod strtof strtod_l atof atoi atol strtol strtoull sprintf vsprintf strcpy strcat gets strtok rand srand random \
    time clock gettimeofday clock_gettime localtime gmtime; do
    printf '%s\n' 'int f(void)' '{' "    return /* here */ $call (1); /* x */" '}' >lib/wire/bad.c
    breaks calls "^lib/wire/bad.c:3: $call(): " "$call() in lib"
done
echo 'int x = atoi(s);' >>daemon/guard.c
breaks calls '^daemon/guard.c:4: atoi(): ' 'atoi() in daemon'
printf '%s\n' "char *s = \"a\\\"\" \"b\"; int c = '\\''; int d = '\"'; int x = system(s);" >>tools/wane.c
breaks calls '^tools/wane.c:2: system(): ' 'a call behind strings'
printf '%s\n' '/* a' 'b */ int x = system(s);' >>tools/wane.c
breaks calls '^tools/wane.c:3: system(): ' 'a call behind a comment'
for call in sleep usleep nanosleep clock_nanosleep time clock_gettime; do
    echo "void f(void) { $call(1); }" >>tests/unit/test_a.c
    breaks calls "^tests/unit/test_a.c:3: $call(): " "$call() in a unit test"
done
mkdir tests/trace && echo 'void f(void) { sleep(1); }' >tests/trace/t.c
breaks calls '^tests/trace/t.c:1: sleep(): ' 'sleep() in a story test'
echo 'double d = strtod_l(a, b, c);' >lib/base/other.c
breaks calls '^lib/base/other.c:1: strtod_l(): ' 'a call that is allowed elsewhere only'
echo 'double d = strtod(a, b);' >>lib/base/num.c
breaks calls '^lib/base/num.c:10: strtod(): ' 'another call in a file with an allowance'
echo 'lib/base/err.h system because I like it' >>"$work/allow/allow_calls.txt"
breaks calls 'allow_calls.txt:5: allows what nobody does' 'an allowance without use'
sed 's/ because it must//' "$work/allow/allow_calls.txt" >"$work/a" && mv "$work/a" "$work/allow/allow_calls.txt"
sed 's/strtod_l/f/' lib/base/num.c >"$work/a" && mv "$work/a" lib/base/num.c
breaks calls 'allow_calls.txt:3: no reason given' 'an allowance without a reason'

echo '#include "wire/line.h"' >lib/base/up.h
breaks layers '^lib/base/up.h:1: base may not include wire/line.h' 'base including wire'
echo ' #  include "store/store.h" /* x */' >>lib/engine/engine.c
breaks layers '^lib/engine/engine.c:4: engine may not include store/store.h' 'engine including store'
echo '#include "engine/engine.h"' >>lib/wire/line.h
breaks layers '^lib/wire/line.h:2: wire may not include engine/engine.h' 'wire including engine'
echo '#include "port/store.h"' >>lib/engine/engine.h # below its guard
breaks layers '^lib/engine/engine.h:6: engine may not include port/store.h' 'engine including port'
echo '#include "line.h"' >>lib/wire/line.c
breaks layers '^lib/wire/line.c:1: "line.h" is no module/file.h' 'an include without its module'
echo '#include "../daemon/guard.h"' >>lib/wire/line.c
breaks layers '^lib/wire/line.c:1: "../daemon/guard.h" is no module' 'lib including a program'
mkdir lib/magic && echo 'int x;' >lib/magic/m.c
breaks layers '^lib/magic/m.c:1: module magic has no layer' 'a module without a layer'
echo '#include <sqlite3.h>' >>lib/engine/engine.c
breaks layers '^lib/engine/engine.c:4: sqlite3.h belongs to store alone' 'engine including SQLite'
echo '#include <gsl/gsl_math.h>' >>lib/wire/line.h
breaks layers '^lib/wire/line.h:2: gsl/gsl_math.h belongs to fade alone' 'wire including GSL'
echo '#include <libpq-fe.h>' >>lib/store/store.c
breaks layers '^lib/store/store.c:3: libpq-fe.h belongs to fleet alone' 'store including libpq'
echo '#include <libpq-fe.h>' >>daemon/station.c
breaks layers '^daemon/station.c:3: the service may not need libpq-fe.h' 'the service including libpq'
echo '#include "fleet/fleet.h"' >>daemon/station.c
breaks layers '^daemon/station.c:3: the service may not need fleet/fleet.h' 'the service including fleet'
echo '#include <libconfig.h>' >daemon/guard_log.h
breaks layers '^daemon/guard_log.h:1: the guard may not need libconfig.h' 'the guard including libconfig'
for module in serial store config; do
    mkdir -p lib/$module && : >lib/$module/x.h
    echo "#include \"$module/x.h\"" >daemon/guard_other.h
    breaks layers "^daemon/guard_other.h:1: the guard may not need $module/x.h" "the guard including $module"
done
echo '#include "store/store.h"' >daemon/middle.h
echo '#include "middle.h"' >>daemon/guard.c
breaks layers '^daemon/guard.c:1: the guard may not need lib/store/store.h' 'the guard reaching store through another header'

library() { # SOURCE-TEXT OBJECT LIBRARY
    echo "$1" >"$work/o.c"
    (cd "$work" && "$cc" -O0 -fno-builtin -c o.c -o "$2" && "$ar" rcs "$3" "$2") || exit 2
    TIDY_LIBS="$TIDY_LIBS $work/$3"
    export TIDY_LIBS
}
pure='unsigned long strlen(const char *); void abort(void); void f(const char *s);
    unsigned long wn_x(void); void f(const char *s) { if (strlen(s) > wn_x()) abort(); }'
inside='void go_on(void); void (*start(void))(void); void (*start(void))(void) { return go_on; }'
TIDY_LIBS="$work/not-built.a"
library "$pure" good.o libwn_base.a
keeps purity 'content with allowed symbols, and with a library that is not built'
echo 'void go_on(void); void go_on(void) {}' >"$work/o.c"
(cd "$work" && "$cc" -c o.c -o inner.o) || exit 2
library "$inside" outer.o libwn_engine.a
breaks purity '^wn_engine:outer.o: needs go_on:' 'a symbol that nobody defines'
"$ar" rcs "$work/libwn_engine.a" "$work/inner.o"
keeps purity 'silent about what the library itself defines'
TIDY_LIBS=
library "$pure" bad.o libwn_base.a
breaks purity '^wn_base:bad.o: needs abort' 'a symbol that is allowed to another object'
TIDY_LIBS=
library "$pure" good.o libwn_wire.a
breaks purity '^wn_wire:good.o: needs abort' 'a symbol that is allowed to another library'
for name in open read malloc time rand clock_gettime printf stderr getenv setlocale isdigit mystrlen strlength; do
    TIDY_LIBS=
    rm -f "$work/libwn_x.a"
    case $name in
    stderr) library 'extern void *stderr; void *f(void); void *f(void) { return stderr; }' x.o libwn_x.a ;;
    *) library "int $name(void); int f(void); int f(void) { return $name(); }" x.o libwn_x.a ;;
    esac
    breaks purity "^wn_x:x.o: needs $name:" "$name"
done
TIDY_LIBS="$work/not-built.a"
breaks purity 'no pure library is built: nothing was checked' 'libraries of which none is built'
TIDY_LIBS="$work/libwn_base.a"
echo 'write * *' >>"$work/allow/allow_symbols.txt"
rm -f "$work/libwn_base.a"
library "$pure" good.o libwn_base.a
TIDY_LIBS="$work/libwn_base.a"
breaks purity 'allow_symbols.txt:5: no reason given' 'an allowed symbol without a reason'
echo 'garbage' >"$work/libwn_base.a"
sh "$here/tidy.sh" "$work/tree" purity >"$work/out" 2>&1
if [ $? -eq 1 ]; then report ok 'purity: complains of a file that is no library'; else report 'not ok' 'purity: garbage'; fi

printf '%s\n' '#ifndef C' '#define C' 'size_t f(void);' '#endif' >lib/wire/needy.h
breaks headers '^lib/wire/needy.h:1: does not compile alone' 'a header that needs another one'
echo 'struct twice { int x; };' >tools/twice.h
breaks headers '^tools/twice.h:1: does not compile alone' 'a header without a guard'
find . -name '*.h' -type f -exec rm {} +
breaks headers 'no header: nothing was checked' 'a tree without headers'

for word in TO"DO" FIX"ME" XX"X" HA"CK"; do
    echo "x ($word: later)" >>conf/a.conf
    breaks words "^conf/a.conf:1:x ($word: later) .* finish it" "$word"
done
for path in /wor"k/x" /tmp/wa"ne"; do
    echo "see $path" >>contrib/a.txt
    breaks words "^contrib/a.txt:1:see $path .* one machine" "$path"
done

echo x >NOTES.md
breaks top '^NOTES.md: does not belong at the top' 'a stray file'
mkdir src && echo x >src/a
breaks top '^src: does not belong at the top' 'a stray directory'
if command -v git >/dev/null 2>&1; then
    git init -q . && echo '/out/' >>.gitignore && mkdir out && echo x >out/TO"DO"
    echo TO"DO" >out/todo.txt
    keeps top 'silent about a directory that git ignores'
    keeps words 'silent about a file that git ignores'
    echo x >stray.txt
    breaks top '^stray.txt: does not belong at the top' 'a stray file that git does not know yet'
    git init -q . && echo x >gone.txt && git add gone.txt && rm gone.txt
    keeps top 'silent about a tracked file that is deleted'
    good_tree
fi

for rule in file_length function_length line_length calls layers headers words top; do
    cd "$work" && rm -rf tree && mkdir tree && cd tree || exit 2
    breaks $rule 'nothing was checked' 'an empty tree'
done

: >"$work/out"
sh "$here/tidy.sh" "$work/tree" no_such_rule >"$work/out" 2>&1
if [ $? -eq 2 ]; then report ok 'refuses an unknown rule'; else report 'not ok' 'accepts an unknown rule'; fi
sh "$here/tidy.sh" "$work/tree" >"$work/out" 2>&1
if [ $? -eq 2 ]; then report ok 'refuses no rule'; else report 'not ok' 'accepts no rule'; fi

echo "1..$tests, $failed failed"
[ "$failed" -eq 0 ]

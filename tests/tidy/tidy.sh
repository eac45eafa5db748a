#!/bin/sh
# House rules as tests: POSIX sh and awk only.
# SPDX-License-Identifier: GPL-3.0-or-later
#
# usage: tidy.sh ROOT RULE...
# Each rule prints one line per complaint, "file:line: what, and what to do"; exit 1 when there is any, 2 for misuse.
# From the environment (CMake sets them):
#   TIDY_CC TIDY_CFLAGS  compiler and flags for the rule headers
#   TIDY_NM TIDY_LIBS    nm, and the built libraries of the pure layers (blank-separated) for the rule purity
#   TIDY_ALLOW           directory of allow_calls.txt and allow_symbols.txt (default: where this script is)
set -u
LC_ALL=C
export LC_ALL

here=$(cd "$(dirname "$0")" && pwd) || exit 2
allow=${TIDY_ALLOW:-$here}
[ $# -ge 2 ] || { echo "usage: tidy.sh ROOT RULE..." >&2; exit 2; }
root=$1
shift
cd "$root" || exit 2

# Names of C files below the given directories, those that exist.
sources() {
    for dir in "$@"; do
        [ -d "$dir" ] && find "$dir/" -type f \( -name '*.c' -o -name '*.h' \)
    done | sed 's,//*,/,g' | sort
}

# Everything that belongs to the project: what git knows or would add, else all but build directories.
project_files() {
    if [ "$(git rev-parse --show-prefix 2>/dev/null && echo in_git)" = "
in_git" ]; then
        git ls-files --cached --others --exclude-standard | while IFS= read -r f; do
            [ -f "$f" ] && printf '%s\n' "$f"
        done
    else
        find . -name .git -prune -o -name 'build' -prune -o -name 'build-*' -prune -o -type f -print | sed 's,^\./,,'
    fi | sort
}

# over_sources AWK_PROGRAM DIR...: an awk program over all C files.
over_sources() {
    program=$1
    shift
    files=$(sources "$@")
    case $files in
    '') echo "$root: no C file below $*: nothing was checked"; return ;;
    *' '*) echo "$root: a file name with a blank: rename it"; return ;;
    esac
    # shellcheck disable=SC2086 # one word per file
    awk "$program" $files || echo "$root: awk failed: nothing was checked"
}

rule_file_length() {
    over_sources '
        FNR == 1 && NR > 1 { check() }
        { file = FILENAME; lines = FNR }
        END { check() }
        function check() {
            if (lines > 600) printf "%s:1: %d lines, at most 600: make it two modules\n", file, lines
        }' daemon lib tools tests
}

# A body is what stands between "{" and "}" in the first column.
rule_function_length() {
    over_sources '
        FNR == 1 { start = 0 }
        /^[{]/ { start = FNR }
        /^[}]/ && start {
            if (FNR - start + 1 > 70)
                printf "%s:%d: a function of %d lines, at most 70: give its parts names\n", \
                    FILENAME, start, FNR - start + 1
            start = 0
        }' daemon lib tools tests
}

# Characters, not bytes: continuation bytes of UTF-8 do not count.
rule_line_length() {
    over_sources '
        length($0) > 110 {
            gsub(/[\200-\277]/, "")
            if (length($0) > 110) printf "%s:%d: %d columns, at most 110\n", FILENAME, FNR, length($0)
        }' daemon lib tools tests
}

# Shared by the rules that look at code only: code(s) is the line without comments and with empty strings.
strip='
    FNR == 1 { in_comment = 0 }
    function code(s,    out, at, mark) {
        out = ""
        while (s != "") {
            if (in_comment) {
                at = index(s, "*/")
                if (at == 0) return out
                s = substr(s, at + 2)
                in_comment = 0
                out = out " "
                continue
            }
            if (!match(s, /\/[*]|\/\/|"|\047/)) return out s
            mark = substr(s, RSTART, RLENGTH)
            out = out substr(s, 1, RSTART - 1)
            s = substr(s, RSTART + RLENGTH)
            if (mark == "//") return out
            if (mark == "/*") { in_comment = 1; continue }
            out = out mark mark
            if (mark == "\"") { if (!match(s, /^([^"\\]|\\.)*"/)) return out }
            else if (!match(s, /^([^\047\\]|\\.)*\047/)) return out
            s = substr(s, RLENGTH + 1)
        }
        return out
    }'

rule_calls() {
    over_sources "$strip"'
        BEGIN {
            number = "wn_num_parse or wn_num_parse_int reads a number strictly and in every locale"
            ban("strtod strtof strtold strtod_l atof atoi atol atoll strtol strtoll strtoul strtoull", number)
            ban("system popen", "no shell: fork and exec with an argument list")
            ban("sprintf vsprintf strcpy strcat stpcpy gets", "no bound: use snprintf or memcpy")
            ban("strtok", "keeps hidden state and eats empty fields: scan by hand")
            ban("rand srand random srandom drand48", "not the same everywhere: use wn_prng")
            ban("time gettimeofday clock clock_gettime", "only lib/port reads a clock: take the time as an argument")
            ban("localtime gmtime", "hidden state: use wn_utc_format")
            nap("sleep usleep nanosleep clock_nanosleep thrd_sleep", "a test that waits is slow or wrong: simulate the time")
            nap("time gettimeofday clock clock_gettime", "a test that asks the time fails one day: simulate the time")
            load()
        }
        function ban(names, why,    n, i, a) { n = split(names, a, " "); for (i = 1; i <= n; i++) banned[a[i]] = why }
        function nap(names, why,    n, i, a) { n = split(names, a, " "); for (i = 1; i <= n; i++) naps[a[i]] = why }
        function load(    line, f, n, glob) { # PATH CALL REASON...
            list = "'"$allow"'/allow_calls.txt"
            while ((getline line < list) > 0) {
                list_line++
                if (line ~ /^[ \t]*(#|$)/) continue
                n = split(line, f, /[ \t]+/)
                if (n < 3) { printf "%s:%d: no reason given\n", list, list_line; continue }
                glob = f[1]
                gsub(/[.]/, "[.]", glob)
                gsub(/[*]/, "[^/]*", glob)
                count++
                allow_path[count] = "^" glob "$"
                allow_call[count] = f[2]
                allow_line[count] = list_line
            }
            close(list)
        }
        function allowed(file, name,    i) {
            for (i = 1; i <= count; i++)
                if (allow_call[i] == name && file ~ allow_path[i]) { used[i] = 1; return 1 }
            return 0
        }
        {
            text = code($0)
            before = ""
            while (match(text, /[A-Za-z_][A-Za-z0-9_]*[ \t]*[(]/)) {
                name = substr(text, RSTART, RLENGTH - 1)
                sub(/[ \t]+$/, "", name)
                before = before substr(text, 1, RSTART - 1)
                member = before ~ /([.]|->)[ \t]*$/
                before = before substr(text, RSTART, RLENGTH)
                text = substr(text, RSTART + RLENGTH)
                if (member) continue
                why = ""
                if (FILENAME ~ /^(daemon|lib|tools)\//) { if (name in banned) why = banned[name] }
                else if (FILENAME ~ /^tests\/(unit|trace|sim)\//) { if (name in naps) why = naps[name] }
                if (why != "" && !allowed(FILENAME, name))
                    printf "%s:%d: %s(): %s\n", FILENAME, FNR, name, why
            }
        }
        END {
            for (i = 1; i <= count; i++)
                if (!used[i]) printf "%s:%d: allows what nobody does: remove the line\n", list, allow_line[i]
        }' daemon lib tools tests
}

# Arrows between modules point down or sideways, and each foreign library has one home.
rule_layers() {
    over_sources '
        BEGIN {
            layer("base", 0); layer("wire procedure metrology envelope", 1); layer("instrument listen fade", 2)
            layer("engine audit", 3); layer("port", 4); layer("serial store config verify sock report fleet", 5)
            home("libserialport[.]h", "serial"); home("sqlite3[.]h", "store"); home("libconfig[.]h", "config")
            home("gsl/", "fade"); home("jansson[.]h", "sock report"); home("libpq-fe[.]h", "fleet")
        }
        function layer(names, r,    n, i, a) { n = split(names, a, " "); for (i = 1; i <= n; i++) rank[a[i]] = r }
        function home(pattern, modules) { homes[pattern] = " " modules " " }
        function say(what) { printf "%s:%d: %s\n", FILENAME, FNR, what }
        FNR == 1 { split(FILENAME, part, "/"); module = part[2]; guard = FILENAME ~ /^daemon\/guard[^\/]*$/ }
        FNR == 1 && FILENAME ~ /^lib\// && !(module in rank) { say("module " module " has no layer: add it to the table") }
        !/^[ \t]*#[ \t]*include[ \t]*["<]/ { next }
        {
            quoted = $0 ~ /include[ \t]*"/
            target = $0
            sub(/^[^"<]*["<]/, "", target)
            sub(/[">].*$/, "", target)
            to = target
            sub(/\/.*$/, "", to)
            for (pattern in homes) {
                if (target !~ "^" pattern) continue
                if (guard) say("the guard may not need " target)
                if (FILENAME ~ /^daemon\// && target ~ /^libpq-fe/) say("the service may not need " target)
                if (FILENAME ~ /^lib\// && !index(homes[pattern], " " module " ")) say(target " belongs to" homes[pattern] "alone")
            }
            if (!quoted) next
            if (FILENAME ~ /^daemon\// && to == "fleet") say("the service may not need " target)
            if (guard && to ~ /^(serial|store|config)$/) say("the guard may not need " target)
            if (FILENAME !~ /^lib\//) next
            if (target !~ /\// || !(to in rank)) say("\"" target "\" is no module/file.h of lib/")
            else if (rank[to] > rank[module]) say(module " may not include " target ": the arrow points up")
        }' lib daemon
    guard_reach
}

# What the guard includes may itself include something: ask the compiler for the closure.
guard_reach() {
    [ -n "${TIDY_CC:-}" ] || return 0
    for f in daemon/guard*.c; do
        [ -f "$f" ] || continue
        # shellcheck disable=SC2086 # a list of flags
        $TIDY_CC ${TIDY_CFLAGS:-} -I lib -I daemon -MM "$f" >"$work/reach" 2>"$work/log" ||
            echo "$f:1: cannot be preprocessed: $(head -n 1 "$work/log")"
        tr -s ' \134' '\n' <"$work/reach" | grep -E '^lib/(serial|store|config)/' |
            sed "s,^,$f:1: the guard may not need ,"
    done
}

# Pure libraries reach the outside world through nothing but this list.
rule_purity() {
    found=
    for lib in ${TIDY_LIBS:-}; do
        [ -f "$lib" ] || continue
        found=yes
        "${TIDY_NM:-nm}" -A "$lib" || echo "$lib: nm failed"
    done >"$work/symbols"
    # the loop ran in this shell: a redirection makes no subshell of a for
    [ -n "$found" ] || { echo "$root: no pure library is built: nothing was checked"; return; }
    awk '
        FILENAME == ARGV[1] { # PATTERN LIBRARY OBJECT REASON...
            if ($0 ~ /^[ \t]*(#|$)/) next
            if (NF < 4) { printf "%s:%d: no reason given\n", FILENAME, FNR; next }
            n++
            symbol[n] = "^(" $1 ")$"
            library[n] = $2
            object[n] = $3
            next
        }
        NF == 0 { next }
        NF < 3 || $(NF - 1) !~ /^[A-Za-z?-]$/ { print; next } # a complaint of nm, or a format we cannot read
        {
            split($1, at, ":")
            lib = at[1]
            sub(/^.*\//, "", lib)
            sub(/^lib/, "", lib)
            sub(/[.]a$/, "", lib)
            name = $NF
            sub(/@.*$/, "", name)
        }
        $(NF - 1) ~ /^[A-TV-Z]$/ { defined[lib, name] = 1 }
        $(NF - 1) ~ /^[Uwv]$/ && name !~ /^wn_/ {
            needs++
            need_lib[needs] = lib
            need_object[needs] = at[2]
            need_name[needs] = name
        }
        END { for (k = 1; k <= needs; k++) check(need_lib[k], need_object[k], need_name[k]) }
        function check(lib, obj, name,    i) {
            if ((lib, name) in defined) return
            for (i = 1; i <= n; i++)
                if (name ~ symbol[i] && (library[i] == "*" || library[i] == lib) && \
                    (object[i] == "*" || index(obj, object[i]) == 1)) return
            printf "%s:%s: needs %s: pure code has no input, output, clock or heap\n", lib, obj, name
        }' "$allow/allow_symbols.txt" "$work/symbols" || echo "$root: awk failed: nothing was checked"
}

# A header stands alone, and twice.
rule_headers() {
    headers=$(sources lib daemon tools tests | grep '\.h$')
    [ -n "$headers" ] || { echo "$root: no header: nothing was checked"; return; }
    [ -n "${TIDY_CC:-}" ] || { echo "$root: TIDY_CC is not set: nothing was checked"; return; }
    for h in $headers; do
        printf '#include "%s"\n#include "%s"\n' "$h" "$h" >"$work/alone.c"
        # shellcheck disable=SC2086 # a list of flags
        $TIDY_CC ${TIDY_CFLAGS:-} -I . -I lib -I tests -I daemon -I tools -I tools/wane -fsyntax-only "$work/alone.c" \
            >"$work/log" 2>&1 || {
            echo "$h:1: does not compile alone: include what it needs, guard it against a second time"
            grep -m 3 'error' "$work/log" | sed 's/^/    /'
        }
    done
}

# The words are written in two parts, so that this file may pass.
rule_words() {
    files=$(project_files)
    [ -n "$files" ] || { echo "$root: no file: nothing was checked"; return; }
    printf '%s\n' "$files" | while IFS= read -r f; do
        grep -n -E "/wor""k/|/tmp/wa""ne(/|[^A-Za-z0-9._-]|\$)" "$f" /dev/null | sed 's/$/   <- a path of one machine/'
        grep -n -E "(^|[^A-Za-z0-9_])(TO""DO|FIX""ME|XX""X|HA""CK)([^A-Za-z0-9_]|$)" "$f" /dev/null |
            sed 's/$/   <- finish it, or describe it in an issue/'
    done
}

rule_top() {
    files=$(project_files)
    [ -n "$files" ] || { echo "$root: no file: nothing was checked"; return; }
    printf '%s\n' "$files" | sed 's,/.*,,' | sort -u | while IFS= read -r name; do
        case $name in
        .* | README.md | DEVELOPERS.md | LICENSE | CMakeLists.txt) ;;
        daemon | lib | conf | tools | tests | contrib) ;;
        *) echo "$name: does not belong at the top" ;;
        esac
    done
}

work=$(mktemp -d "${TMPDIR:-/tmp}/tidy.XXXXXX") || exit 2
trap 'rm -rf "$work"' EXIT
trap 'exit 2' HUP INT TERM

status=0
for rule in "$@"; do
    case $rule in
    file_length | function_length | line_length | calls | layers | purity | headers | words | top) ;;
    *) echo "tidy.sh: no rule $rule" >&2; exit 2 ;;
    esac
    "rule_$rule" >"$work/complaints" 2>&1
    if [ -s "$work/complaints" ]; then
        cat "$work/complaints"
        echo "rule $rule: $(grep -c '' "$work/complaints") lines of complaint"
        status=1
    else
        echo "rule $rule: kept"
    fi
done
exit $status

# Common parts of the fleet tests: a PostgreSQL of its own, campaign files, counts; sourced.
# SPDX-License-Identifier: GPL-3.0-or-later
# shellcheck shell=sh
#
# The server listens to a socket in the test's directory only, runs as an unprivileged user (it refuses root), and is stopped in
# any case. Every wait is for an event with a limit.

set -eu
. "$(dirname "$0")/../support/wait.sh"
bin=${WANE_BIN_DIR:?}
src=${WANE_SOURCE_DIR:?}
PATH=$bin:$PATH
unset WANE_CONFIG
for name in $(env | sed -n 's/^\(PG[A-Z]*\)=.*/\1/p'); do unset "$name"; done
LC_ALL=C
export LC_ALL

# The newest PostgreSQL of Debian.
pg=$(find /usr/lib/postgresql -maxdepth 2 -name bin 2>/dev/null | sort -V | tail -1)
if [ -z "$pg" ] || [ ! -x "$pg/initdb" ]; then
    echo "skipped: no PostgreSQL server (Debian package postgresql)"
    exit 77
fi
pg_user=$(id -un)
if [ "$(id -u)" -eq 0 ]; then
    pg_user=postgres
    if ! id postgres >/dev/null 2>&1 || ! command -v setpriv >/dev/null; then
        echo "skipped: PostgreSQL does not run as root, and there is no user postgres to run it as"
        exit 77
    fi
fi
as_pg() {
    if [ "$(id -u)" -eq 0 ]; then
        setpriv --reuid=postgres --regid=postgres --clear-groups "$@"
    else
        "$@"
    fi
}

dir=$(mktemp -d "${TMPDIR:-/tmp}/wane-fleet.XXXXXX")
chmod 711 "$dir"
mkdir "$dir/pg" "$dir/site" "$dir/home"
[ "$(id -u)" -ne 0 ] || chown postgres "$dir/pg"
HOME=$dir/home
export HOME
cd "$dir/site"

say() { echo "-- $*"; }
fail() {
    echo "FAILED: $*" >&2
    for log in "$dir"/out "$dir"/err "$dir"/pg/log; do
        [ -e "$log" ] && { echo "== $log"; tail -25 "$log"; } >&2
    done
    exit 1
}

children=
clean_up() {
    for pid in $children; do
        kill -9 "$pid" 2>/dev/null || true
        wait "$pid" 2>/dev/null || true
    done
    [ ! -e "$dir/pg/data/postmaster.pid" ] || as_pg kill -CONT "$(head -1 "$dir/pg/data/postmaster.pid")" 2>/dev/null || true
    as_pg "$pg/pg_ctl" -D "$dir/pg/data" -m immediate -w stop >/dev/null 2>&1 || true
    rm -rf "$dir"
}
trap clean_up EXIT
trap 'exit 130' INT TERM

start_server() {
    as_pg "$pg/pg_ctl" -D "$dir/pg/data" -l "$dir/pg/log" -w start >"$dir/pg/start" 2>&1 ||
        { cat "$dir/pg/start" "$dir/pg/log" >&2; fail "PostgreSQL does not start"; }
}
stop_server() { as_pg "$pg/pg_ctl" -D "$dir/pg/data" -m immediate -w stop >/dev/null; }

as_pg "$pg/initdb" -D "$dir/pg/data" -U owner -A trust -E UTF8 --locale=C --no-sync --no-instructions >"$dir/pg/initdb" 2>&1 ||
    { cat "$dir/pg/initdb" >&2; fail "initdb"; }
cat >>"$dir/pg/data/postgresql.conf" <<END
listen_addresses = ''
unix_socket_directories = '$dir/pg'
fsync = off
shared_buffers = 16MB
max_connections = 20
autovacuum = off
log_min_error_statement = panic
client_min_messages = warning
log_line_prefix = '%t '
END
start_server

# sql DATABASE TEXT: as its owner.
sql() { "$pg/psql" -X -q -At -v ON_ERROR_STOP=1 -h "$dir/pg" -U owner -d "$1" -c "$2"; }
database() { sql postgres "CREATE DATABASE $1"; }
connection() { echo "host=$dir/pg dbname=$1 user=owner"; }

# publish DATABASE BENCH ARGUMENT...: what it says in out and err, its exit code in $code.
publish() {
    db=$1 bench=$2
    shift 2
    code=0
    wane publish --connection "$(connection "$db")" --bench "$bench" "$@" >"$dir/out" 2>"$dir/err" </dev/null || code=$?
}
published() {
    publish "$@"
    [ "$code" -eq 0 ] || fail "publish ends with $code"
    [ ! -s "$dir/err" ] || fail "publish complains"
}
# ends CODE PATTERN...: how the last publish ended, and what it told.
ends() {
    [ "$code" -eq "$1" ] || fail "ends with $code instead of $1"
    shift
    for pattern in "$@"; do
        grep -q -e "$pattern" "$dir/err" || fail "does not tell: $pattern"
    done
}
json() { tr -d '\n ' <"$dir/out" | sed -n 's/.*"'"$1"'":\("[^"]*"\|[^,}]*\).*/\1/p' | tr -d '"'; } # the last of the name

tables="campaign bench cell cycle check_up event"
# sums DATABASE: for each table its rows and a checksum over all of them, in PostgreSQL's own words.
sums() {
    for table in $tables; do
        what='t::text'
        [ -z "${2:-}" ] || [ "$table" != bench ] || what="bench" # without times
        sql "$1" "SELECT '$table', count(*), md5(coalesce(string_agg($what, '|' ORDER BY t::text), '')) FROM wane.$table t"
    done
}
same() { [ "$1" = "$2" ] || { printf '%s\n== and ==\n%s\n' "$1" "$2" >&2; fail "$3"; }; }

wane import "$src/tests/cli/data/log.csv" --name seed -o seed.wane --rated-ah 2.5 >/dev/null 2>"$dir/err" || fail "import"
seed_sql=
# campaign NAME STATION SIMULATED CYCLES CAPACITY_AH: a file of a station, with check-ups every 50 cycles, and 2 events a cycle.
# The cell loses 0.02 % a cycle; every tenth cycle was interrupted.
campaign() {
    cp seed.wane "$1.wane"
    created=$((1767225600000000 + $(printf '%s' "$1$2" | cksum | cut -c1-8) * 1000000))
    sqlite3 "$1.wane" "
        BEGIN;
        UPDATE campaign SET name = '$1', station = '$2', procedure = 'datasheet-claim', procedure_title = 'Claim', imported = 0,
            simulated = $3, cycles_planned = 1000, created_utc_us = $created, status = 'running';
        UPDATE cell SET name = 'demo-18650', title = 'Demo', marking = 'DX-18650 µ', claim_cycles = 300;
        DELETE FROM cycle;
        DELETE FROM check_up;
        INSERT INTO instrument VALUES('tester', 'virtual-bench', 'p', 'DEMO,T1,$2,1.0', NULL);
        CREATE TEMP TABLE n AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < $4) SELECT i FROM n;
        INSERT INTO cycle(cycle, capacity_ah, capacity_u_ah, energy_wh, resistance_ohm, duration_s, start_ns, end_ns, flags, end_utc_us)
            SELECT i, $5 * (1 - 0.0002 * (i - 1)), 0.0025, 3.6 * $5 / 3.0, CASE i % 7 WHEN 0 THEN NULL ELSE 0.02 + 1e-5 * i END, 3600.5,
                (i - 1) * 3600000000000, i * 3600000000000, i % 10 = 0, $created + i * 3600000000 FROM n;
        INSERT INTO check_up(check_up, after_cycle, capacity_ah, capacity_u_ah, start_ns, end_ns, flags, end_utc_us)
            SELECT i / 50, i, $5, 0.0025, i * 3600000000000, i * 3600000000000, 0, $created + i * 3600000000 FROM n WHERE i % 50 = 0;
        INSERT INTO event(time_ns, utc_us, cycle, severity, kind, text)
            SELECT i * 3600000000000, $created + i * 3600000000, i, 0, 'cycle', 'cycle ' || i || ' is over' FROM n
            UNION ALL SELECT i * 3600000000000, $created + i * 3600000000, i, 2 * (i % 100 = 0), 'note', 'a ''quoted'' µ text' FROM n;
        COMMIT;
        PRAGMA wal_checkpoint(TRUNCATE);" >"$dir/err" || fail "the file of $1"
}
# add_cycles FILE FROM TO
add_cycles() {
    sqlite3 "$1" "INSERT INTO cycle(cycle, capacity_ah, start_ns, end_ns, flags, end_utc_us)
        WITH RECURSIVE n(i) AS (SELECT $2 UNION ALL SELECT i + 1 FROM n WHERE i < $3)
        SELECT i, 2.4, i * 3600000000000, i * 3600000000000, 0, 1767225600000000 + i * 3600000000 FROM n"
}

#!/bin/sh
# Cut off in the middle, by whomever: what was committed stays, and running it again ends as if nothing had been. And every refusal
# of a server is told with host, database, code and remedy.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

campaign c1 A 0 600 2.5
database whole
publish whole lab --prepare
published whole lab c1
whole=$(sums whole no-times)

# A server that sleeps where cycle 400 comes in: in the second of three blocks.
trap_sql="CREATE FUNCTION wane.doze() RETURNS trigger LANGUAGE plpgsql AS
    'BEGIN IF new.cycle = 400 THEN PERFORM pg_catalog.pg_sleep(100); END IF; RETURN new; END';
    CREATE TRIGGER doze BEFORE INSERT ON wane.cycle FOR EACH ROW EXECUTE FUNCTION wane.doze()"
release_sql="DROP TRIGGER doze ON wane.cycle; DROP FUNCTION wane.doze"
dozing() { [ "$(sql postgres "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'PgSleep' AND datname = '$1'")" = 1 ]; }
backend() { sql postgres "SELECT pid FROM pg_stat_activity WHERE wait_event = 'PgSleep' AND datname = '$1'"; }
# in_the_middle DATABASE ARGUMENT...: $pid publishes, and waits in the middle of it.
in_the_middle() {
    database "$1"
    publish "$1" lab --prepare
    sql "$1" "$trap_sql"
    name=$1
    shift
    wane publish --connection "$(connection "$name")" --bench lab c1 "$@" >"$dir/out" 2>"$dir/err" &
    pid=$!
    children="$children $pid"
    wait_until 20 dozing "$name" || fail "does not come to the middle"
}
# how_it_ended: the exit code of $pid.
how_it_ended() {
    code=0
    wait "$pid" || code=$?
    children=
}
# goes_on DATABASE: half of it is there, and after another run all of it.
goes_on() {
    [ "$(sql "$1" 'SELECT count(*), max(cycle) FROM wane.cycle')" = '255|255' ] || fail "what was committed is not there, or more"
    [ "$(sql "$1" "SELECT published FROM wane.campaigns")" = f ] || fail "the view does not tell that some is missing"
    sql "$1" "$release_sql"
    published "$1" lab c1 --json
    [ "$(json rows_changed)" = $((600 - 255 + 12 + 1201)) ] || fail "what was there was sent again, or not all"
    same "$whole" "$(sums "$1" no-times)" "not what it is without an accident"
    [ "$(sql "$1" "SELECT published FROM wane.campaigns")" = t ] || fail "the view does not tell that all is there"
}

say "killed"
in_the_middle killed
kill -9 "$pid"
how_it_ended
sql postgres "SELECT pg_terminate_backend($(backend killed), 5000)" >/dev/null
goes_on killed

say "the connection is cut"
in_the_middle cut
sql postgres "SELECT pg_terminate_backend($(backend cut), 5000)" >/dev/null
how_it_ended
ends 3 "$dir/pg, database cut: .*SQLSTATE 57P01" 'it goes on where it was'
grep -q '^c1 .*failed' "$dir/out" || fail "the table does not say that it failed"
goes_on cut

say "the statement is cancelled: an error of this campaign, not of the connection"
in_the_middle cancelled --json
sql postgres "SELECT pg_cancel_backend($(backend cancelled))" >/dev/null
how_it_ended
ends 1 'SQLSTATE 57014'
[ "$(json complete)" = false ] || fail "half a transfer is called complete"
goes_on cancelled

say "the server falls, and comes back"
in_the_middle fallen
stop_server
how_it_ended
ends 3 'database fallen'
publish fallen lab c1
ends 3 'is the server on'
start_server
goes_on fallen

say "the campaign goes on meanwhile: published as it was at the beginning, the rest the next time"
database growing
publish growing lab --prepare
sql growing "CREATE FUNCTION wane.hold() RETURNS trigger LANGUAGE plpgsql AS
    'BEGIN IF new.cycle = 400 THEN PERFORM pg_catalog.pg_advisory_xact_lock_shared(7); END IF; RETURN new; END';
    CREATE TRIGGER hold BEFORE INSERT ON wane.cycle FOR EACH ROW EXECUTE FUNCTION wane.hold()"
"$pg/psql" -X -q -h "$dir/pg" -U owner -d growing -c 'SELECT pg_advisory_lock(7), pg_sleep(100)' >/dev/null 2>&1 &
children="$children $!"
wait_until 20 dozing growing || fail "nobody holds the lock"
cp c1.wane kept.wane
wane publish --connection "$(connection growing)" --bench lab c1 >"$dir/out" 2>"$dir/err" &
pid=$!
children="$children $pid"
held() { [ "$(sql postgres "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'advisory' AND datname = 'growing'")" = 1 ]; }
wait_until 20 held || fail "does not come to the middle"
add_cycles c1.wane 601 603
sqlite3 c1.wane "UPDATE event SET acknowledged_by = 'anna', acknowledged_utc_us = 1767225600000000 WHERE severity = 2"
sql postgres "SELECT pg_terminate_backend($(backend growing), 5000)" >/dev/null
how_it_ended
ends 0
[ "$(sql growing "SELECT published, cycles FROM wane.campaigns")" = 't|600' ] || fail "not as it was at the beginning"
[ "$(sql growing 'SELECT count(*), max(cycle) FROM wane.cycle')" = '600|600' ] || fail "more than there was at the beginning"
sql growing "DROP TRIGGER hold ON wane.cycle"
published growing lab c1
[ "$(sql growing "SELECT published, cycles, open_alarms FROM wane.campaigns")" = 't|603|0' ] || fail "the rest did not arrive"
mv kept.wane c1.wane
rm -f c1.wane-wal c1.wane-shm

say "what the server does to a transaction"
# does WHEN SQLSTATE: the server refuses cycles with this code, while WHEN.
does() {
    sql whims "CREATE OR REPLACE FUNCTION wane.whim() RETURNS trigger LANGUAGE plpgsql AS
        'BEGIN IF $1 THEN RAISE EXCEPTION USING ERRCODE = ''$2''; END IF; RETURN new; END'"
    publish whims lab c1
}
database whims
publish whims lab --prepare
sql whims "CREATE SEQUENCE wane.tries; CREATE FUNCTION wane.whim() RETURNS trigger LANGUAGE plpgsql AS 'BEGIN RETURN new; END';
    CREATE TRIGGER whim BEFORE INSERT ON wane.cycle FOR EACH ROW EXECUTE FUNCTION wane.whim()"
does "nextval(''wane.tries'') < 5" 40001 # four times in vain
ends 0
same "$whole" "$(sums whims no-times)" "tried again, and not the same"
sql whims 'DELETE FROM wane.cycle'
does true 40P01
ends 1 'SQLSTATE 40P01' 'somebody else was faster'
does true 53100
ends 1 'SQLSTATE 53100' 'make room on the server'
does true 25006
ends 1 'SQLSTATE 25006' 'name the primary'
sql whims "CREATE OR REPLACE FUNCTION wane.whim() RETURNS trigger LANGUAGE plpgsql AS
    'BEGIN new.capacity_ah = 9; RETURN new; END'"
publish whims lab c1
ends 1 'the server does not hold what was sent'
sql whims 'DROP TRIGGER whim ON wane.cycle'
published whims lab c1
same "$whole" "$(sums whims no-times)" "not put right"

say "a server that answers nothing any more: not longer than the limit"
mkdir conf
cp -R "$src/conf/." conf/
sed -i "1i publish = { connection = \"$(connection silent)\"; bench = \"lab\"; timeout = \"3 s\"; };" conf/demo.conf
database silent
publish silent lab --prepare
sql silent "$trap_sql"
code=0
wane publish --config conf/demo.conf c1 >"$dir/out" 2>"$dir/err" || code=$?
ends 3 'database silent: no answer in time'
sql postgres "SELECT pg_terminate_backend($(backend silent), 5000)" >/dev/null
goes_on silent
kill -STOP "$(head -1 "$dir/pg/data/postmaster.pid")"
code=0
wane publish --connection "$(connection silent) connect_timeout=1" --bench lab c1 >"$dir/out" 2>"$dir/err" || code=$?
kill -CONT "$(head -1 "$dir/pg/data/postmaster.pid")"
ends 3 'no answer in time while connecting'

say "who refuses, and why"
refused() { # CODE CONNECTION PATTERN...
    want=$1 to=$2
    shift 2
    code=0
    wane publish --connection "$to" --bench lab c1 >"$dir/out" 2>"$dir/err" || code=$?
    ends "$want" "$@"
    [ ! -s "$dir/out" ] || fail "a result, although nothing was done"
}
refused 3 "host=$dir dbname=x" "$dir, database x: " 'is the server on'
refused 3 "host=127.0.0.1 port=1 dbname=x" 'refused'
refused 1 "$(connection none)" 'database none: .*"none" does not exist (SQLSTATE 3D000)' 'createdb'
sql postgres "CREATE ROLE locked LOGIN PASSWORD 'open'; CREATE ROLE poor LOGIN"
sql postgres "CREATE DATABASE narrow ENCODING 'LATIN1' TEMPLATE template0"
sed -i '1i local all locked scram-sha-256' "$dir/pg/data/pg_hba.conf"
sql postgres "SELECT pg_reload_conf()" >/dev/null
locked="host=$dir/pg dbname=whole user=locked"
asks() { wane publish --connection "$locked" --bench lab c1 2>&1 | grep -q 'wants a password'; }
wait_until 10 asks || fail "the server does not ask for a password"
refused 1 "$locked" 'the server wants a password' 'password file'
echo "*:*:*:locked:shut" >"$dir/home/.pgpass"
chmod 644 "$dir/home/.pgpass"
refused 1 "$locked" 'others can read the password file' 'chmod 600'
chmod 600 "$dir/home/.pgpass"
refused 1 "$locked" 'SQLSTATE 28P01' 'password file'
echo "*:*:*:locked:open" >"$dir/home/.pgpass"
refused 1 "$locked" 'SQLSTATE 42501' 'roles.sql'
refused 1 "host=$dir/pg dbname=narrow user=owner" 'encoding LATIN1'
database newer
publish newer lab --prepare
sql newer 'INSERT INTO wane.schema_version VALUES (99)'
refused 1 "$(connection newer)" 'version 99, made by a newer wane'
database theirs
sql theirs 'CREATE SCHEMA wane'
publish theirs lab --prepare
ends 1 'SQLSTATE 42P06' 'another database'
database empty
refused 1 "$(connection empty)" 'no tables of wane in it yet'
database torn
publish torn lab --prepare
sql torn 'ALTER TABLE wane.cycle DROP COLUMN charge_wh'
publish torn lab c1
ends 1 'SQLSTATE 42703' 'changed by hand'

say "only what was configured is called, and no password is taken from where others see it"
code=0
PGHOST=192.0.2.1 PGPASSWORD=x PGDATABASE=y PGOPTIONS=z wane publish --connection "$(connection whole)" --bench lab c1 >"$dir/out" 2>"$dir/err" ||
    code=$?
ends 0 'PGHOST of the environment is not used' 'PGPASSWORD of' 'PGOPTIONS of'
refused 1 "dbname=whole" 'does not say which server'
refused 1 "host=$dir/pg" 'does not say which database'
refused 1 "host=$dir/pg dbname=whole password=x" 'holds a password'
refused 1 "postgresql://owner:x@localhost/whole" 'holds a password'
refused 1 "postgresql://localhost/whole?password=x" 'holds a password'
refused 1 "host = = x" 'cannot be read'
refused 3 "host=db.example.org hostaddr=192.0.2.1 dbname=x connect_timeout=1" 'db.example.org is reached over a network' 'sslmode=verify-full'
printf '[far]\nhost=localhost.localdomain\nhostaddr=192.0.2.1\ndbname=x\nconnect_timeout=1\n[near]\nhost=%s\ndbname=whole\nuser=owner\npassword=x\n' \
    "$dir/pg" >"$dir/home/.pg_service.conf"
refused 3 "service=far connect_timeout=1" 'service far: '
code=0
wane publish --connection "service=near" --bench lab c1 >"$dir/out" 2>"$dir/err" || code=$?
ends 0 'the password is in the connection service file'
grep -q "bench lab at $dir/pg, database whole" "$dir/out" || fail "does not say where the service led to"
refused 1 "service=none" 'service none: .*definition of service "none" not found'
sed -i "s/ user=owner\"/ password=x\"/" conf/demo.conf
code=0
wane publish --config conf/demo.conf >"$dir/out" 2>"$dir/err" || code=$?
ends 1 'conf/demo.conf:1: publish.connection: holds a password, and every campaign file keeps a copy'
sed -i 1d conf/demo.conf
code=0
wane publish --config conf/demo.conf >"$dir/out" 2>"$dir/err" || code=$?
ends 1 'demo.conf does not say where to'

say "rights: a bench with no more than roles.sql gives"
"$pg/psql" -X -q -v ON_ERROR_STOP=1 -h "$dir/pg" -U owner -d whole -f "$src/contrib/fleet/roles.sql" >"$dir/out" 2>&1 || fail "roles.sql"
sql whole 'GRANT wane_publish TO locked; GRANT wane_look TO poor; DELETE FROM wane.cycle WHERE cycle > 100'
code=0
wane publish --connection "$locked" --bench lab c1 >"$dir/out" 2>"$dir/err" || code=$?
ends 0
same "$whole" "$(sums whole no-times)" "published with few rights"
[ "$("$pg/psql" -X -At -h "$dir/pg" -U poor -d whole -c 'SELECT count(*) FROM wane.fade_by_cell_type')" = 540 ] || fail "a reader cannot look"
"$pg/psql" -X -At -h "$dir/pg" -U poor -d whole -c 'DELETE FROM wane.event' >"$dir/out" 2>&1 && fail "a reader may delete"
exit 0

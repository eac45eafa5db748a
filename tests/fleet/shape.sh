#!/bin/sh
# The tables can be partitioned by campaign as they stand; the views say what is true; older tables are brought up to date.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"

# The bench lab has stations A and B, lab-2 has C, which reads 2 % high, and more from campaign to campaign. Cells of one type.
campaign a1 A 0 100 2.50
campaign a2 A 0 60 2.52
campaign b1 B 0 60 2.48
campaign b2 B 0 60 2.50
campaign c1 C 0 60 2.55
campaign c2 C 0 60 2.56
campaign c3 C 0 60 2.57
campaign s1 A 1 60 9.99
year=31557600000000
for file in c1 c2 c3; do
    sqlite3 $file.wane "UPDATE campaign SET created_utc_us = 1767225600000000 + ${file#c} * $year"
done
sqlite3 a2.wane "UPDATE cycle SET flags = 1 WHERE cycle = 1" # interrupted: the second counts as the first
sqlite3 a2.wane "UPDATE cycle SET capacity_ah = 2.52 WHERE cycle = 2"
database plain
publish plain lab --prepare
published plain lab a1 a2 b1 b2 s1
published plain lab-2 c1 c2 c3

say "every key begins with campaign_id"
# astray DATABASE: keys and constraints of the schema that do not, but for the table of versions.
astray() {
    sql "$1" "
        SELECT c.conname FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND t.relname <> 'schema_version' AND c.contype IN ('p', 'u', 'f', 'x') AND
            (SELECT attname FROM pg_attribute WHERE attrelid = c.conrelid AND attnum = c.conkey[1]) <> 'campaign_id'
        UNION ALL
        SELECT i.indexrelid::regclass::text FROM pg_index i JOIN pg_class t ON t.oid = i.indrelid JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND t.relname <> 'schema_version' AND i.indisunique AND
            (SELECT attname FROM pg_attribute WHERE attrelid = i.indrelid AND attnum = i.indkey[0]) <> 'campaign_id'
        UNION ALL
        SELECT t.relname || ' has no primary key' FROM pg_class t JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND t.relkind IN ('r', 'p') AND
            NOT EXISTS (SELECT 1 FROM pg_constraint c WHERE c.conrelid = t.oid AND c.contype = 'p')
        UNION ALL
        SELECT t.relname || ' has no campaign_id' FROM pg_class t JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND t.relkind IN ('r', 'p') AND t.relname <> 'schema_version' AND NOT EXISTS
            (SELECT 1 FROM pg_attribute WHERE attrelid = t.oid AND attname = 'campaign_id' AND attnotnull)
        UNION ALL
        SELECT c.conname || ' points elsewhere' FROM pg_constraint c JOIN pg_class t ON t.oid = c.conrelid
            JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND c.contype = 'f' AND
            (SELECT attname FROM pg_attribute WHERE attrelid = c.confrelid AND attnum = c.confkey[1]) <> 'campaign_id'
        UNION ALL
        SELECT t.relname || ' is a sequence' FROM pg_class t JOIN pg_namespace s ON s.oid = t.relnamespace
        WHERE s.nspname = 'wane' AND t.relkind = 'S'
        UNION ALL
        SELECT 'extension ' || extname FROM pg_extension WHERE extname <> 'plpgsql'
        UNION ALL
        SELECT t.relname || ' has a trigger' FROM pg_trigger g JOIN pg_class t ON t.oid = g.tgrelid WHERE NOT g.tgisinternal"
}
[ -z "$(astray plain)" ] || fail "$(astray plain)"
database bad
publish bad lab --prepare
for change in 'ALTER TABLE wane.event ADD UNIQUE (number)' 'CREATE UNIQUE INDEX ON wane.cell (name)' \
    'ALTER TABLE wane.bench DROP CONSTRAINT bench_pkey' 'ALTER TABLE wane.event ADD turn bigserial' \
    'CREATE TABLE wane.loose (campaign_id uuid, a bigint, PRIMARY KEY (a))'; do
    sql bad "$change"
    [ -n "$(astray bad)" ] || fail "would not be noticed: $change"
    sql bad 'DROP SCHEMA wane CASCADE'
    publish bad lab --prepare
    ends 0
done

say "the same tables, each in four partitions by campaign: wane publish and the views do not notice"
database parted
awk '/^CREATE TABLE wane\./ { table = $3 }
    /^\);$/ && table != "wane.schema_version" {
        print ") PARTITION BY HASH (campaign_id);"
        for (i = 0; i < 4; i++) printf "CREATE TABLE %s_%d PARTITION OF %s FOR VALUES WITH (MODULUS 4, REMAINDER %d);\n", table, i, table, i
        next }
    { print }' "$src/contrib/fleet/tables-1.sql" >"$dir/parted.sql"
[ "$(grep -c 'PARTITION BY HASH' "$dir/parted.sql")" = 6 ] || fail "not six tables"
"$pg/psql" -X -q -1 -v ON_ERROR_STOP=1 -h "$dir/pg" -U owner -d parted -f "$dir/parted.sql" -f "$src/contrib/fleet/views.sql" >"$dir/out" 2>&1 ||
    fail "the tables do not let themselves be partitioned"
[ "$(sql parted "SELECT count(*) FROM pg_class WHERE relispartition AND relkind = 'r' AND relname ~ '^(campaign|cycle)_'")" = 8 ] ||
    fail "no partitions"
published parted lab a1 a2 b1 b2 s1
published parted lab-2 c1 c2 c3
same "$(sums plain no-times)" "$(sums parted no-times)" "partitioned tables hold something else"
before=$(sums parted)
published parted lab a1 a2 b1 b2 s1 --json
[ "$(json rows_changed)" = 0 ] || fail "partitioned tables: publishing twice changes something"
same "$before" "$(sums parted)" "partitioned tables: publishing twice changes something"
sqlite3 a1.wane 'UPDATE cycle SET capacity_ah = 2.5001 WHERE cycle = 1; DELETE FROM cycle WHERE cycle = 100'
for db in plain parted; do
    published $db lab a1 --replace --json
    [ "$(grep -c '"rows_deleted": 1,' "$dir/out")" = 2 ] || fail "$db: --replace deletes more than the row beyond"
done
[ "$(sql parted 'SELECT count(DISTINCT tableoid) FROM wane.campaign')" -gt 1 ] || fail "all campaigns are in one partition"
for view in fade_by_cell_type first_capacity station_drift alarms; do
    for db in plain parted; do sql $db "SELECT t::text FROM wane.$view t ORDER BY 1" >"$dir/$db.$view"; done
    [ -s "$dir/plain.$view" ] || fail "$view is empty"
    cmp -s "$dir/plain.$view" "$dir/parted.$view" || fail "$view differs over partitions"
done

say "what the views say"
expect() { # WANTED QUERY
    got=$(sql plain "$2")
    [ "$got" = "$1" ] || fail "$2: $got, not $1"
}
sql plain "UPDATE wane.cycle SET capacity_ah = 2.5 WHERE capacity_ah = 2.5001"
# Cycle 1 of a1 2.5, b1 2.48, b2 2.5, c1..c3 2.55 2.56 2.57 (a2's does not count): the median of six is 2.525.
expect '6|3|2.525|2.48|2.57|1.0100' "SELECT campaigns, stations, capacity_median_ah, capacity_min_ah, capacity_max_ah,
    round(retention_median::numeric, 4) FROM wane.fade_by_cell_type WHERE label = 'measured' AND cycle = 1"
expect '1|9.99' "SELECT campaigns, capacity_median_ah FROM wane.fade_by_cell_type WHERE label = 'SIMULATED' AND cycle = 1"
expect '' "SELECT * FROM wane.fade_by_cell_type WHERE cycle % 10 = 0" # interrupted, all of them
# First capacities: a1 2.5, a2 2.52 (of cycle 2), b1 2.48, b2 2.5, c 2.55 2.56 2.57; their median is 2.52.
expect '2|2.52|0.0000' "SELECT cycle, capacity_ah, round(residual::numeric, 4) FROM wane.first_capacity WHERE campaign = 'a2'"
expect 'lab|A|2|2|-0.00397' "SELECT bench, station, campaigns, comparable, round(residual_median::numeric, 5) FROM wane.station_drift
    WHERE label = 'measured' AND station = 'A'"
expect 'lab-2|C|3|3|0.01587|0.00098|0.00397' "SELECT bench, station, campaigns, comparable, round(residual_median::numeric, 5),
    round(residual_u::numeric, 5), round(residual_per_year::numeric, 5) FROM wane.station_drift WHERE station = 'C'"
expect '1|0|' "SELECT campaigns, comparable, residual_median FROM wane.station_drift WHERE label = 'SIMULATED'"
expect 't|1|99' "SELECT published, open_alarms, cycles FROM wane.campaigns WHERE campaign = 'a1'"
expect '1|a1' "SELECT count(*), max(campaign) FROM wane.alarms WHERE open"

say "from version to version"
database steps
WANE_FLEET_CONNECTION=$(connection steps) test_fleet_steps >"$dir/out" 2>&1 || fail "steps"
exit 0

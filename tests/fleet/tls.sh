#!/bin/sh
# Over TLS: with certificates made here, who answers is verified; whoever cannot prove it gets nothing.
# SPDX-License-Identifier: GPL-3.0-or-later
. "$(dirname "$0")/lib.sh"
command -v openssl >/dev/null || { echo "skipped: no openssl"; exit 77; }

# authority NAME, and certificate NAME AUTHORITY HOST: keys that only their owner can read.
mkdir "$dir/ca"
authority() {
    openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj "/CN=$1" -keyout "$dir/ca/$1.key" \
        -out "$dir/ca/$1.crt" >"$dir/err" 2>&1 || fail "openssl cannot make an authority"
}
certificate() {
    printf 'subjectAltName = DNS:%s\n' "$3" >"$dir/ca/names"
    openssl req -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -subj "/CN=$3" -keyout "$dir/ca/$1.key" -out "$dir/ca/$1.csr" \
        >"$dir/err" 2>&1 &&
        openssl x509 -req -in "$dir/ca/$1.csr" -CA "$dir/ca/$2.crt" -CAkey "$dir/ca/$2.key" -CAcreateserial -days 2 \
            -extfile "$dir/ca/names" -out "$dir/ca/$1.crt" >"$dir/err" 2>&1 || fail "openssl cannot make a certificate"
}
authority ours
authority theirs
certificate localhost ours localhost
certificate elsewhere ours db.example.org
certificate stranger theirs localhost

# serve CERTIFICATE: the server comes up with it, on loopback and on a port that is free, and takes nobody there without TLS.
serve() {
    stop_server
    cp "$dir/ca/$1.crt" "$dir/pg/data/server.crt"
    cp "$dir/ca/$1.key" "$dir/pg/data/server.key"
    chmod 600 "$dir/pg/data/server.key"
    [ "$(id -u)" -ne 0 ] || chown postgres "$dir/pg/data/server.crt" "$dir/pg/data/server.key"
    for try in 1 2 3 4 5 6 7 8 9 10; do
        port=$((20000 + ($$ * 7 + try * 977) % 12000))
        sed -i -e '/^port = /d' "$dir/pg/data/postgresql.conf"
        echo "port = $port" >>"$dir/pg/data/postgresql.conf"
        as_pg "$pg/pg_ctl" -D "$dir/pg/data" -l "$dir/pg/log" -w start >"$dir/pg/start" 2>&1 && return
    done
    fail "PostgreSQL does not start: $(cat "$dir/pg/log")"
}
sed -i "s/^listen_addresses = .*/listen_addresses = 'localhost'/" "$dir/pg/data/postgresql.conf"
echo "ssl = on" >>"$dir/pg/data/postgresql.conf"
printf 'local all all trust\nhostssl all all all trust\nhostnossl all all all reject\n' >"$dir/pg/data/pg_hba.conf"
sql() { "$pg/psql" -X -q -At -v ON_ERROR_STOP=1 -h "$dir/pg" -p "$port" -U owner -d "$1" -c "$2"; }
over() { # SSLMODE AUTHORITY ARGUMENT...
    to="host=localhost port=$port dbname=safe user=owner sslmode=$1 sslrootcert=$dir/ca/$2.crt"
    shift 2
    code=0
    wane publish --connection "$to" --bench lab "$@" >"$dir/out" 2>"$dir/err" </dev/null || code=$?
}
rows() { sql safe "SELECT count(*) FROM wane.cycle"; }
campaign c1 A 0 40 2.5

say "verify-full against our own authority: published, and nothing is complained about"
serve localhost
sql postgres "CREATE DATABASE safe"
over verify-full ours --prepare
ends 0
over verify-full ours c1
ends 0
[ ! -s "$dir/err" ] || fail "complains"
[ "$(rows)" = 40 ] || fail "not 40 cycles"

say "without TLS the server takes nobody"
add_cycles c1.wane 41 41
over disable ours c1
ends 1 'no encryption (SQLSTATE 28000)' 'pg_hba.conf'
[ "$(rows)" = 40 ] || fail "something was sent"
over require ours c1
ends 0
[ "$(rows)" = 41 ] || fail "not 41 cycles"

say "another authority, another name: nothing is sent"
add_cycles c1.wane 42 42
over verify-full theirs c1
ends 3 'certificate verify failed'
serve elsewhere
over verify-full ours c1
ends 3 'does not match host name "localhost"'
serve stranger
over verify-full ours c1
ends 3 'certificate verify failed'
[ ! -s "$dir/out" ] || fail "a result, although nothing was done"
over verify-full none c1
[ "$code" -ne 0 ] || fail "goes on without an authority"
serve localhost
[ "$(rows)" = 41 ] || fail "something was sent to a stranger"
over verify-full ours c1
ends 0
[ "$(rows)" = 42 ] || fail "does not go on"
exit 0

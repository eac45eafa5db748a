/* Fleet: connecting, statements and transactions over libpq, without ever waiting beyond a limit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fleet/link.h"

#include <errno.h>
#include <poll.h>
#include <libpq-fe.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "fleet/table.h"
#include "port/clock.h"

/* sha256() came with version 11 of the server. */
enum { SERVER_VERSION_MIN = 110000, OPTIONS_MAX = 80 };

static wn_ns now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

static wn_ns limit_in(const struct wn_fleet *f, int seconds)
{
    wn_ns limit = now_ns() + seconds * WN_NS_PER_S;
    return limit < f->end_ns ? limit : f->end_ns;
}

/* Until the socket is ready, or the limit. False: it is over. */
static bool wait_for(const struct wn_fleet *f, short events, wn_ns limit_ns)
{
    for (;;) {
        wn_ns left = limit_ns - now_ns();
        struct pollfd p = {PQsocket(f->conn), events, 0};
        if (left <= 0 || p.fd < 0) {
            return false;
        }
        int n = poll(&p, 1, (int)((left + WN_NS_PER_MS - 1) / WN_NS_PER_MS));
        if (n > 0) {
            return true;
        }
        if (n < 0 && errno != EINTR) {
            return false;
        }
    }
}

static int refused(struct wn_fleet *f, struct wn_error *err)
{
    char state[6], text[300];
    fleet_split_refusal(PQerrorMessage(f->conn), state, text, sizeof text);
    if (state[0] == '\0' && PQconnectionNeedsPassword(f->conn)) {
        return wn_error_set(err, WN_EACCESS,
                            "%s: the server wants a password: write a line "
                            "host:port:database:user:password into the libpq password file "
                            "(~/.pgpass, or passfile=), readable for its owner only",
                            f->where);
    }
    const char *host = PQhost(f->conn);
    if (state[0] == '\0' && (host == NULL || host[0] == '\0')) { /* it did not come to a host */
        return wn_error_set(err, WN_EINVAL, "%s: the connection cannot be used: %s", f->where,
                            text);
    }
    if (state[0] == '\0') {
        return wn_error_set(err, WN_EUNREACHABLE,
                            "%s: %s: is the server on, and reachable from here?", f->where, text);
    }
    struct fleet_fault fault = fleet_fault_of(state);
    return wn_error_set(err, fault.code, "%s: %s (SQLSTATE %s): %s", f->where, text, state,
                        fault.advice);
}

static int silent(const struct wn_fleet *f, const char *what, struct wn_error *err)
{
    return wn_error_set(err, WN_EUNREACHABLE,
                        "%s: no answer in time while %s: look at the server and the network, then "
                        "run it again: it goes on where it was",
                        f->where, what);
}

static int wait_connected(struct wn_fleet *f, int seconds, struct wn_error *err)
{
    wn_ns limit = limit_in(f, seconds);
    PostgresPollingStatusType s = PGRES_POLLING_WRITING;
    (void)PQsetErrorVerbosity(f->conn, PQERRORS_VERBOSE); /* tells the code of a refusal */
    while (PQstatus(f->conn) != CONNECTION_BAD && s != PGRES_POLLING_OK &&
           s != PGRES_POLLING_FAILED) {
        if (!wait_for(f, s == PGRES_POLLING_READING ? POLLIN : POLLOUT, limit)) {
            return silent(f, "connecting", err);
        }
        s = PQconnectPoll(f->conn);
    }
    if (s != PGRES_POLLING_OK || PQstatus(f->conn) != CONNECTION_OK) {
        return refused(f, err);
    }
    (void)PQsetErrorVerbosity(f->conn, PQERRORS_DEFAULT);
    return WN_OK;
}

/* What the text says, and what we need; libpq fills in the rest by its own defaults. */
static int begin_connecting(struct wn_fleet *f, const char *connection, int *seconds,
                            struct wn_error *err)
{
    const char *keyword[OPTIONS_MAX + 3], *value[OPTIONS_MAX + 3];
    int n = 0;
    PQconninfoOption *options = PQconninfoParse(connection, NULL);
    for (const PQconninfoOption *o = options; o != NULL && o->keyword != NULL; o++) {
        int64_t limit = 0;
        if (o->val == NULL || n == OPTIONS_MAX) {
            continue;
        }
        keyword[n] = o->keyword;
        value[n++] = o->val;
        if (strcmp(o->keyword, "connect_timeout") == 0 &&
            wn_num_parse_int(o->val, strlen(o->val), &limit) == WN_OK && limit >= 1 &&
            limit <= 600) {
            *seconds = (int)limit;
        }
    }
    keyword[n] = "fallback_application_name";
    value[n++] = "wane publish";
    keyword[n] = "client_encoding";
    value[n++] = "UTF8";
    keyword[n] = NULL;
    value[n] = NULL;
    f->conn = PQconnectStartParams(keyword, value, 0);
    PQconninfoFree(options);
    return f->conn != NULL ? WN_OK : wn_error_set(err, WN_ENOMEM, "out of memory");
}

/* Notices go nowhere: what matters is an error. */
static void no_notice(void *ctx, const PGresult *res)
{
    (void)ctx, (void)res;
}

static int check_server(const struct wn_fleet *f, struct wn_error *err)
{
    const char *encoding = PQparameterStatus(f->conn, "server_encoding");
    if (PQserverVersion(f->conn) < SERVER_VERSION_MIN) {
        return wn_error_set(err, WN_EINVAL,
                            "%s: the server is PostgreSQL %d; wane needs 11 or later", f->where,
                            PQserverVersion(f->conn) / 10000);
    }
    if (encoding != NULL && strcmp(encoding, "UTF8") != 0) {
        return wn_error_set(err, WN_EINVAL,
                            "%s: the database has the encoding %s; it needs UTF8 (createdb -E UTF8 "
                            "-T template0)",
                            f->where, encoding);
    }
    return WN_OK;
}

int wn_fleet_open(struct wn_fleet **out, const char *connection, wn_ns end_ns, struct wn_error *err)
{
    struct wn_fleet_target target;
    int seconds = FLEET_CONNECT_LIMIT_S;
    *out = NULL;
    int rc = wn_fleet_target(connection, &target, err);
    if (rc != WN_OK) {
        return rc;
    }
    struct wn_fleet *f = calloc(1, sizeof *f);
    if (f == NULL) {
        return wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    f->end_ns = end_ns;
    (void)snprintf(f->where, sizeof f->where, "%s", target.where);
    rc = begin_connecting(f, connection, &seconds, err);
    rc = rc == WN_OK ? wait_connected(f, seconds, err) : rc;
    rc = rc == WN_OK ? check_server(f, err) : rc;
    if (rc != WN_OK) {
        wn_fleet_close(f);
        return rc;
    }
    wn_fleet_reached(f, &target);
    (void)snprintf(f->where, sizeof f->where, "%s", target.where);
    (void)PQsetNoticeReceiver(f->conn, no_notice, NULL);
    if (PQsetnonblocking(f->conn, 1) != 0) {
        rc = refused(f, err);
        wn_fleet_close(f);
        return rc;
    }
    *out = f;
    return WN_OK;
}

void wn_fleet_close(struct wn_fleet *f)
{
    if (f != NULL) {
        PQfinish(f->conn);
        free(f);
    }
}

static int lost(struct wn_fleet *f, struct wn_error *err)
{
    char state[6], text[300];
    fleet_split_refusal(PQerrorMessage(f->conn), state, text, sizeof text);
    return wn_error_set(err, WN_EUNREACHABLE,
                        "%s: the connection is lost: %s: run it again: it goes on where it was",
                        f->where, text);
}

static int failed(struct wn_fleet *f, const PGresult *res, struct wn_error *err)
{
    const char *state = PQresultErrorField(res, PG_DIAG_SQLSTATE);
    const char *text = PQresultErrorField(res, PG_DIAG_MESSAGE_PRIMARY);
    if (state == NULL) {
        return lost(f, err);
    }
    struct fleet_fault fault = fleet_fault_of(state);
    return wn_error_set(err, fault.code, "%s: %.200s (SQLSTATE %s): %s", f->where,
                        text != NULL ? text : "", state, fault.advice);
}

/* Sends all of it; takes in what comes meanwhile, or both sides could wait for each other. */
static int send_all(struct wn_fleet *f, wn_ns limit, struct wn_error *err)
{
    int left;
    while ((left = PQflush(f->conn)) > 0) {
        if (!wait_for(f, POLLIN | POLLOUT, limit)) {
            return silent(f, "sending", err);
        }
        if (!PQconsumeInput(f->conn)) {
            return lost(f, err);
        }
    }
    return left == 0 ? WN_OK : lost(f, err);
}

/* Takes in what comes until there is a result, or none is left. */
static int wait_result(struct wn_fleet *f, wn_ns limit, struct wn_error *err)
{
    while (PQisBusy(f->conn)) {
        if (!wait_for(f, POLLIN, limit)) {
            return silent(f, "a statement runs", err);
        }
        if (!PQconsumeInput(f->conn)) {
            return lost(f, err);
        }
    }
    return WN_OK;
}

/* All results of what was sent, to the end also behind a bad one: only then may something else be
 * sent. Gives the last one when all are good; else tells of the first bad one. */
static int collect(struct wn_fleet *f, wn_ns limit, PGresult **out, struct wn_error *err)
{
    PGresult *kept = NULL, *res = NULL;
    int rc = WN_OK, waited = WN_OK;
    while ((waited = wait_result(f, limit, rc == WN_OK ? err : NULL)) == WN_OK &&
           (res = PQgetResult(f->conn)) != NULL) {
        ExecStatusType s = PQresultStatus(res);
        if (rc == WN_OK && s != PGRES_COMMAND_OK && s != PGRES_TUPLES_OK) {
            rc = failed(f, res, err);
        }
        PQclear(kept);
        kept = res;
    }
    rc = rc == WN_OK ? waited : rc;
    if (rc == WN_OK && PQstatus(f->conn) == CONNECTION_BAD) {
        rc = lost(f, err);
    }
    if (rc != WN_OK || out == NULL) {
        PQclear(kept);
        kept = NULL;
    }
    if (out != NULL) {
        *out = kept;
    }
    return rc;
}

static int send_with(struct wn_fleet *f, const char *sql, const struct fleet_params *p)
{
    int *binary = calloc((size_t)p->n + 1, sizeof *binary);
    for (int i = 0; binary != NULL && i < p->n; i++) {
        binary[i] = 1;
    }
    int sent = binary != NULL &&
               PQsendQueryParams(f->conn, sql, p->n, p->type, p->value, p->length, binary, 1);
    free(binary);
    return sent;
}

int fleet_run(struct wn_fleet *f, const char *sql, const struct fleet_params *p, PGresult **out,
              struct wn_error *err)
{
    wn_ns limit = limit_in(f, FLEET_STATEMENT_LIMIT_S + 5); /* the server gives up first */
    if (out != NULL) {
        *out = NULL;
    }
    if (sql == NULL) {
        return wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    if (PQstatus(f->conn) == CONNECTION_BAD) {
        return lost(f, err);
    }
    int sent = p == NULL ? PQsendQuery(f->conn, sql) : send_with(f, sql, p);
    int rc = sent ? send_all(f, limit, err) : lost(f, err);
    return rc == WN_OK ? collect(f, limit, out, err) : rc;
}

int fleet_number(struct wn_fleet *f, const char *sql, const struct fleet_params *p, int64_t *out,
                 struct wn_error *err)
{
    static const struct fleet_params none = {0};
    PGresult *res = NULL;
    *out = 0;
    int rc = fleet_run(f, sql, p != NULL ? p : &none, &res, err);
    if (rc == WN_OK && PQntuples(res) > 0 && PQgetlength(res, 0, 0) == 8) {
        *out = fleet_get_int64((const unsigned char *)PQgetvalue(res, 0, 0));
    }
    PQclear(res);
    return rc;
}

/* Nothing but the system's own functions is found without a schema's name. What is only read is of
 * one moment. */
static int begin(struct wn_fleet *f, bool write, struct wn_error *err)
{
    char sql[320];
    (void)snprintf(sql, sizeof sql,
                   "BEGIN ISOLATION LEVEL %s; SET LOCAL search_path = "
                   "pg_catalog; SET LOCAL statement_timeout = '%ds'; SET LOCAL lock_timeout = "
                   "'30s'; SET LOCAL idle_in_transaction_session_timeout = '%ds'; SET LOCAL "
                   "standard_conforming_strings = on",
                   write ? "READ COMMITTED, READ WRITE" : "REPEATABLE READ, READ ONLY",
                   FLEET_STATEMENT_LIMIT_S, 2 * FLEET_STATEMENT_LIMIT_S);
    return fleet_run(f, sql, NULL, NULL, err);
}

int fleet_transaction(struct wn_fleet *f, bool write, fleet_work_fn work, void *ctx,
                      struct wn_error *err)
{
    int rc = WN_EBUSY;
    for (int i = 0; i < FLEET_TRIES_MAX && rc == WN_EBUSY; i++) {
        wn_error_clear(err);
        rc = begin(f, write, err);
        rc = rc == WN_OK ? work(f, ctx, err) : rc;
        rc = rc == WN_OK ? fleet_run(f, "COMMIT", NULL, NULL, err) : rc;
        PGTransactionStatusType state = PQtransactionStatus(f->conn);
        if (rc != WN_OK && (state == PQTRANS_INERROR || state == PQTRANS_INTRANS)) {
            (void)fleet_run(f, "ROLLBACK", NULL, NULL, NULL);
        }
    }
    return rc;
}

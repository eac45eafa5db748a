/* Fleet: what a connection text says, before anybody is called.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "fleet/link.h"

#include <libpq-fe.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static const char *value(const PQconninfoOption *options, const char *keyword)
{
    for (const PQconninfoOption *o = options; o->keyword != NULL; o++) {
        if (strcmp(o->keyword, keyword) == 0) {
            return o->val != NULL ? o->val : "";
        }
    }
    return "";
}

static bool is_here(const char *host, size_t n)
{
    static const char *const names[] = {"localhost", "127.0.0.1", "::1"};
    if (n == 0 || host[0] == '/' || host[0] == '@') {
        return true; /* a socket in the file system */
    }
    for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
        if (strlen(names[i]) == n && strncmp(names[i], host, n) == 0) {
            return true;
        }
    }
    return false;
}

/* Of several, separated by commas, all are looked at. */
static bool all_here(const char *hosts)
{
    for (const char *at = hosts;; at++) {
        size_t n = strcspn(at, ",");
        if (!is_here(at, n)) {
            return false;
        }
        at += n;
        if (*at == '\0') {
            return true;
        }
    }
}

/* Where to, and what is to be said of the way. */
static void describe(const PQconninfoOption *o, struct wn_fleet_target *out)
{
    const char *host = value(o, "host"), *address = value(o, "hostaddr");
    (void)snprintf(out->host, sizeof out->host, "%s", host[0] != '\0' ? host : address);
    (void)snprintf(out->database, sizeof out->database, "%s", value(o, "dbname"));
    out->over_network = !all_here(host) || !all_here(address);
    out->verified = strcmp(value(o, "sslmode"), "verify-full") == 0;
    if (out->host[0] == '\0' || out->database[0] == '\0') {
        (void)snprintf(out->where, sizeof out->where, "service %.60s", out->service);
    } else {
        (void)snprintf(out->where, sizeof out->where, "%.200s, database %.60s", out->host,
                       out->database);
    }
}

void wn_fleet_reached(const struct wn_fleet *f, struct wn_fleet_target *target)
{
    PQconninfoOption *o = PQconninfo(f->conn);
    if (o != NULL && target->service[0] != '\0') {
        describe(o, target);
        target->service_password = value(o, "password")[0] != '\0';
    }
    PQconninfoFree(o);
}

static int judge(const PQconninfoOption *o, struct wn_fleet_target *out, struct wn_error *err)
{
    const char *host = value(o, "host"), *address = value(o, "hostaddr");
    const char *service = value(o, "service"), *database = value(o, "dbname");
    const char *file = value(o, "passfile"), *home = getenv("HOME");
    if (value(o, "password")[0] != '\0' || value(o, "sslpassword")[0] != '\0') {
        return wn_error_set(
            err, WN_EINVAL,
            "the connection holds a password: others can see it there. Write it into the libpq "
            "password file, ~/.pgpass or another that passfile= names, as a line "
            "host:port:database:user:password, readable for its owner only");
    }
    if (host[0] == '\0' && address[0] == '\0' && service[0] == '\0') {
        return wn_error_set(err, WN_EINVAL,
                            "the connection does not say which server: write host=... (the "
                            "directory of the socket for one on this computer)");
    }
    if (database[0] == '\0' && service[0] == '\0') {
        return wn_error_set(err, WN_EINVAL,
                            "the connection does not say which database: write dbname=...");
    }
    (void)snprintf(out->service, sizeof out->service, "%s", service);
    describe(o, out);
    if (file[0] != '\0') {
        (void)snprintf(out->password_file, sizeof out->password_file, "%s", file);
    } else if (home != NULL && home[0] != '\0') {
        (void)snprintf(out->password_file, sizeof out->password_file, "%s/.pgpass", home);
    }
    return WN_OK;
}

int wn_fleet_target(const char *connection, struct wn_fleet_target *out, struct wn_error *err)
{
    char *why = NULL;
    memset(out, 0, sizeof *out);
    PQconninfoOption *o = PQconninfoParse(connection, &why);
    if (o == NULL) {
        size_t n = why != NULL ? strcspn(why, "\n") : 0;
        (void)wn_error_set(err, WN_EINVAL, "the connection cannot be read: %.*s", (int)n,
                           why != NULL ? why : "");
        PQfreemem(why);
        return WN_EINVAL;
    }
    int rc = judge(o, out, err);
    PQconninfoFree(o);
    return rc;
}

void wn_fleet_ignore_environment(void (*told)(const char *name, void *ctx), void *ctx)
{
    for (char **e = environ; e != NULL && *e != NULL;) {
        char name[64];
        size_t n = strcspn(*e, "=");
        if (strncmp(*e, "PG", 2) != 0 || n >= sizeof name) {
            e++;
            continue;
        }
        memcpy(name, *e, n);
        name[n] = '\0';
        if (unsetenv(name) != 0) { /* moves the rest up */
            e++;
            continue;
        }
        told(name, ctx);
    }
}

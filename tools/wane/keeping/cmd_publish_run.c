/* wane publish: which campaigns, over which connection, and what became of each.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "publish.h"

#include <dirent.h>
#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

#include "base/num.h"
#include "fleet/fleet.h"
#include "port/clock.h"
#include "report/table.h"

#define TIMEOUT_S 600.0

struct publishing {
    struct wane *w;
    const char *connection;
    struct wn_fleet_order order;
    double timeout_s;
    wn_ns end_ns;
    struct wn_fleet_target target;
    struct wn_fleet *fleet;
    json_t *list;
    struct wn_table *table;
    int done, failed; /* campaigns */
    int64_t changed, deleted;
    int stop; /* why the rest is not tried: an error code of the connection; WN_OK */
};

static void note(const char *fmt, ...) __attribute__((format(printf, 1, 2)));
static void note(const char *fmt, ...)
{
    va_list args;
    (void)fputs("wane publish: note: ", stderr);
    va_start(args, fmt);
    (void)vfprintf(stderr, fmt, args);
    va_end(args);
    (void)fputc('\n', stderr);
}

static void told_variable(const char *name, void *ctx)
{
    (void)ctx;
    note("%s of the environment is not used: the connection alone says where to", name);
}

static void warn_of_network(const struct wn_fleet_target *t)
{
    if (t->over_network && !t->verified) {
        note("%s is reached over a network, and who answers there is not verified: add "
             "sslmode=verify-full (and sslrootcert=...) to the connection",
             t->host);
    }
}

static void warn_of_password_file(const struct wn_fleet_target *t)
{
    struct stat st;
    if (t->password_file[0] != '\0' && stat(t->password_file, &st) == 0 &&
        (st.st_mode & (S_IRWXG | S_IRWXO)) != 0) {
        note("others can read the password file %s, so libpq does not use it: chmod 600 %s",
             t->password_file, t->password_file);
    }
}

/* A service of the service file is known only now. */
static void warn_of_service(struct wn_fleet_target *t, const struct wn_fleet *f)
{
    if (t->service[0] == '\0') {
        return;
    }
    bool told = t->over_network && !t->verified;
    wn_fleet_reached(f, t);
    if (!told) {
        warn_of_network(t);
    }
    if (t->service_password) {
        note("the password is in the connection service file: see that only its owner can read "
             "it, or better, write it into the password file");
    }
}

/* From the options, else from the configuration. */
static int settle(struct publishing *p, const struct wane_args *a)
{
    const struct wane_value *v = a->value;
    bool prepare = v[PUBLISH_PREPARE].given;
    if (prepare && (v[PUBLISH_DRY_RUN].given || a->operands > 0)) {
        return wane_usage(p->w, "--prepare publishes nothing: give it alone");
    }
    p->connection = v[PUBLISH_CONNECTION].text;
    p->order = (struct wn_fleet_order){.bench = v[PUBLISH_BENCH].text,
                                       .dry_run = v[PUBLISH_DRY_RUN].given,
                                       .take_over = v[PUBLISH_TAKE_OVER].given,
                                       .replace = v[PUBLISH_REPLACE].given};
    p->timeout_s = TIMEOUT_S;
    if (p->connection != NULL && (prepare || (p->order.bench != NULL && a->operands > 0))) {
        return WANE_DONE; /* no configuration is needed */
    }
    const struct wn_daemon_config *d = wane_daemon(p->w);
    if (d == NULL) {
        return WANE_FAILED;
    }
    const struct wn_publish_config *c = &d->publish;
    if (p->connection == NULL && c->connection[0] == '\0') {
        (void)fprintf(stderr,
                      "wane publish: %s does not say where to: write publish = { connection = "
                      "\"host=... dbname=...\"; bench = \"lab-1\"; }, or give --connection\n",
                      d->file);
        return WANE_FAILED;
    }
    p->timeout_s = c->connection[0] != '\0' ? c->timeout_s : TIMEOUT_S;
    p->connection = p->connection != NULL ? p->connection : c->connection;
    p->order.bench = p->order.bench != NULL ? p->order.bench : c->bench;
    if (p->order.bench[0] == '\0' && !prepare) {
        return wane_usage(p->w, "what is this bench called? Give --bench NAME");
    }
    return WANE_DONE;
}

static const char *state_word(const struct publishing *p, const struct wn_fleet_outcome *o, int rc)
{
    return rc != WN_OK                            ? rc == WN_ESTATE ? "refused" : "failed"
           : p->order.dry_run && o->differing > 0 ? "differs"
           : o->changed > 0 || o->deleted > 0     ? "published"
                                                  : "up to date";
}

static void add_json(struct publishing *p, const struct wane_campaign *c,
                     const struct wn_fleet_outcome *o, int rc, const struct wn_error *err)
{
    json_t *j = json_object();
    wane_put(j, "campaign", json_string(c->info.name));
    wane_put(j, "file", json_string(c->path));
    wane_put(j, "campaign_id", o->id[0] != '\0' ? json_string(o->id) : json_null());
    wane_put(j, "simulated", json_boolean(c->info.simulated));
    wane_put(j, "state", json_string(state_word(p, o, rc)));
    wane_put(j, "cycles", json_integer(o->cycles));
    wane_put(j, "check_ups", json_integer(o->check_ups));
    wane_put(j, "events", json_integer(o->events));
    wane_put(j, "rows_differing", json_integer(o->differing));
    wane_put(j, "rows_changed", json_integer(o->changed));
    wane_put(j, "rows_deleted", json_integer(o->deleted));
    wane_put(j, "taken_from", o->taken_from[0] != '\0' ? json_string(o->taken_from) : json_null());
    wane_put(j, "namesakes", json_integer(o->namesakes));
    wane_put(j, "problem", rc != WN_OK ? json_string(err->text) : json_null());
    (void)json_array_append_new(p->list, j);
}

static void add_row(struct publishing *p, const struct wane_campaign *c,
                    const struct wn_fleet_outcome *o, int rc)
{
    wn_table_text(p->table, c->info.name);
    wn_table_text(p->table, c->info.cell.name);
    wn_table_integer(p->table, o->cycles);
    wn_table_integer(p->table, o->check_ups);
    wn_table_integer(p->table, o->events);
    wn_table_integer(p->table, p->order.dry_run ? o->differing : o->changed);
    wn_table_text(p->table, state_word(p, o, rc));
    wn_table_text(p->table, c->info.simulated ? "SIMULATED" : c->info.imported ? "imported" : "");
}

static void tell(struct publishing *p, const struct wane_campaign *c,
                 const struct wn_fleet_outcome *o, int rc, const struct wn_error *err)
{
    p->done += rc == WN_OK;
    p->failed += rc != WN_OK;
    p->changed += o->changed;
    p->deleted += o->deleted;
    if (rc != WN_OK) {
        (void)wane_fail(p->w, err);
    }
    if (o->taken_from[0] != '\0') {
        note("%s was bench %s's%s", c->info.name, o->taken_from,
             p->order.dry_run ? ", and would be taken over" : " until now");
    }
    if (o->namesakes > 0) {
        note("the server holds %lld more of bench %s called %s, begun at another time: earlier "
             "imports of the same log? They count as campaigns of their own until their rows are "
             "deleted from wane.campaign, by the campaign_id that wane.campaigns tells; this one's "
             "is %s",
             (long long)o->namesakes, p->order.bench, c->info.name, o->id);
    }
    if (p->list != NULL) {
        add_json(p, c, o, rc, err);
    } else {
        add_row(p, c, o, rc);
    }
}

/* One that cannot be read or is refused is told and passed over; without a connection, all end. */
static void take(struct publishing *p, const char *name)
{
    struct wn_error err = {0};
    struct wn_fleet_outcome *o = calloc(1, sizeof *o);
    struct wane_campaign *c = calloc(1, sizeof *c);
    if (o == NULL || c == NULL) {
        (void)wn_error_set(&err, WN_ENOMEM, "out of memory");
        p->stop = WN_ENOMEM;
        (void)wane_fail(p->w, &err);
    } else if (wn_clock_monotonic(wn_clock_real()) > p->end_ns) {
        (void)wn_error_set(&err, WN_ETIMEOUT,
                           "not all could be published within %.0f s: run it again, it goes on "
                           "where it was; timeout in publish sets the limit",
                           p->timeout_s);
        p->stop = WN_ETIMEOUT;
        (void)wane_fail(p->w, &err);
    } else if (wane_open_campaign(p->w, name, c) != WANE_DONE) {
        p->failed++;
    } else {
        int rc = wn_fleet_publish(p->fleet, c->file, &p->order, o, &err);
        p->stop = rc == WN_EUNREACHABLE ? rc : WN_OK;
        tell(p, c, o, rc, &err);
        wane_close_campaign(c);
    }
    free(o);
    free(c);
}

static int is_campaign(const struct dirent *e)
{
    size_t n = strlen(e->d_name);
    return n > 5 && e->d_name[0] != '.' && strcmp(e->d_name + n - 5, ".wane") == 0;
}

static void take_directory(struct publishing *p, const char *dir)
{
    char path[sizeof((struct wane_campaign *)0)->path];
    struct dirent **entry = NULL;
    int n = scandir(dir, &entry, is_campaign, alphasort);
    if (n < 0) {
        (void)fprintf(stderr, "wane publish: %s: %s\n", dir, strerror(errno));
        p->failed++;
        return;
    }
    for (int i = 0; i < n; i++) {
        int len = snprintf(path, sizeof path, "%s/%s", dir, entry[i]->d_name);
        free(entry[i]);
        if (p->stop != WN_OK) {
            continue;
        }
        if (len < 0 || (size_t)len >= sizeof path) {
            (void)fprintf(stderr, "wane publish: %s: the path is too long\n", dir);
            p->failed++;
            continue;
        }
        take(p, path);
    }
    free(entry);
}

static void take_all(struct publishing *p, const struct wane_args *a)
{
    if (a->operands == 0) {
        take_directory(p, p->w->daemon->data_dir);
    }
    for (int i = 0; i < a->operands && p->stop == WN_OK; i++) {
        struct stat st;
        if (stat(a->operand[i], &st) == 0 && S_ISDIR(st.st_mode)) {
            take_directory(p, a->operand[i]);
        } else {
            take(p, a->operand[i]);
        }
    }
}

static int print(struct publishing *p)
{
    struct wn_error err = {0};
    if (p->list != NULL) {
        json_t *o = json_object();
        wane_put(o, "where", json_string(p->target.where));
        wane_put(o, "bench", json_string(p->order.bench));
        wane_put(o, "dry_run", json_boolean(p->order.dry_run));
        wane_put(o, "rows_changed", json_integer(p->changed));
        wane_put(o, "rows_deleted", json_integer(p->deleted));
        wane_put(o, "failed", json_integer(p->failed));
        wane_put(o, "complete", json_boolean(p->failed == 0 && p->stop == WN_OK));
        wane_put(o, "campaigns", json_incref(p->list));
        return wane_print_json(o);
    }
    if (p->done + p->failed == 0) {
        (void)puts("no campaign to publish yet");
        return wane_flush();
    }
    int rc = p->table != NULL ? wn_table_print(p->table, stdout, p->w->colour, &err) : WN_OK;
    (void)printf("\n%d of %d campaigns %s bench %s at %s\n", p->done, p->done + p->failed,
                 p->order.dry_run ? "were compared with what is held of" : "are published for",
                 p->order.bench, p->target.where);
    return rc == WN_OK ? wane_flush() : wane_fail(p->w, &err);
}

static int publish_all(struct publishing *p, const struct wane_args *a)
{
    static const char *const headings[] = {"campaign", "cell", "cycles", "check-ups",
                                           "events",   NULL,   "state",  "note"};
    const char *heading[8];
    memcpy(heading, headings, sizeof heading);
    heading[5] = p->order.dry_run ? "would be sent" : "rows sent";
    p->list = p->w->json ? json_array() : NULL;
    p->table = p->w->json ? NULL : wn_table_create("llrrrrll", heading);
    take_all(p, a);
    int rc = print(p);
    json_decref(p->list);
    wn_table_destroy(p->table);
    if (p->stop == WN_EUNREACHABLE) {
        return WANE_UNREACHABLE;
    }
    return p->failed > 0 || p->stop != WN_OK ? WANE_FAILED : rc;
}

static int prepare(struct publishing *p)
{
    struct wn_error err = {0};
    int from = 0;
    if (wn_fleet_prepare(p->fleet, &from, &err) != WN_OK) {
        return wane_fail(p->w, &err);
    }
    if (p->w->json) {
        json_t *o = json_object();
        wane_put(o, "where", json_string(p->target.where));
        wane_put(o, "version_before", json_integer(from));
        wane_put(o, "version", json_integer(WN_FLEET_SCHEMA));
        return wane_print_json(o);
    }
    (void)printf("%s: ", p->target.where);
    if (from == 0) {
        (void)printf("the tables are made, version %d\n", WN_FLEET_SCHEMA);
    } else if (from < WN_FLEET_SCHEMA) {
        (void)printf("the tables are brought from version %d to %d\n", from, WN_FLEET_SCHEMA);
    } else {
        (void)printf("the tables are of version %d already; the views are made anew\n", from);
    }
    return wane_flush();
}

int wane_publish(struct wane *w, const struct wane_args *a)
{
    struct publishing p = {.w = w};
    struct wn_error err = {0};
    int settled = settle(&p, a);
    if (settled != WANE_DONE) {
        return settled;
    }
    if (wn_fleet_target(p.connection, &p.target, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    wn_fleet_ignore_environment(told_variable, NULL);
    warn_of_network(&p.target);
    warn_of_password_file(&p.target);
    p.end_ns = wn_clock_monotonic(wn_clock_real()) + wn_ns_from_s(p.timeout_s);
    if (wn_fleet_open(&p.fleet, p.connection, p.end_ns, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    int rc = WANE_DONE;
    warn_of_service(&p.target, p.fleet);
    if (a->value[PUBLISH_PREPARE].given) {
        rc = prepare(&p);
    } else if (wn_fleet_check(p.fleet, &err) != WN_OK) {
        rc = wane_fail(w, &err);
    } else {
        rc = publish_all(&p, a);
    }
    wn_fleet_close(p.fleet);
    return rc;
}

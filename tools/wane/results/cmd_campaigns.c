/* wane campaigns: what has been measured.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report/table.h"

struct row {
    struct wane_campaign c;
    int64_t cycles, alarms;
    double last_ah;
};

static int count_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct row *row = ctx;
    (void)end_utc;
    row->cycles++;
    row->last_ah = isfinite(r->capacity_ah.value) ? r->capacity_ah.value : row->last_ah;
    return 0;
}

static int read_row(const char *path, struct row *r, struct wn_error *err)
{
    memset(r, 0, sizeof *r);
    r->last_ah = NAN;
    (void)snprintf(r->c.path, sizeof r->c.path, "%s", path);
    int rc = wn_campaign_open_read(&r->c.file, path, err);
    rc = rc == WN_OK ? wn_campaign_info(r->c.file, &r->c.info, err) : rc;
    rc = rc == WN_OK ? wn_campaign_status(r->c.file, r->c.status, sizeof r->c.status, err) : rc;
    rc = rc == WN_OK ? wn_campaign_open_alarms(r->c.file, &r->alarms, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_cycle(r->c.file, count_cycle, r, err) : rc;
    wane_close_campaign(&r->c);
    return rc;
}

static json_t *row_json(const struct row *r)
{
    const struct wn_campaign_info *i = &r->c.info;
    char utc[WN_UTC_SIZE];
    double rated_ah = i->cell.rated_capacity_ah;
    json_t *o = json_object();
    wane_put(o, "campaign", json_string(i->name));
    wane_put(o, "file", json_string(r->c.path));
    wane_put(o, "status", json_string(r->c.status));
    wane_put(o, "station", json_string(i->station));
    wane_put(o, "cell", json_string(i->cell.name));
    wane_put(o, "procedure", json_string(i->procedure));
    wane_put(o, "cycles", json_integer(r->cycles));
    wane_put(o, "cycles_planned", json_integer(i->cycles_planned));
    wane_put(o, "capacity_ah", wane_number(r->last_ah));
    wane_put(o, "retention", wane_number(rated_ah > 0 ? r->last_ah / rated_ah : NAN));
    wane_put(o, "open_alarms", json_integer(r->alarms));
    wane_put(o, "created_utc", json_string(wn_utc_format(i->created_utc, utc, sizeof utc)));
    wane_put(o, "simulated", json_boolean(i->simulated));
    wane_put(o, "imported", json_boolean(i->imported));
    return o;
}

static void add_row(struct wn_table *t, const struct row *r)
{
    const struct wn_campaign_info *i = &r->c.info;
    char progress[48], label[40];
    double rated_ah = i->cell.rated_capacity_ah;
    (void)snprintf(progress, sizeof progress, i->imported ? "%lld" : "%lld of %lld",
                   (long long)r->cycles, (long long)i->cycles_planned);
    (void)snprintf(label, sizeof label, "%s%s%s", r->alarms > 0 ? " ALARM" : "",
                   i->simulated ? " SIMULATED" : "", i->imported ? " imported" : "");
    wn_table_text(t, i->name);
    wn_table_text(t, i->cell.name);
    wn_table_text(t, i->procedure);
    wn_table_text(t, i->station);
    wn_table_text(t, r->c.status);
    wn_table_text(t, progress);
    wn_table_number(t, r->last_ah, 4);
    wn_table_number(t, rated_ah > 0 ? 100 * r->last_ah / rated_ah : NAN, 1);
    wn_table_text(t, label[0] == ' ' ? label + 1 : label);
}

struct sink {
    json_t *list;
    struct wn_table *table;
    int shown, unreadable;
};

/* One that cannot be read is told and passed over: the others are still there. */
static void take(const char *path, struct sink *s)
{
    struct wn_error err = {0};
    struct row *r = malloc(sizeof *r);
    if (r == NULL || read_row(path, r, &err) != WN_OK) {
        s->unreadable++;
        (void)fprintf(stderr, "wane campaigns: %s\n", r != NULL ? err.text : "out of memory");
    } else if (s->list != NULL) {
        (void)json_array_append_new(s->list, row_json(r));
    } else {
        add_row(s->table, r);
        s->shown++;
    }
    free(r);
}

static int run(struct wane *w, const struct wane_args *a)
{
    static const char *const headings[] = {"campaign", "cell",    "procedure", "station", "status",
                                           "cycles",   "last Ah", "% rated",   "note"};
    const struct wn_daemon_config *d = a->operands == 0 ? wane_daemon(w) : NULL;
    const char *dir = a->operands > 0 ? a->operand[0] : d != NULL ? d->data_dir : NULL;
    struct wane_names names;
    struct wn_error err = {0};
    if (dir == NULL) {
        return WANE_FAILED;
    }
    if (wane_list_campaigns(dir, &names, &err) != WN_OK) {
        struct wn_error why = err;
        (void)wn_error_set(&err, why.code, "%s%s%s", why.text,
                           d != NULL ? ": is data_dir right in " : "", d != NULL ? d->file : "");
        return wane_fail(w, &err);
    }
    struct sink s = {w->json ? json_array() : NULL,
                     w->json ? NULL : wn_table_create("llllllrrl", headings), 0, 0};
    for (size_t i = 0; i < names.n; i++) {
        take(names.path[i], &s);
    }
    wane_free_names(&names);
    if (w->json) {
        int printed = wane_print_json(json_pack("{s:o}", "campaigns", s.list));
        return s.unreadable > 0 && printed == 0 ? 1 : printed;
    }
    int rc = WN_OK;
    if (s.shown > 0) {
        rc = wn_table_print(s.table, stdout, w->colour, &err);
    } else if (s.unreadable == 0) {
        (void)printf("no campaign in %s yet\n", dir);
    }
    wn_table_destroy(s.table);
    int flushed = rc == WN_OK ? wane_flush() : wane_fail(w, &err);
    return s.unreadable > 0 && flushed == 0 ? 1 : flushed;
}

const struct wane_command cmd_campaigns = {
    .name = "campaigns",
    .synopsis = "[DIRECTORY]",
    .summary = "what has been measured, and how far it is",
    .text = "One line a campaign file in the configuration's data_dir, or in a DIRECTORY.\n",
    .examples = "  wane campaigns\n"
                "  wane campaigns /media/archive --json\n",
    .operands_max = 1,
    .run = run,
};

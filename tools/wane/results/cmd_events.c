/* wane events: the story of a campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <stdio.h>

#include "report/table.h"

enum { ALARMS };

static const struct wane_option options[] = {
    [ALARMS] = {"alarms", 0, WANE_FLAG, NULL, "only alarms"},
};

struct sink {
    bool alarms;
    json_t *list;
    struct wn_table *table;
};

static const char *severity_word(enum wn_severity s)
{
    return s == WN_SEVERITY_ALARM ? "alarm" : s == WN_SEVERITY_WARNING ? "warning" : "info";
}

static json_t *event_json(const struct wn_event_row *r)
{
    char utc[WN_UTC_SIZE];
    json_t *o = json_object();
    wane_put(o, "number", json_integer(r->number));
    wane_put(o, "utc", json_string(wn_utc_format(r->utc, utc, sizeof utc)));
    wane_put(o, "time_s", wane_number(wn_ns_to_s(r->event.time_ns)));
    wane_put(o, "cycle", json_integer(r->event.cycle));
    wane_put(o, "severity", json_string(severity_word(r->event.severity)));
    wane_put(o, "kind", json_string(r->event.kind));
    wane_put(o, "text", json_string(r->event.text));
    wane_put(o, "acknowledged_by", r->acknowledged ? json_string(r->acknowledged_by) : json_null());
    return o;
}

static int take(const struct wn_event_row *r, void *ctx)
{
    struct sink *s = ctx;
    char utc[WN_UTC_SIZE];
    if (s->alarms && r->event.severity != WN_SEVERITY_ALARM) {
        return 0;
    }
    if (s->list != NULL) {
        (void)json_array_append_new(s->list, event_json(r));
        return 0;
    }
    wn_table_integer(s->table, r->number);
    wn_table_text(s->table, wn_utc_format(r->utc, utc, sizeof utc));
    wn_table_number(s->table, wn_ns_to_s(r->event.time_ns) / 3600, 3);
    wn_table_integer(s->table, r->event.cycle);
    wn_table_text(s->table, r->event.severity == WN_SEVERITY_ALARM
                                ? r->acknowledged ? "alarm (seen)" : "ALARM"
                                : severity_word(r->event.severity));
    wn_table_text(s->table, r->event.kind);
    wn_table_text(s->table, r->event.text);
    return 0;
}

static int run(struct wane *w, const struct wane_args *a)
{
    static const char *const headings[] = {"no",       "recorded (UTC)", "hour", "cycle",
                                           "severity", "kind",           "what"};
    struct wane_campaign c;
    struct wn_error err = {0};
    int rc = wane_open_campaign(w, a->operand[0], &c);
    if (rc != WANE_DONE) {
        return rc;
    }
    struct sink s = {a->value[ALARMS].given, w->json ? json_array() : NULL,
                     w->json ? NULL : wn_table_create("rlrrlll", headings)};
    int read = wn_campaign_each_event(c.file, 0, take, &s, &err);
    if (read == WN_OK && w->json) {
        json_t *o = json_object();
        wane_put(o, "campaign", json_string(c.info.name));
        wane_put(o, "simulated", json_boolean(c.info.simulated));
        wane_put(o, "events", json_incref(s.list));
        rc = wane_print_json(o);
    } else if (read == WN_OK) {
        wane_print_heading(w, &c);
        read = wn_table_print(s.table, stdout, w->colour, &err);
        rc = wane_flush();
    }
    json_decref(s.list);
    wn_table_destroy(s.table);
    wane_close_campaign(&c);
    return read == WN_OK ? rc : wane_fail(w, &err);
}

const struct wane_command cmd_events = {
    .name = "events",
    .synopsis = "CAMPAIGN [--alarms]",
    .summary = "everything that happened: starts, alarms, interruptions",
    .text = "One line an event, with the time of day when it was recorded and the hour of\n"
            "the campaign. An alarm stays ALARM until somebody has acknowledged it.\n",
    .examples = "  wane events demo\n"
                "  wane events demo --alarms --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

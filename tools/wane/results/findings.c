/* Findings: out of the campaign file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

void findings_init(struct findings *f)
{
    memset(f, 0, sizeof *f);
}

void findings_free(struct findings *f)
{
    free(f->step);
    wane_free_cycles(&f->cycle);
    free(f->check_up);
    free(f->event);
    free(f->session);
    free(f->plan);
    free(f->frozen);
    findings_init(f);
}

/* Room for one more of `size` bytes; NULL when there is no memory. */
static void *more(void *list, size_t n, size_t *room, size_t size)
{
    if (n < *room) {
        return list;
    }
    size_t bigger = *room > 0 ? 2 * *room : 64;
    void *grown = realloc(list, bigger * size);
    *room = grown != NULL ? bigger : *room;
    return grown;
}

static int take_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct findings *f = ctx;
    struct wn_step_record *list = more(f->step, f->steps, &f->step_room, sizeof *list);
    if (list == NULL) {
        return WN_ENOMEM;
    }
    f->step = list;
    f->step[f->steps++] = *r;
    f->last_utc = start_utc > f->last_utc ? start_utc : f->last_utc;
    return 0;
}

static int take_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct findings *f = ctx;
    struct wn_check_up_record *list =
        more(f->check_up, f->check_ups, &f->check_up_room, sizeof *list);
    if (list == NULL) {
        return WN_ENOMEM;
    }
    f->check_up = list;
    f->check_up[f->check_ups++] = *r;
    f->last_utc = end_utc > f->last_utc ? end_utc : f->last_utc;
    return 0;
}

static int take_event(const struct wn_event_row *r, void *ctx)
{
    struct findings *f = ctx;
    struct wn_event_row *list = more(f->event, f->events, &f->event_room, sizeof *list);
    if (list == NULL) {
        return WN_ENOMEM;
    }
    f->event = list;
    f->event[f->events++] = *r;
    f->last_utc = r->utc > f->last_utc ? r->utc : f->last_utc;
    return 0;
}

static int take_session(wn_utc_us start_utc, wn_ns campaign_ns, void *ctx)
{
    struct findings *f = ctx;
    struct finding_session *list = more(f->session, f->sessions, &f->session_room, sizeof *list);
    if (list == NULL) {
        return WN_ENOMEM;
    }
    f->session = list;
    f->session[f->sessions++] = (struct finding_session){start_utc, campaign_ns};
    return 0;
}

static int take_instrument(const struct wn_instrument_record *r, void *ctx)
{
    struct findings *f = ctx;
    for (int i = 0; i < f->instruments; i++) { /* the same one on another port is the same one */
        if (strcmp(f->instrument[i].role, r->role) == 0 &&
            strcmp(f->instrument[i].identity, r->identity) == 0 &&
            strcmp(f->instrument[i].dialect, r->dialect) == 0) {
            return 0;
        }
    }
    if (f->instruments < FINDINGS_INSTRUMENTS_MAX) {
        f->instrument[f->instruments++] = *r;
    }
    return 0;
}

static int take_certificate(const struct wn_calibration_record *r, void *ctx)
{
    struct findings *f = ctx;
    if (f->certificates < FINDINGS_CERTIFICATES_MAX) {
        f->certificate[f->certificates++] = *r;
    }
    return 0;
}

static const struct wn_accuracy not_told = {NAN, NAN, NAN, NAN, NAN, NAN, false};

/* An instrument is known in the configuration by its role: no two of a station have the same. */
static void take_accuracies(struct findings *f, const struct wn_station_config *station)
{
    for (int i = 0; i < f->instruments; i++) {
        f->instrument_accuracy[i] = not_told;
        for (int n = 0; station != NULL && n < station->instruments; n++) {
            if (strcmp(wn_instrument_name(&station->instrument[n]), f->instrument[i].role) == 0) {
                wn_config_accuracy_of(station, n, &f->instrument_accuracy[i]);
            }
        }
    }
}

/* The procedure it was run by, and what the station says of itself: of a log, and of a
 * configuration that this program cannot read any more, nothing. */
static void thaw(struct findings *f)
{
    struct thawed {
        struct wn_station_config station;
        struct wn_cell cell;
        struct wn_dialect dialect[WN_INSTRUMENTS_MAX];
        struct wn_problems problems;
    } *t = calloc(1, sizeof *t);
    f->plan = calloc(1, sizeof *f->plan);
    if (t == NULL || f->plan == NULL || f->info.imported ||
        wn_config_thaw(f->frozen, f->info.station, &t->station, &t->cell, f->plan, t->dialect,
                       &t->problems) != WN_OK) {
        free(f->plan);
        f->plan = NULL;
        take_accuracies(f, NULL);
    } else {
        f->sense = t->station.sense;
        take_accuracies(f, &t->station);
    }
    free(t);
}

static int read_rows(struct wane_campaign *c, struct findings *f, struct wn_error *err)
{
    int rc = wn_campaign_each_step(c->file, take_step, f, err);
    rc = rc == WN_OK ? wane_read_cycles(c, &f->cycle, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_check_up(c->file, take_check_up, f, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_event(c->file, 0, take_event, f, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_session(c->file, take_session, f, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_instrument(c->file, take_instrument, f, err) : rc;
    rc = rc == WN_OK ? wn_campaign_each_calibration(c->file, take_certificate, f, err) : rc;
    rc = rc == WN_OK ? wn_campaign_frozen_config(c->file, &f->frozen, f->frozen_sha256, err) : rc;
    if (rc == WN_ENOMEM && err->code != WN_ENOMEM) {
        rc = wn_error_set(err, WN_ENOMEM, "%s: no memory for its rows", c->path);
    }
    return rc;
}

int findings_read(struct wane_campaign *c, struct findings *out, struct wn_error *err)
{
    findings_init(out);
    out->info = c->info;
    (void)snprintf(out->status, sizeof out->status, "%s", c->status);
    out->over = strcmp(c->status, "finished") == 0 || strcmp(c->status, "stopped") == 0;
    int rc = read_rows(c, out, err);
    if (rc == WN_OK) {
        thaw(out);
        measuring_begin(c, &out->measuring);
        (void)measuring_unmet(&out->measuring, c, &out->cycle, out->tolerances_unmet,
                              sizeof out->tolerances_unmet);
        for (size_t i = 0; i < out->cycle.n; i++) {
            wn_utc_us end = out->cycle.end_utc[i];
            out->last_utc = end > out->last_utc ? end : out->last_utc;
        }
        findings_judge(out);
    }
    return rc;
}

static void add_up(struct findings *f)
{
    f->cycles_valid = f->alarms = f->alarms_open = f->warnings = 0;
    f->time_s = f->missing_s = f->charge_out_ah = 0;
    for (size_t i = 0; i < f->cycle.n; i++) {
        const struct wn_cycle_record *r = &f->cycle.row[i];
        f->cycles_valid += (r->flags & WN_FLAGS_INVALID) == 0 && isfinite(r->capacity_ah.value);
        f->time_s = fmax(f->time_s, wn_ns_to_s(r->end_ns));
    }
    for (size_t i = 0; i < f->steps; i++) {
        const struct wn_step_record *s = &f->step[i];
        if (s->ended_by[0] != '\0') {
            f->missing_s += isfinite(s->sums.missing_s) ? s->sums.missing_s : 0;
            f->charge_out_ah += isfinite(s->sums.charge_out_ah) ? s->sums.charge_out_ah : 0;
            f->time_s = fmax(f->time_s, wn_ns_to_s(s->end_ns));
        }
    }
    for (size_t i = 0; i < f->events; i++) {
        const struct wn_event_row *e = &f->event[i];
        f->alarms += e->event.severity == WN_SEVERITY_ALARM;
        f->alarms_open += e->event.severity == WN_SEVERITY_ALARM && !e->acknowledged;
        f->warnings += e->event.severity == WN_SEVERITY_WARNING;
    }
}

void findings_judge(struct findings *f)
{
    add_up(f);
    findings_judge_conditions(f);
    findings_sort_rates(f);
    findings_find_resistances(f);
    findings_find_fade(f);
    findings_judge_claims(f);
}

/* wane export: what a cycle, a reading, a step, an event and a check-up are made of.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Readings may be written in the columns of the Battery Data Format (Battery Data Alliance, table
 * of columns 1.3.0; labels and units are fixed there). It has no column for check-ups and none for
 * what is simulated: ours stand last. */
#include "export.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { SHOW_EVERY = 65536 }; /* readings */

/* 0, or WN_EIO with the reason kept. */
static int written(struct out *o)
{
    if (ferror(o->f) == 0) {
        return 0;
    }
    o->why = o->why != 0 ? o->why : errno;
    return WN_EIO;
}

static bool wanted(const struct out *o, int64_t cycle)
{
    return o->naming || (cycle >= o->order->cycle_from && cycle <= o->order->cycle_to);
}

/* A standard uncertainty, and the expanded one. */
static void uncertainty(struct out *o, const char *name, const char *expanded, double u)
{
    out_number(o, name, u);
    out_number(o, expanded, WN_COVERAGE_FACTOR * u);
}

static int put_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    if (!wanted(o, r->cycle)) {
        return 0;
    }
    out_row(o);
    out_integer(o, "cycle", r->cycle);
    out_number(o, "capacity_ah", r->capacity_ah.value);
    uncertainty(o, "capacity_u_ah", "capacity_expanded_ah", r->capacity_ah.u);
    out_number(o, "energy_wh", r->energy_wh.value);
    uncertainty(o, "energy_u_wh", "energy_expanded_wh", r->energy_wh.u);
    out_number(o, "charge_ah", r->charge_ah);
    out_number(o, "charge_wh", r->charge_wh);
    out_number(o, "coulombic_efficiency", r->coulombic_efficiency);
    out_number(o, "energy_efficiency", r->energy_efficiency);
    uncertainty(o, "coulombic_efficiency_u", "coulombic_efficiency_expanded",
                r->coulombic_efficiency_u);
    uncertainty(o, "energy_efficiency_u", "energy_efficiency_expanded", r->energy_efficiency_u);
    struct wn_measured retention = measuring_retention(&o->measuring, r);
    out_number(o, "retention_of_first", retention.value);
    uncertainty(o, "retention_of_first_u", "retention_of_first_expanded", retention.u);
    out_number(o, "mean_voltage_v", r->mean_voltage_v);
    out_number(o, "resistance_ohm", r->resistance_ohm.value);
    uncertainty(o, "resistance_u_ohm", "resistance_expanded_ohm", r->resistance_ohm.u);
    out_number(o, "temperature_max_c", r->temperature_max_c);
    out_number(o, "temperature_rise_k", r->temperature_rise_k);
    out_number(o, "ambient_min_c", r->ambient_min_c);
    out_number(o, "ambient_max_c", r->ambient_max_c);
    out_number(o, "discharge_current_a", r->discharge_current_a);
    out_number(o, "cutoff_v", r->cutoff_v);
    out_number(o, "cutoff_slope_v_per_s", r->cutoff_slope_v_per_s);
    out_number(o, "duration_s", r->duration_s);
    out_number(o, "start_s", wn_ns_to_s(r->start_ns));
    out_number(o, "end_s", wn_ns_to_s(r->end_ns));
    out_text(o, "recorded_utc", wn_utc_format(end_utc, utc, sizeof utc));
    out_flags(o, r->flags);
    out_row_end(o, "simulated");
    return written(o);
}

static int put_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    if (!wanted(o, r->after_cycle)) {
        return 0;
    }
    out_row(o);
    out_integer(o, "check_up", r->check_up);
    out_integer(o, "after_cycle", r->after_cycle);
    out_number(o, "capacity_ah", r->capacity_ah.value);
    uncertainty(o, "capacity_u_ah", "capacity_expanded_ah", r->capacity_ah.u);
    out_number(o, "energy_wh", r->energy_wh.value);
    uncertainty(o, "energy_u_wh", "energy_expanded_wh", r->energy_wh.u);
    out_number(o, "resistance_ohm", r->resistance_ohm.value);
    uncertainty(o, "resistance_u_ohm", "resistance_expanded_ohm", r->resistance_ohm.u);
    out_number(o, "resistance_voltage_v", r->resistance_voltage_v);
    out_number(o, "temperature_max_c", r->temperature_max_c);
    out_number(o, "start_s", wn_ns_to_s(r->start_ns));
    out_number(o, "end_s", wn_ns_to_s(r->end_ns));
    out_text(o, "recorded_utc", wn_utc_format(end_utc, utc, sizeof utc));
    out_flags(o, r->flags);
    out_row_end(o, "simulated");
    return written(o);
}

/* The cycle a step belongs to; of a check-up, and outside of cycles, the one before it. */
static int64_t cycle_of(struct out *o, const struct wn_step_record *r)
{
    if (!r->in_check_up && r->cycle > 0) {
        o->last_cycle = r->cycle;
    }
    return o->last_cycle;
}

static const char *round_of(bool in_check_up)
{
    return in_check_up ? "check-up" : "cycle";
}

static int put_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    bool over = r->ended_by[0] != '\0';
    const struct wn_step_sums *s = &r->sums;
    if (!wanted(o, cycle_of(o, r))) {
        return 0;
    }
    out_row(o);
    out_integer(o, "step", r->step_number);
    out_integer(o, "cycle", r->cycle);
    out_text(o, "round", round_of(r->in_check_up));
    out_text(o, "kind", wn_step_kind_name(r->kind));
    out_text(o, "description", r->description);
    out_number(o, "start_s", wn_ns_to_s(r->start_ns));
    out_number(o, "end_s", over ? wn_ns_to_s(r->end_ns) : NAN);
    out_text(o, "ended_by", r->ended_by);
    out_number(o, "charge_in_ah", s->charge_in_ah);
    out_number(o, "charge_out_ah", s->charge_out_ah);
    out_number(o, "energy_in_wh", s->energy_in_wh);
    out_number(o, "energy_out_wh", s->energy_out_wh);
    out_number(o, "end_charge_ah", s->end_charge_ah);
    out_number(o, "end_energy_wh", s->end_energy_wh);
    out_number(o, "duration_s", s->duration_s);
    out_number(o, "missing_s", s->missing_s);
    out_number(o, "voltage_start_v", s->voltage_start_v);
    out_number(o, "voltage_end_v", s->voltage_end_v);
    out_number(o, "current_end_a", s->current_end_a);
    out_number(o, "temperature_max_c", s->temperature_max_c);
    out_integer(o, "readings", s->readings);
    out_text(o, "recorded_utc", wn_utc_format(start_utc, utc, sizeof utc));
    out_row_end(o, "simulated");
    return written(o);
}

static int put_event(const struct wn_event_row *r, void *ctx)
{
    static const char *const severity[] = {"info", "warning", "alarm"};
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    if (!wanted(o, r->event.cycle)) {
        return 0;
    }
    out_row(o);
    out_integer(o, "number", r->number);
    out_text(o, "recorded_utc", wn_utc_format(r->utc, utc, sizeof utc));
    out_number(o, "time_s", wn_ns_to_s(r->event.time_ns));
    out_integer(o, "cycle", r->event.cycle);
    out_text(
        o, "severity",
        severity[r->event.severity <= WN_SEVERITY_ALARM ? r->event.severity : WN_SEVERITY_ALARM]);
    out_text(o, "kind", r->event.kind);
    out_text(o, "text", r->event.text);
    out_text(o, "acknowledged_by", r->acknowledged ? r->acknowledged_by : NULL);
    out_row_end(o, "simulated");
    return written(o);
}

/* -- readings
 * ------------------------------------------------------------------------------------------ */

static int keep_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct out *o = ctx;
    (void)start_utc;
    if (o->steps == o->steps_room) {
        size_t room = o->steps_room > 0 ? 2 * o->steps_room : 1024;
        struct export_step *more = realloc(o->step, room * sizeof *more);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        o->step = more;
        o->steps_room = room;
    }
    o->step[o->steps++] =
        (struct export_step){r->step_number, cycle_of(o, r), r->kind, r->in_check_up};
    return WN_OK;
}

static int compare_step(const void *key, const void *at)
{
    int64_t a = *(const int64_t *)key, b = ((const struct export_step *)at)->step;
    return (a > b) - (a < b);
}

/* Readings of one step stand together. NULL: it began after the list was made. */
static const struct export_step *step_of(struct out *o, int64_t step)
{
    if (!o->naming && (o->present == NULL || o->present->step != step)) {
        o->present = bsearch(&step, o->step, o->steps, sizeof *o->step, compare_step);
    }
    return o->present;
}

static void put_bdf(struct out *o, const struct wn_reading *r, int64_t step_number,
                    const struct export_step *step, wn_utc_us utc_us)
{
    bool j = o->json; /* labels in a table, machine-readable names as keys */
    out_row(o);
    out_decimal(o, j ? "test_time_second" : "Test Time / s", r->time_ns, 9);
    out_number(o, j ? "voltage_volt" : "Voltage / V", r->voltage_v);
    out_number(o, j ? "current_ampere" : "Current / A", r->current_a);
    if (!o->campaign->info.imported) { /* of a recorded log nobody knows it */
        out_decimal(o, j ? "unix_time_second" : "Unix Time / s", utc_us, 6);
    }
    const char *cycle = j ? "cycle_count" : "Cycle Count / 1";
    const char *type = j ? "step_type" : "Step Type";
    if (step != NULL) {
        out_integer(o, cycle, step->cycle);
    } else {
        out_nothing(o, cycle);
    }
    out_integer(o, j ? "step_count" : "Step Count / 1", step_number);
    out_text(o, type, step != NULL ? wn_step_kind_name(step->kind) : NULL);
    out_number(o, j ? "surface_temperature_celsius" : "Surface Temperature / degC",
               (r->has & WN_HAS_TEMPERATURE) ? r->temperature_c : NAN);
    out_number(o, j ? "ambient_temperature_celsius" : "Ambient Temperature / degC",
               (r->has & WN_HAS_AMBIENT) ? r->ambient_c : NAN);
    out_text(o, j ? "round" : "Round", step != NULL ? round_of(step->in_check_up) : NULL);
    out_row_end(o, "Simulated / 1");
}

static int put_reading(const struct wn_reading *r, int64_t step_number, wn_utc_us utc_us, void *ctx)
{
    struct out *o = ctx;
    if (o->order->aside && ++o->read % SHOW_EVERY == 0) {
        progress_show(&o->bar, o->read);
    }
    const struct export_step *step = step_of(o, step_number);
    bool all = o->order->cycle_from == 0 && o->order->cycle_to == INT64_MAX;
    if (!o->naming && !all && (step == NULL || !wanted(o, step->cycle))) {
        return 0;
    }
    if (o->order->bdf) {
        put_bdf(o, r, step_number, step, utc_us);
        return written(o);
    }
    out_row(o);
    out_integer(o, "step", step_number);
    out_decimal(o, "time_s", r->time_ns, 9);
    out_number(o, "voltage_v", r->voltage_v);
    out_number(o, "current_a", r->current_a);
    out_number(o, "temperature_c", (r->has & WN_HAS_TEMPERATURE) ? r->temperature_c : NAN);
    out_number(o, "ambient_c", (r->has & WN_HAS_AMBIENT) ? r->ambient_c : NAN);
    if (step != NULL) {
        out_integer(o, "cycle", step->cycle);
    } else {
        out_nothing(o, "cycle");
    }
    out_text(o, "round", step != NULL ? round_of(step->in_check_up) : NULL);
    out_row_end(o, "simulated");
    return written(o);
}

/* Only the stretch of the file is read that holds the cycles wanted. */
static int put_readings(struct out *o, struct wn_error *err)
{
    struct wn_campaign *c = o->campaign->file;
    int64_t from = 0, to = 0;
    int rc = wn_campaign_each_step(c, keep_step, o, err);
    if (rc == WN_ENOMEM) {
        return wn_error_set(err, rc, "no memory for the steps of the campaign");
    }
    int64_t readings = 0;
    rc = rc == WN_OK ? wn_campaign_readings(c, &readings, err) : rc;
    progress_begin(&o->bar, "", readings);
    if (rc == WN_OK && (o->order->cycle_from > 0 || o->order->cycle_to < INT64_MAX)) {
        for (size_t i = 0; i < o->steps; i++) {
            if (wanted(o, o->step[i].cycle)) {
                from = from == 0 ? o->step[i].step : from;
                to = o->step[i].step;
            }
        }
        if (to == 0) {
            return WN_OK;
        }
    }
    rc = rc == WN_OK ? wn_campaign_each_reading(c, from, to, put_reading, o, err) : rc;
    progress_clear(&o->bar);
    return rc;
}

/* -- all of it
 * ------------------------------------------------------------------------------------------ */

static const char *const what_word[EXPORT_NOTHING] = {"cycles", "readings", "steps", "events",
                                                      "check-ups"};
static const char *const what_key[EXPORT_NOTHING] = {"cycles", "readings", "steps", "events",
                                                     "check_ups"};

enum export_what export_find(const char *word)
{
    enum export_what k = EXPORT_CYCLES;
    while (k < EXPORT_NOTHING && strcmp(what_word[k], word) != 0) {
        k++;
    }
    return k;
}

static int put_rows(struct out *o, struct wn_error *err)
{
    struct wn_campaign *c = o->campaign->file;
    switch (o->order->what) {
    case EXPORT_CYCLES:
        return wn_campaign_each_cycle(c, put_cycle, o, err);
    case EXPORT_READINGS:
        return put_readings(o, err);
    case EXPORT_STEPS:
        return wn_campaign_each_step(c, put_step, o, err);
    case EXPORT_EVENTS:
        return wn_campaign_each_event(c, 0, put_event, o, err);
    case EXPORT_CHECK_UPS:
        return wn_campaign_each_check_up(c, put_check_up, o, err);
    case EXPORT_NOTHING:
        break;
    }
    return WN_EBUG;
}

/* The columns are named as those of an empty record. */
static void put_header(struct out *o)
{
    const struct wn_cycle_record cycle = {0};
    const struct wn_check_up_record check_up = {0};
    const struct wn_step_record step = {0};
    const struct wn_event_row event = {0};
    const struct wn_reading reading = {0};
    o->naming = true;
    switch (o->order->what) {
    case EXPORT_CYCLES:
        (void)put_cycle(&cycle, 0, o);
        break;
    case EXPORT_READINGS:
        (void)put_reading(&reading, 0, 0, o);
        break;
    case EXPORT_STEPS:
        (void)put_step(&step, 0, o);
        break;
    case EXPORT_EVENTS:
        (void)put_event(&event, o);
        break;
    case EXPORT_CHECK_UPS:
        (void)put_check_up(&check_up, 0, o);
        break;
    case EXPORT_NOTHING:
        break;
    }
    o->naming = false;
}

int export_write(struct wane_campaign *c, const struct export_order *order, FILE *f,
                 const char *name, struct wn_error *err)
{
    struct out o = {
        .f = f, .json = order->json, .simulated = c->info.simulated, .campaign = c, .order = order};
    if (order->json) {
        out_begin(&o, what_key[order->what]);
    } else {
        put_header(&o);
    }
    measuring_begin(c, &o.measuring);
    int rc = put_rows(&o, err);
    free(o.step);
    out_end(&o);
    if (rc == WN_OK && (fflush(f) != 0 || ferror(f))) {
        rc = written(&o);
    }
    if (o.why != 0) {
        rc = wn_error_set(err, WN_EIO, "%s cannot be written: %s", name, strerror(o.why));
    }
    return rc;
}

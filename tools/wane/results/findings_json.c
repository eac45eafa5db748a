/* Findings: as JSON, with stable keys.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings.h"

#include <math.h>
#include <stdio.h>

static void put_number(json_t *o, const char *key, double x)
{
    wane_put(o, key, wane_number(x));
}

/* A text that is no UTF-8 is null. */
static void put_text(json_t *o, const char *key, const char *text)
{
    wane_put(o, key, text[0] != '\0' ? json_string(text) : json_null());
}

static void put_utc(json_t *o, const char *key, wn_utc_us utc)
{
    char buf[WN_UTC_SIZE];
    put_text(o, key, utc != 0 ? wn_utc_format(utc, buf, sizeof buf) : "");
}

static void put_place(json_t *o, const char *key, struct finding_place at)
{
    char buf[40];
    put_text(o, key, findings_place(at, buf, sizeof buf));
}

static void put_measured(json_t *o, const char *name, const char *unit, struct wn_measured x)
{
    char key[64];
    (void)snprintf(key, sizeof key, "%s_%s", name, unit);
    put_number(o, key, x.value);
    (void)snprintf(key, sizeof key, "%s_u_%s", name, unit);
    put_number(o, key, x.u);
    (void)snprintf(key, sizeof key, "%s_expanded_%s", name, unit);
    put_number(o, key, WN_COVERAGE_FACTOR * x.u);
}

static json_t *conditions(const struct findings *f)
{
    json_t *list = json_array();
    for (int i = 0; i < f->conditions; i++) {
        const struct finding_condition *c = &f->condition[i];
        json_t *o = json_object();
        put_text(o, "condition", c->key);
        put_text(o, "asked", c->asked);
        put_text(o, "kept", findings_kept_word(c->kept));
        put_text(o, "found", c->found);
        wane_put(o, "judged", json_integer(c->judged));
        wane_put(o, "missed", json_integer(c->missed));
        wane_put(o, "unknown", json_integer(c->unknown));
        put_place(o, "first_missed", c->first_missed);
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *intake(const struct wn_cell *c)
{
    json_t *o = json_object();
    put_text(o, "marking", c->marking);
    put_number(o, "mass_g", c->mass_g);
    put_number(o, "diameter_mm", c->diameter_mm);
    put_number(o, "length_mm", c->length_mm);
    put_number(o, "arrival_voltage_v", c->arrival_voltage_v);
    put_number(o, "ac_impedance_ohm", c->ac_impedance_ohm);
    put_number(o, "ac_impedance_hz", c->ac_impedance_hz);
    return o;
}

static json_t *cell(const struct wn_cell *c)
{
    json_t *o = json_object();
    put_text(o, "name", c->name);
    put_text(o, "title", c->title);
    put_number(o, "rated_capacity_ah", c->rated_capacity_ah);
    put_number(o, "nominal_capacity_ah", c->nominal_capacity_ah > 0 ? c->nominal_capacity_ah : NAN);
    put_number(o, "nominal_voltage_v", c->nominal_voltage_v);
    put_number(o, "charge_voltage_v", c->charge_voltage_v);
    put_number(o, "discharge_cutoff_v", c->discharge_cutoff_v);
    wane_put(o, "intake", intake(c));
    return o;
}

static json_t *discharge(const struct finding_discharge *d)
{
    json_t *o = json_object();
    put_place(o, "at", d->at);
    put_measured(o, "capacity", "ah", d->capacity_ah);
    put_measured(o, "energy", "wh", d->energy_wh);
    put_number(o, "mean_voltage_v", d->mean_voltage_v);
    put_number(o, "current_a", d->current_a);
    put_number(o, "temperature_max_c", d->temperature_max_c);
    put_number(o, "temperature_rise_k", d->temperature_rise_k);
    wane_put(o, "flags", wane_flags_json(d->flags));
    return o;
}

static json_t *rates(const struct findings *f)
{
    json_t *list = json_array();
    for (size_t i = 0; i < f->rates; i++) {
        const struct finding_rate *r = &f->rate[i];
        json_t *o = json_object();
        put_number(o, "current_a", r->power ? NAN : r->set);
        put_number(o, "power_w", r->power ? r->set : NAN);
        put_number(o, "cutoff_v", r->cutoff_v);
        put_number(o, "until_temperature_c", r->until_temperature_c);
        wane_put(o, "discharges", json_integer(r->n));
        wane_put(o, "valid", json_integer(r->valid));
        put_number(o, "temperature_max_c", r->temperature_max_c);
        wane_put(o, "first", discharge(&r->first));
        wane_put(o, "last", discharge(&r->last));
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *resistances(const struct findings *f)
{
    json_t *list = json_array();
    for (int i = 0; i < f->resistances; i++) {
        const struct finding_resistance *r = &f->resistance[i];
        json_t *o = json_object();
        put_text(o, "method", findings_method_word(r->method));
        put_number(o, "current_a", r->set_a);
        put_number(o, "delay_s", r->delay_s);
        put_number(o, "frequency_hz", r->hz);
        put_number(o, "voltage_v", r->voltage_v);
        wane_put(o, "measurements", json_integer(r->n));
        put_place(o, "first_at", r->first_at);
        put_measured(o, "first", "ohm", r->first_ohm);
        put_place(o, "last_at", r->last_at);
        put_measured(o, "last", "ohm", r->last_ohm);
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *projection(const struct wn_fade_result *r)
{
    json_t *o = json_object(), *eol = json_object();
    bool known = r->state != WN_FADE_NOT_YET_PREDICTABLE;
    put_text(o, "state", wn_fade_state_name(r->state));
    put_number(o, "threshold_ah", r->threshold_ah);
    put_number(eol, "median", known ? r->eol_median_cycle : NAN);
    put_number(eol, "p10", known ? r->eol_p10_cycle : NAN);
    put_number(eol, "p90", known ? r->eol_p90_cycle : NAN);
    wane_put(o, "eol_cycle", eol);
    put_number(o, "crossed_at", r->state == WN_FADE_REACHED ? r->crossed_at_cycle : NAN);
    wane_put(o, "cycles_used", json_integer((json_int_t)r->cycles_used));
    wane_put(o, "cycles_left_out", json_integer((json_int_t)r->cycles_left_out));
    put_text(o, "reason", r->reason);
    return o;
}

static json_t *fade(const struct findings *f)
{
    const struct finding_fade *a = &f->fade;
    if (!a->known) {
        return json_null();
    }
    json_t *o = json_object();
    const struct finding_rate *r = &f->rate[a->rate];
    put_number(o, "current_a", r->power ? NAN : r->set);
    put_number(o, "power_w", r->power ? r->set : NAN);
    put_number(o, "cutoff_v", r->cutoff_v);
    wane_put(o, "first", discharge(&a->first));
    wane_put(o, "last", discharge(&a->last));
    put_number(o, "retention_of_first", a->retention_of_first.value);
    put_number(o, "retention_of_first_u", a->retention_of_first.u);
    put_number(o, "retention_of_first_expanded", WN_COVERAGE_FACTOR * a->retention_of_first.u);
    put_number(o, "retention_of_first_scatter", a->scatter > 0 ? a->scatter : NAN);
    put_number(o, "retention_of_rated", a->retention_of_rated);
    put_number(o, "initial_capacity_ah", a->initial_ah);
    wane_put(o, "projection", a->projected ? projection(&a->projection) : json_null());
    return o;
}

static json_t *claims(const struct findings *f)
{
    json_t *list = json_array();
    for (int i = 0; i < f->claims; i++) {
        const struct finding_claim *c = &f->claim[i];
        json_t *o = json_object();
        put_text(o, "claim", c->key);
        put_text(o, "claimed", c->claimed);
        put_text(o, "unit", c->unit);
        put_number(o, "bound", c->bound);
        wane_put(o, "at_most", json_boolean(c->at_most));
        put_number(o, "measured", c->measured.value);
        put_number(o, "measured_u", c->measured.u);
        put_number(o, "measured_expanded", WN_COVERAGE_FACTOR * c->measured.u);
        put_place(o, "at", c->at);
        put_text(o, "verdict", c->verdict);
        put_number(o, "probability", c->probability);
        put_text(o, "note", c->note);
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *events(const struct findings *f)
{
    static const char *const words[] = {"info", "warning", "alarm"};
    json_t *list = json_array();
    for (size_t i = 0; i < f->events; i++) {
        const struct wn_event_row *e = &f->event[i];
        if (e->event.severity == WN_SEVERITY_INFO) {
            continue;
        }
        json_t *o = json_object();
        put_utc(o, "utc", e->utc);
        put_number(o, "time_s", wn_ns_to_s(e->event.time_ns));
        wane_put(o, "cycle", json_integer(e->event.cycle));
        put_text(o, "severity",
                 words[e->event.severity <= WN_SEVERITY_ALARM ? e->event.severity : 2]);
        put_text(o, "kind", e->event.kind);
        put_text(o, "text", e->event.text);
        wane_put(o, "acknowledged", json_boolean(e->acknowledged));
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *accuracy(const struct wn_accuracy *a)
{
    json_t *o = json_object();
    put_number(o, "voltage_of_reading", a->voltage_reading);
    put_number(o, "voltage_fixed_v", a->voltage_fixed_v);
    put_number(o, "current_of_reading", a->current_reading);
    put_number(o, "current_fixed_a", a->current_fixed_a);
    put_number(o, "temperature_k", a->temperature_c);
    put_number(o, "time_of_reading", a->time_reading);
    return o;
}

static json_t *instruments(const struct findings *f)
{
    json_t *list = json_array();
    for (int i = 0; i < f->instruments; i++) {
        json_t *o = json_object();
        put_text(o, "role", f->instrument[i].role);
        put_text(o, "identity", f->instrument[i].identity);
        put_text(o, "dialect", f->instrument[i].dialect);
        wane_put(o, "accuracy", accuracy(&f->instrument_accuracy[i]));
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *certificates(const struct findings *f)
{
    json_t *list = json_array();
    for (int i = 0; i < f->certificates; i++) {
        const struct wn_calibration_record *k = &f->certificate[i];
        json_t *o = json_object();
        put_text(o, "role", k->role);
        put_text(o, "identity", k->identity);
        put_text(o, "quantity", k->quantity);
        put_text(o, "certificate", k->line.certificate);
        put_utc(o, "date", k->line.date);
        put_utc(o, "valid_until", k->line.valid_until);
        put_number(o, "gain", k->line.gain);
        put_number(o, "offset", k->line.offset);
        put_number(o, "expanded", k->line.expanded);
        put_number(o, "coverage_factor", k->line.coverage_factor);
        put_number(o, "drift", k->line.drift);
        put_text(o, "unit", k->unit);
        (void)json_array_append_new(list, o);
    }
    return list;
}

json_t *findings_json(const struct findings *f)
{
    const struct wn_campaign_info *i = &f->info;
    json_t *o = json_object();
    put_text(o, "campaign", i->name);
    wane_put(o, "simulated", json_boolean(i->simulated));
    wane_put(o, "imported", json_boolean(i->imported));
    put_text(o, "status", f->status);
    put_text(o, "procedure", i->procedure);
    put_text(o, "station", i->station);
    put_utc(o, "begun_utc", i->created_utc);
    put_utc(o, "last_record_utc", f->last_utc);
    put_number(o, "campaign_time_s", f->time_s);
    wane_put(o, "cycles", json_integer((json_int_t)f->cycle.n));
    wane_put(o, "cycles_valid", json_integer(f->cycles_valid));
    wane_put(o, "cycles_planned",
             i->cycles_planned > 0 ? json_integer(i->cycles_planned) : json_null());
    wane_put(o, "check_ups", json_integer((json_int_t)f->check_ups));
    put_number(o, "charge_out_ah", f->charge_out_ah);
    put_number(o, "missing_s", f->missing_s);
    put_number(o, "coverage_factor", WN_COVERAGE_FACTOR);
    wane_put(o, "cell", cell(&i->cell));
    wane_put(o, "conditions", conditions(f));
    wane_put(o, "claims", claims(f));
    wane_put(o, "rates", rates(f));
    wane_put(o, "resistances", resistances(f));
    wane_put(o, "fade", fade(f));
    wane_put(o, "alarms", json_integer(f->alarms));
    wane_put(o, "alarms_open", json_integer(f->alarms_open));
    wane_put(o, "warnings", json_integer(f->warnings));
    wane_put(o, "events", events(f));
    wane_put(o, "sessions", json_integer((json_int_t)f->sessions));
    wane_put(o, "instruments", instruments(f));
    wane_put(o, "calibrations", certificates(f));
    wane_put(o, "accuracy", accuracy(&f->measuring.accuracy));
    put_text(o, "configuration_sha256", f->frozen_sha256);
    put_text(o, "program_version", i->program_version);
    return o;
}

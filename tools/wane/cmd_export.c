/* wane export: cycles, readings, steps, events and check-ups as CSV or JSON.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "measuring.h"
#include "report/csv.h"

enum { WHAT, FORMAT, OUTPUT };

static const struct wane_option options[] = {
    [WHAT] = {"what", 0, WANE_TEXT, "WHAT", "cycles, readings, steps, events or check-ups"},
    [FORMAT] = {"format", 0, WANE_TEXT, "csv|json", "csv (RFC 4180) unless told otherwise"},
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE",
                "instead of standard output; written whole or not at all"},
};

/* One row at a time, so that a file of millions of readings needs no memory. The columns are named
 * at the first row. */
struct out {
    FILE *f;
    bool json, simulated, began;
    bool header_only; /* there is no row: its columns are named all the same */
    struct wn_csv_out csv;
    json_t *row;
    char header[2048];
    size_t header_len;
    char *text; /* the first row of a CSV, kept until its header is complete */
    size_t text_len;
    FILE *kept;
    struct measuring measuring; /* for cycles */
};

static void name_column(struct out *o, const char *name)
{
    if (o->kept != NULL) {
        int n = snprintf(o->header + o->header_len, sizeof o->header - o->header_len, "%s%s",
                         o->header_len > 0 ? "," : "", name);
        o->header_len += n > 0 ? (size_t)n : 0;
    }
}

static void number(struct out *o, const char *name, double x)
{
    if (o->json) {
        wane_put(o->row, name, wane_number(x));
        return;
    }
    name_column(o, name);
    wn_csv_put_number(&o->csv, x);
}

/* A standard uncertainty, and the expanded one. */
static void uncertainty(struct out *o, const char *name, const char *expanded, double u)
{
    number(o, name, u);
    number(o, expanded, WN_COVERAGE_FACTOR * u);
}

static void integer(struct out *o, const char *name, int64_t x)
{
    if (o->json) {
        wane_put(o->row, name, json_integer(x));
        return;
    }
    name_column(o, name);
    wn_csv_put_integer(&o->csv, x);
}

static void text(struct out *o, const char *name, const char *x)
{
    if (o->json) {
        wane_put(o->row, name, json_string(x)); /* NULL makes null */
        return;
    }
    name_column(o, name);
    wn_csv_put_text(&o->csv, x != NULL ? x : "");
}

static void flags(struct out *o, unsigned set)
{
    char words[160];
    if (o->json) {
        wane_put(o->row, "flags", wane_flags_json(set));
    } else {
        text(o, "flags", wane_flags_text(set, words, sizeof words));
    }
}

static void begin_row(struct out *o)
{
    if (o->json) {
        (void)fputs(o->began ? ",\n" : "\n", o->f);
        o->row = json_object();
    } else {
        o->kept = o->began ? NULL : open_memstream(&o->text, &o->text_len);
        o->csv = (struct wn_csv_out){o->kept != NULL ? o->kept : o->f, false};
    }
}

static void end_row(struct out *o)
{
    if (o->json) {
        wane_dump_row(o->row, o->f);
    } else {
        integer(o, "simulated", o->simulated);
        wn_csv_end_row(&o->csv);
        if (o->kept != NULL) {
            (void)fclose(o->kept);
            (void)fprintf(o->f, "%s\r\n%s", o->header,
                          o->text != NULL && !o->header_only ? o->text : "");
            free(o->text);
            o->text = NULL;
            o->kept = NULL;
        }
    }
    o->began = true;
}

static int put_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    begin_row(o);
    integer(o, "cycle", r->cycle);
    number(o, "capacity_ah", r->capacity_ah.value);
    uncertainty(o, "capacity_u_ah", "capacity_expanded_ah", r->capacity_ah.u);
    number(o, "energy_wh", r->energy_wh.value);
    uncertainty(o, "energy_u_wh", "energy_expanded_wh", r->energy_wh.u);
    number(o, "charge_ah", r->charge_ah);
    number(o, "charge_wh", r->charge_wh);
    number(o, "coulombic_efficiency", r->coulombic_efficiency);
    number(o, "energy_efficiency", r->energy_efficiency);
    uncertainty(o, "coulombic_efficiency_u", "coulombic_efficiency_expanded",
                r->coulombic_efficiency_u);
    uncertainty(o, "energy_efficiency_u", "energy_efficiency_expanded", r->energy_efficiency_u);
    struct wn_measured retention = measuring_retention(&o->measuring, r);
    number(o, "retention_of_first", retention.value);
    uncertainty(o, "retention_of_first_u", "retention_of_first_expanded", retention.u);
    number(o, "mean_voltage_v", r->mean_voltage_v);
    number(o, "resistance_ohm", r->resistance_ohm.value);
    uncertainty(o, "resistance_u_ohm", "resistance_expanded_ohm", r->resistance_ohm.u);
    number(o, "temperature_max_c", r->temperature_max_c);
    number(o, "temperature_rise_k", r->temperature_rise_k);
    number(o, "ambient_min_c", r->ambient_min_c);
    number(o, "ambient_max_c", r->ambient_max_c);
    number(o, "discharge_current_a", r->discharge_current_a);
    number(o, "cutoff_v", r->cutoff_v);
    number(o, "cutoff_slope_v_per_s", r->cutoff_slope_v_per_s);
    number(o, "duration_s", r->duration_s);
    number(o, "start_s", wn_ns_to_s(r->start_ns));
    number(o, "end_s", wn_ns_to_s(r->end_ns));
    text(o, "recorded_utc", wn_utc_format(end_utc, utc, sizeof utc));
    flags(o, r->flags);
    end_row(o);
    return ferror(o->f) ? WN_EIO : 0;
}

static int put_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    begin_row(o);
    integer(o, "check_up", r->check_up);
    integer(o, "after_cycle", r->after_cycle);
    number(o, "capacity_ah", r->capacity_ah.value);
    uncertainty(o, "capacity_u_ah", "capacity_expanded_ah", r->capacity_ah.u);
    number(o, "energy_wh", r->energy_wh.value);
    uncertainty(o, "energy_u_wh", "energy_expanded_wh", r->energy_wh.u);
    number(o, "resistance_ohm", r->resistance_ohm.value);
    uncertainty(o, "resistance_u_ohm", "resistance_expanded_ohm", r->resistance_ohm.u);
    number(o, "resistance_voltage_v", r->resistance_voltage_v);
    number(o, "temperature_max_c", r->temperature_max_c);
    number(o, "start_s", wn_ns_to_s(r->start_ns));
    number(o, "end_s", wn_ns_to_s(r->end_ns));
    text(o, "recorded_utc", wn_utc_format(end_utc, utc, sizeof utc));
    flags(o, r->flags);
    end_row(o);
    return ferror(o->f) ? WN_EIO : 0;
}

static int put_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    bool over = r->ended_by[0] != '\0';
    const struct wn_step_sums *s = &r->sums;
    begin_row(o);
    integer(o, "step", r->step_number);
    integer(o, "cycle", r->cycle);
    text(o, "round", r->in_check_up ? "check-up" : "cycle");
    text(o, "kind", wn_step_kind_name(r->kind));
    text(o, "description", r->description);
    number(o, "start_s", wn_ns_to_s(r->start_ns));
    number(o, "end_s", over ? wn_ns_to_s(r->end_ns) : NAN);
    text(o, "ended_by", r->ended_by);
    number(o, "charge_in_ah", s->charge_in_ah);
    number(o, "charge_out_ah", s->charge_out_ah);
    number(o, "energy_in_wh", s->energy_in_wh);
    number(o, "energy_out_wh", s->energy_out_wh);
    number(o, "end_charge_ah", s->end_charge_ah);
    number(o, "end_energy_wh", s->end_energy_wh);
    number(o, "duration_s", s->duration_s);
    number(o, "missing_s", s->missing_s);
    number(o, "voltage_start_v", s->voltage_start_v);
    number(o, "voltage_end_v", s->voltage_end_v);
    number(o, "current_end_a", s->current_end_a);
    number(o, "temperature_max_c", s->temperature_max_c);
    integer(o, "readings", s->readings);
    text(o, "recorded_utc", wn_utc_format(start_utc, utc, sizeof utc));
    end_row(o);
    return ferror(o->f) ? WN_EIO : 0;
}

static int put_event(const struct wn_event_row *r, void *ctx)
{
    static const char *const severity[] = {"info", "warning", "alarm"};
    struct out *o = ctx;
    char utc[WN_UTC_SIZE];
    begin_row(o);
    integer(o, "number", r->number);
    text(o, "recorded_utc", wn_utc_format(r->utc, utc, sizeof utc));
    number(o, "time_s", wn_ns_to_s(r->event.time_ns));
    integer(o, "cycle", r->event.cycle);
    text(o, "severity",
         severity[r->event.severity <= WN_SEVERITY_ALARM ? r->event.severity : WN_SEVERITY_ALARM]);
    text(o, "kind", r->event.kind);
    text(o, "text", r->event.text);
    text(o, "acknowledged_by", r->acknowledged ? r->acknowledged_by : NULL);
    end_row(o);
    return ferror(o->f) ? WN_EIO : 0;
}

static int put_reading(const struct wn_reading *r, int64_t step_number, wn_utc_us utc_us, void *ctx)
{
    struct out *o = ctx;
    (void)utc_us;
    begin_row(o);
    integer(o, "step", step_number);
    number(o, "time_s", wn_ns_to_s(r->time_ns));
    number(o, "voltage_v", r->voltage_v);
    number(o, "current_a", r->current_a);
    number(o, "temperature_c", (r->has & WN_HAS_TEMPERATURE) ? r->temperature_c : NAN);
    number(o, "ambient_c", (r->has & WN_HAS_AMBIENT) ? r->ambient_c : NAN);
    end_row(o);
    return ferror(o->f) ? WN_EIO : 0;
}

enum what { CYCLES, READINGS, STEPS, EVENTS, CHECK_UPS, NOTHING };

static const char *const what_word[NOTHING] = {"cycles", "readings", "steps", "events",
                                               "check-ups"};
static const char *const what_key[NOTHING] = {"cycles", "readings", "steps", "events", "check_ups"};

static enum what find_what(const char *word)
{
    enum what k = CYCLES;
    while (k < NOTHING && strcmp(what_word[k], word) != 0) {
        k++;
    }
    return k;
}

static int put_rows(struct wn_campaign *c, enum what k, struct out *o, struct wn_error *err)
{
    switch (k) {
    case CYCLES:
        return wn_campaign_each_cycle(c, put_cycle, o, err);
    case READINGS:
        return wn_campaign_each_reading(c, 0, 0, put_reading, o, err);
    case STEPS:
        return wn_campaign_each_step(c, put_step, o, err);
    case EVENTS:
        return wn_campaign_each_event(c, 0, put_event, o, err);
    case CHECK_UPS:
        return wn_campaign_each_check_up(c, put_check_up, o, err);
    case NOTHING:
        break;
    }
    return WN_EBUG;
}

/* A CSV without rows still names its columns: those of an empty record. */
static void put_header(enum what k, struct out *o)
{
    const struct wn_cycle_record cycle = {0};
    const struct wn_check_up_record check_up = {0};
    const struct wn_step_record step = {0};
    const struct wn_event_row event = {0};
    const struct wn_reading reading = {0};
    o->header_only = true;
    switch (k) {
    case CYCLES:
        (void)put_cycle(&cycle, 0, o);
        break;
    case READINGS:
        (void)put_reading(&reading, 0, 0, o);
        break;
    case STEPS:
        (void)put_step(&step, 0, o);
        break;
    case EVENTS:
        (void)put_event(&event, o);
        break;
    case CHECK_UPS:
        (void)put_check_up(&check_up, 0, o);
        break;
    case NOTHING:
        break;
    }
}

static int write_all(struct wane_campaign *c, enum what k, bool json, FILE *f, struct wn_error *err)
{
    struct out o;
    memset(&o, 0, sizeof o);
    o.f = f;
    o.json = json;
    o.simulated = c->info.simulated;
    measuring_begin(c, &o.measuring);
    if (json) {
        (void)fputs("{\"campaign\": ", f);
        json_t *name = json_string(c->info.name);
        (void)json_dumpf(name, f, JSON_ENCODE_ANY);
        json_decref(name);
        (void)fprintf(f, ", \"simulated\": %s, \"%s\": [", c->info.simulated ? "true" : "false",
                      what_key[k]);
    }
    int rc = put_rows(c->file, k, &o, err);
    if (rc == WN_OK && !o.began && !json) {
        put_header(k, &o);
    }
    if (json) {
        (void)fputs(o.began ? "\n]}\n" : "]}\n", f);
    }
    if (rc == WN_OK && (fflush(f) != 0 || ferror(f))) {
        rc = WN_EIO;
    }
    if (rc == WN_EIO && (err->text[0] == '\0')) {
        rc = wn_error_set(err, WN_EIO, "the output cannot be written: %s", strerror(errno));
    }
    return rc;
}

static int write_file(struct wane_campaign *c, enum what k, bool json, const char *file,
                      struct wn_error *err)
{
    char part[1024];
    size_t n = strlen(file);
    if (n > 5 && strcmp(file + n - 5, ".wane") == 0) {
        return wn_error_set(err, WN_EINVAL,
                            "%s would look like a campaign file: give the export another name",
                            file);
    }
    int len = snprintf(part, sizeof part, "%s.part", file);
    if (len < 0 || (size_t)len >= sizeof part) {
        return wn_error_set(err, WN_ERANGE, "%.60s...: the name is too long", file);
    }
    struct stat st;
    bool in_place = stat(file, &st) == 0 &&
                    !S_ISREG(st.st_mode); /* a pipe, a device: written to, never replaced */
    FILE *f = fopen(in_place ? file : part, "we");
    if (f == NULL) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    int rc = write_all(c, k, json, f, err);
    if (fclose(f) != 0 && rc == WN_OK) {
        rc = wn_error_set(err, WN_EIO, "%s: %s", file, strerror(errno));
    }
    if (in_place) {
        return rc;
    }
    if (rc == WN_OK && rename(part, file) != 0) {
        rc = wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    if (rc != WN_OK) {
        (void)unlink(part);
    }
    return rc;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct wane_campaign c;
    struct wn_error err = {0};
    enum what k = a->value[WHAT].given ? find_what(a->value[WHAT].text) : NOTHING;
    const char *format = a->value[FORMAT].given ? a->value[FORMAT].text : w->json ? "json" : "csv";
    bool json = strcmp(format, "json") == 0;
    if (k == NOTHING) {
        return wane_usage(w, "what? Give --what cycles, readings, steps, events or check-ups");
    }
    if (!json && strcmp(format, "csv") != 0) {
        return wane_usage(w, "--format is '%s': write csv or json", format);
    }
    int rc = wane_open_campaign(w, a->operand[0], &c);
    if (rc != WANE_DONE) {
        return rc;
    }
    int written = a->value[OUTPUT].given ? write_file(&c, k, json, a->value[OUTPUT].text, &err)
                                         : write_all(&c, k, json, stdout, &err);
    wane_close_campaign(&c);
    return written == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

const struct wane_command cmd_export = {
    .name = "export",
    .synopsis = "CAMPAIGN --what WHAT [--format csv|json] [-o FILE]",
    .summary = "cycles, readings, steps, events, check-ups as CSV or JSON",
    .text = "Units are the ends of the columns' names: _v, _a, _ah, _wh, _ohm, _c, _k, _s.\n"
            "_u is a standard uncertainty (k = 1) after the GUM, _expanded is twice that\n"
            "(k = 2). Current is positive when it charges the cell. What was not measured\n"
            "is an empty field, or null. The last column of a CSV says whether it was\n"
            "simulated.\n",
    .examples = "  wane export demo --what cycles -o cycles.csv\n"
                "  wane export demo --what readings --format json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

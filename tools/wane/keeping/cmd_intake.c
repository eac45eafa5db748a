/* wane intake: what was written down of a cell at its arrival, added or corrected later.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A campaign file has one writer. While a station has the campaign open, the station is asked;
 * otherwise this command writes it, for that moment alone with the file. */
#define _DEFAULT_SOURCE
#include "wane.h"

#include <math.h>
#include <pwd.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/num.h"
#include "port/clock.h"
#include "report/table.h"

enum { MARKING, MASS, DIAMETER, LENGTH, VOLTAGE, IMPEDANCE, FREQUENCY, CLEAR };

static const struct wane_option options[] = {
    [MARKING] = {"marking", 0, WANE_TEXT, "TEXT", "what is printed on the cell"},
    [MASS] = {"mass-g", 0, WANE_NUMBER, "X", "measured mass"},
    [DIAMETER] = {"diameter-mm", 0, WANE_NUMBER, "X", "measured diameter"},
    [LENGTH] = {"length-mm", 0, WANE_NUMBER, "X", "measured length"},
    [VOLTAGE] = {"arrival-voltage-v", 0, WANE_NUMBER, "X", "of the cell as it came"},
    [IMPEDANCE] = {"ac-impedance-ohm", 0, WANE_NUMBER, "X",
                   "measured by hand; 12.8 mohm is 0.0128"},
    [FREQUENCY] = {"ac-impedance-hz", 0, WANE_NUMBER, "X", "at which it was measured"},
    [CLEAR] = {"clear", 0, WANE_LIST, "NAME",
               "was not recorded after all: mass_g, ...; may be repeated"},
};

static const int option_of[WN_INTAKE_NUMBERS] = {
    [WN_INTAKE_MASS] = MASS,
    [WN_INTAKE_DIAMETER] = DIAMETER,
    [WN_INTAKE_LENGTH] = LENGTH,
    [WN_INTAKE_ARRIVAL_VOLTAGE] = VOLTAGE,
    [WN_INTAKE_AC_IMPEDANCE] = IMPEDANCE,
    [WN_INTAKE_AC_IMPEDANCE_HZ] = FREQUENCY,
};

/* *any: something is to be changed. */
static int take_change(const struct wane *w, const struct wane_args *a,
                       struct wn_intake_change *out, bool *any)
{
    const struct wane_value *v = a->value;
    memset(out, 0, sizeof *out);
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        out->given[q] = v[option_of[q]].given;
        out->value[q] = v[option_of[q]].number;
        *any = *any || out->given[q];
    }
    for (int i = 0; i < v[CLEAR].n; i++) {
        enum wn_intake q = wn_intake_find(v[CLEAR].list[i]);
        if (q == WN_INTAKE_NUMBERS) {
            return wane_usage(w,
                              "--clear is '%s': write mass_g, diameter_mm, length_mm, "
                              "arrival_voltage_v, ac_impedance_ohm or ac_impedance_hz",
                              v[CLEAR].list[i]);
        }
        if (out->given[q]) {
            return wane_usage(w, "%s is given and cleared: one of them", v[CLEAR].list[i]);
        }
        out->given[q] = *any = true;
        out->value[q] = NAN;
    }
    if (v[MARKING].given && strlen(v[MARKING].text) >= sizeof out->marking) {
        return wane_usage(w, "--marking is longer than %zu characters", sizeof out->marking - 1);
    }
    out->marking_given = v[MARKING].given;
    (void)snprintf(out->marking, sizeof out->marking, "%s",
                   v[MARKING].given ? v[MARKING].text : "");
    *any = *any || out->marking_given;
    return WANE_DONE;
}

/* -- who writes it */

static json_t *change_json(const struct wn_intake_change *c)
{
    json_t *o = json_object();
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        if (c->given[q]) {
            wane_put(o, wn_intake_name((enum wn_intake)q), wane_number(c->value[q]));
        }
    }
    if (c->marking_given) {
        wane_put(o, "marking", json_string(c->marking));
    }
    return o;
}

static bool is_same_file(const char *a, const char *b)
{
    struct stat x, y;
    return a != NULL && stat(a, &x) == 0 && stat(b, &y) == 0 && x.st_dev == y.st_dev &&
           x.st_ino == y.st_ino;
}

/* The station that has the file open; NULL: none of those that answer. */
static const char *find_station(struct wane *w, const char *path)
{
    const char *found = NULL;
    bool known = access(w->config_file, R_OK) == 0 && wane_daemon(w) != NULL;
    for (int i = 0; known && found == NULL && i < w->daemon->stations; i++) {
        struct wn_error err = {0};
        json_t *request = json_pack("{s:s}", "command", "status"), *reply = NULL;
        if (wane_ask_quietly(w, w->daemon->station[i].name, request, WANE_PATIENCE_MS, &reply,
                             &err) == WN_OK &&
            is_same_file(json_string_value(json_object_get(reply, "file")), path)) {
            found = w->daemon->station[i].name;
        }
        json_decref(request);
        json_decref(reply);
    }
    return found;
}

static int ask_station(struct wane *w, const char *station, const struct wane_campaign *c,
                       const struct wn_intake_change *change, json_t **changes)
{
    json_t *reply = NULL;
    int rc = wane_ask(w, station,
                      json_pack("{s:s,s:s,s:o}", "command", "intake", "campaign", c->info.name,
                                "change", change_json(change)),
                      &reply);
    *changes = json_incref(json_object_get(reply, "changes"));
    json_decref(reply);
    return rc;
}

static void who_am_i(char *buf, size_t size)
{
    const struct passwd *p = getpwuid(getuid());
    (void)snprintf(buf, size, "%.40s (uid %ld)", p != NULL ? p->pw_name : "somebody",
                   (long)getuid());
}

static int write_alone(const char *path, const struct wn_intake_change *change,
                       struct wn_intake_words *words, struct wn_error *err)
{
    struct wn_campaign *file = NULL;
    struct wn_campaign_info *info = calloc(1, sizeof *info);
    struct stat st;
    char who[64];
    who_am_i(who, sizeof who);
    const struct wn_amendment a = {
        .kind = "intake", .words = words, .who = who, .time_ns = 0, .cycle = -1};
    int rc = info != NULL ? WN_OK : wn_error_set(err, WN_ENOMEM, "out of memory");
    if (rc == WN_OK && stat(path, &st) == 0 && (st.st_mode & (S_IWUSR | S_IWGRP | S_IWOTH)) == 0) {
        rc = wn_error_set(err, WN_EACCESS,
                          "%s is an archive, and is not changed: correct the campaign it was made "
                          "of, then archive that again",
                          path);
    }
    rc = rc == WN_OK ? wn_campaign_open_alone(&file, path, err) : rc;
    rc = rc == WN_OK ? wn_campaign_info(file, info, err) : rc;
    rc = rc == WN_OK ? wn_intake_change(&info->cell, change, words, err) : rc;
    if (rc == WN_OK && words->n > 0) {
        const struct wn_clock *clock = wn_clock_real();
        rc = wn_campaign_amend(file, &info->cell, &a, clock->ops->utc(clock), err);
    }
    wn_campaign_close(file);
    free(info);
    return rc;
}

static int amend(struct wane *w, struct wane_campaign *c, const struct wn_intake_change *change,
                 json_t **changes)
{
    struct wn_error err = {0};
    struct wn_intake_words words = {.n = 0};
    const char *station = find_station(w, c->path);
    if (station != NULL) {
        return ask_station(w, station, c, change, changes);
    }
    if (write_alone(c->path, change, &words, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    *changes = json_array();
    for (int i = 0; i < words.n; i++) {
        (void)json_array_append_new(*changes, json_string(words.text[i]));
    }
    return WANE_DONE;
}

/* -- what it is now */

static int take_trace(const struct wn_event_row *r, void *ctx)
{
    char utc[WN_UTC_SIZE];
    if (strcmp(r->event.kind, "intake") == 0) {
        (void)json_array_append_new(ctx, json_pack("{s:s,s:s}", "recorded_utc",
                                                   wn_utc_format(r->utc, utc, sizeof utc), "text",
                                                   r->event.text));
    }
    return 0;
}

static int show_json(const struct wane_campaign *c, json_t *changes, json_t *trace)
{
    json_t *o = json_object(), *values = json_object();
    wane_put(values, "marking", json_string(c->info.cell.marking));
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        wane_put(values, wn_intake_name((enum wn_intake)q),
                 wane_number(wn_intake_value(&c->info.cell, (enum wn_intake)q)));
    }
    wane_put(o, "campaign", json_string(c->info.name));
    wane_put(o, "simulated", json_boolean(c->info.simulated));
    wane_put(o, "intake", values);
    wane_put(o, "changes", changes != NULL ? json_incref(changes) : json_array());
    wane_put(o, "trace", json_incref(trace));
    return wane_print_json(o);
}

static int show_table(struct wane *w, const struct wane_campaign *c, json_t *trace)
{
    static const char *const headings[] = {"intake", "value"};
    struct wn_error err = {0};
    struct wn_table *t = wn_table_create("ll", headings);
    char x[WN_NUM_SIZE];
    size_t i = 0;
    json_t *one;
    wane_print_heading(w, c);
    wn_table_text(t, "marking");
    wn_table_text(t, c->info.cell.marking[0] != '\0' ? c->info.cell.marking : "not recorded");
    for (int q = 0; q < WN_INTAKE_NUMBERS; q++) {
        double value = wn_intake_value(&c->info.cell, (enum wn_intake)q);
        wn_table_text(t, wn_intake_name((enum wn_intake)q));
        wn_table_text(t, isfinite(value) ? wn_num_format(value, 8, x, sizeof x) : "not recorded");
    }
    int rc = wn_table_print(t, stdout, w->colour, &err);
    wn_table_destroy(t);
    json_array_foreach(trace, i, one)
    {
        (void)printf("%s%s  %s\n", i == 0 ? "\n" : "",
                     json_string_value(json_object_get(one, "recorded_utc")),
                     json_string_value(json_object_get(one, "text")));
    }
    return rc == WN_OK ? wane_flush() : wane_fail(w, &err);
}

static int show(struct wane *w, const char *path, json_t *changes)
{
    struct wane_campaign c;
    struct wn_error err = {0};
    int done = wane_open_campaign(w, path, &c);
    if (done != WANE_DONE) {
        return done;
    }
    json_t *trace = json_array();
    int rc = wn_campaign_each_event(c.file, 0, take_trace, trace, &err);
    done = rc != WN_OK ? wane_fail(w, &err)
           : w->json   ? show_json(&c, changes, trace)
                       : show_table(w, &c, trace);
    json_decref(trace);
    wane_close_campaign(&c);
    return done;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct wane_campaign c;
    struct wn_intake_change change;
    json_t *changes = NULL;
    bool any = false;
    int rc = take_change(w, a, &change, &any);
    rc = rc == WANE_DONE ? wane_open_campaign(w, a->operand[0], &c) : rc;
    if (rc != WANE_DONE) {
        return rc;
    }
    wane_close_campaign(&c); /* its name and path are read; it must not be open twice */
    if (any) {
        rc = amend(w, &c, &change, &changes);
        if (rc == WANE_DONE && json_array_size(changes) == 0) {
            (void)fputs("wane intake: it is so already: nothing was changed\n", stderr);
        }
    }
    rc = rc == WANE_DONE ? show(w, c.path, changes) : rc;
    json_decref(changes);
    return rc;
}

const struct wane_command cmd_intake = {
    .name = "intake",
    .synopsis = "CAMPAIGN [--mass-g X] [--marking TEXT] ... [--clear NAME]",
    .summary = "what was recorded of a cell at its arrival; adds and corrects it",
    .text = "Shows the intake record of a campaign, and who has changed it when. With values\n"
            "it adds or corrects them, while the campaign runs or when it is over. Nothing is\n"
            "run by these values; they stand in reports, and an AC impedance is judged there.\n"
            "Every change leaves an event of kind intake: what it is, what it was, by whom.\n"
            "\n"
            "While a station has the campaign open, the station writes it (the right to\n"
            "command it is needed); otherwise this command does. An archive is not changed.\n",
    .examples =
        "  wane intake demo\n"
        "  wane intake demo --mass-g 46.9 --ac-impedance-ohm 0.0128 --ac-impedance-hz 1000\n"
        "  wane intake demo --clear mass_g --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

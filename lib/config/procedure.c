/* Configuration: a procedure's file, resolved against a cell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MEMBER(type, member) .offset = offsetof(struct type, member)
#define CELL_WORD(word, member)                                                                    \
    {                                                                                              \
        word, 0, offsetof(struct wn_cell, member)                                                  \
    }
#define NO_WORD                                                                                    \
    {                                                                                              \
        NULL, 0, 0                                                                                 \
    }

static const struct wn_key_word charge_current_words[] = {
    CELL_WORD("datasheet", standard_charge_current_a), CELL_WORD("claim", claim.charge_current_a),
    NO_WORD};
static const struct wn_key_word charge_until_words[] = {
    CELL_WORD("datasheet", standard_charge_until_a),
    CELL_WORD("claim", claim.charge_until_current_a), NO_WORD};
static const struct wn_key_word charge_voltage_words[] = {CELL_WORD("datasheet", charge_voltage_v),
                                                          NO_WORD};
static const struct wn_key_word discharge_current_words[] = {
    CELL_WORD("claim", claim.discharge_current_a), NO_WORD};
static const struct wn_key_word discharge_until_words[] = {
    CELL_WORD("datasheet", discharge_cutoff_v), CELL_WORD("claim", claim.discharge_until_voltage_v),
    NO_WORD};
static const struct wn_key_word repeat_words[] = {CELL_WORD("claim", claim.cycles), NO_WORD};
static const struct wn_key_word end_below_words[] = {
    CELL_WORD("claim", claim.min_ah), {"none", 0, 0}, NO_WORD};

#define QUANTITY(key, needed, type, member, dimension, low, high, text, allowed)                   \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = needed, MEMBER(type, member),            \
        .dim = dimension, .min = low, .max = high, .example = text, .words = allowed               \
    }
#define STEP(key, needed, member, dimension, low, high, text, allowed)                             \
    QUANTITY(key, needed, wn_step, member, dimension, low, high, text, allowed)
#define TIME_MAX (30 * 86400.0)

/* "do" was read before; here it is only a known key. */
static void read_nothing(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    (void)r, (void)s, (void)key, (void)target;
}
#define DO                                                                                         \
    {                                                                                              \
        .name = "do", .kind = WN_KEY_OTHER, .read = read_nothing, .example = "\"charge\""          \
    }

static const struct wn_key charge_keys[] = {
    DO,
    STEP("current", true, current_a, WN_DIM_CURRENT, 0.001, 1000, "\"4 A\"", charge_current_words),
    STEP("voltage", true, voltage_v, WN_DIM_VOLTAGE, 0.5, 10, "\"datasheet\"",
         charge_voltage_words),
    STEP("until", true, until_current_a, WN_DIM_CURRENT, 0.001, 1000, "\"100 mA\"",
         charge_until_words),
    STEP("time_limit", true, time_limit_s, WN_DIM_TIME, 1, TIME_MAX, "\"3 h\"", NULL),
    {.name = NULL}};

static const struct wn_key rest_keys[] = {
    DO,
    STEP("duration", true, duration_s, WN_DIM_TIME, 1, TIME_MAX, "\"1 h\"", NULL),
    {.name = NULL}};

static const struct wn_key discharge_keys[] = {
    DO,
    STEP("current", false, current_a, WN_DIM_CURRENT, 0.001, 1000, "\"0.2 It\"",
         discharge_current_words),
    STEP("power", false, power_w, WN_DIM_POWER, 0.001, 5000, "\"20 W\"", NULL),
    STEP("until", true, until_voltage_v, WN_DIM_VOLTAGE, 0.1, 10, "\"datasheet\"",
         discharge_until_words),
    STEP("until_temperature", false, until_temperature_c, WN_DIM_TEMPERATURE, 25, 120,
         "\"70 degC\"", NULL),
    STEP("time_limit", true, time_limit_s, WN_DIM_TIME, 1, TIME_MAX, "\"8 h\"", NULL),
    {.name = NULL}};

static const struct wn_key level_keys[] = {
    QUANTITY("current", true, wn_level, current_a, WN_DIM_CURRENT, 0.001, 1000, "\"0.2 It\"",
             discharge_current_words),
    QUANTITY("duration", true, wn_level, duration_s, WN_DIM_TIME, 0.1, 3600, "\"10 s\"", NULL),
    {.name = NULL}};

static void read_levels(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_step *step = target;
    if (!wn_reader_list(r, s, 1, WN_LEVELS_MAX, key->example)) {
        return;
    }
    step->levels = config_setting_length(s);
    for (int i = 0; i < step->levels; i++) {
        wn_reader_group(r, config_setting_get_elem(s, (unsigned)i), level_keys, &step->level[i]);
    }
}

static const struct wn_key pulse_keys[] = {
    DO,
    {.name = "levels",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_levels,
     .example =
         "( { current = \"0.2 It\"; duration = \"10 s\"; }, { current = \"1 It\"; duration = "
         "\"1 s\"; } )"},
    STEP("until", true, until_voltage_v, WN_DIM_VOLTAGE, 0.1, 10, "\"datasheet\"",
         discharge_until_words),
    {.name = NULL}};

/* What "do" may be, and which keys belong to it. */
static const struct step_form {
    const char *word;
    enum wn_step_kind kind;
    const struct wn_key *keys;
} forms[] = {
    {"charge", WN_STEP_CHARGE, charge_keys},
    {"rest", WN_STEP_REST, rest_keys},
    {"discharge", WN_STEP_DISCHARGE, discharge_keys},
    {"pulse", WN_STEP_PULSE, pulse_keys},
};
enum { FORMS = sizeof forms / sizeof forms[0] };

static const struct step_form *find_form(struct wn_reader *r, const config_setting_t *s)
{
    const config_setting_t *what = config_setting_get_member(s, "do");
    const char *word = what == NULL ? NULL : config_setting_get_string(what);
    for (int i = 0; word != NULL && i < FORMS; i++) {
        if (strcmp(forms[i].word, word) == 0) {
            return &forms[i];
        }
    }
    wn_reader_fail(r, what == NULL ? s : what,
                   "%s; write do = \"charge\", \"rest\", \"discharge\" or \"pulse\";",
                   what == NULL ? "do is missing: what shall this step do?" : "no step does that");
    return NULL;
}

static bool too_much(struct wn_reader *r, const config_setting_t *s, const char *what, double value,
                     double limit, enum wn_dim dim, const char *limit_key)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    wn_reader_fail(r, s, "%s %s is outside the datasheet of cell %s: %s is %s", what,
                   wn_qty_format(value, dim, a, sizeof a), r->cell->name, limit_key,
                   wn_qty_format(limit, dim, b, sizeof b));
    return false;
}

static bool check_cutoff(struct wn_reader *r, const config_setting_t *s, const struct wn_step *step)
{
    const struct wn_cell *c = r->cell;
    if (step->until_voltage_v < c->discharge_cutoff_v) {
        return too_much(r, wn_reader_at(s, "until"), "a cut-off of", step->until_voltage_v,
                        c->discharge_cutoff_v, WN_DIM_VOLTAGE, "discharge_cutoff");
    }
    if (step->until_voltage_v >= c->charge_voltage_v) {
        wn_reader_fail(r, wn_reader_at(s, "until"),
                       "a cut-off must be below the charge voltage of the cell");
        return false;
    }
    return true;
}

static bool check_discharge_current(struct wn_reader *r, const config_setting_t *s,
                                    double current_a)
{
    const struct wn_cell *c = r->cell;
    return current_a <= c->discharge_current_max_a ||
           too_much(r, s, "a discharge current of", current_a, c->discharge_current_max_a,
                    WN_DIM_CURRENT, "discharge_current_max");
}

/* A limit that is always reached would flag every cycle. */
static void check_time_limit(struct wn_reader *r, const config_setting_t *s,
                             const struct wn_step *step, double mean_a)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    double whole_s = r->cell->rated_capacity_ah / mean_a * 3600;
    if (step->time_limit_s < whole_s) {
        wn_reader_fail(
            r, wn_reader_at(s, "time_limit"),
            "%s ends this step too early: the rated capacity alone takes %s; allow half as "
            "much again",
            wn_qty_format(step->time_limit_s, WN_DIM_TIME, a, sizeof a),
            wn_qty_format(ceil(whole_s / 60) * 60, WN_DIM_TIME, b, sizeof b));
    }
}

static void check_charge(struct wn_reader *r, const config_setting_t *s, const struct wn_step *step)
{
    const struct wn_cell *c = r->cell;
    if (step->current_a > c->charge_current_max_a) {
        (void)too_much(r, wn_reader_at(s, "current"), "a charge current of", step->current_a,
                       c->charge_current_max_a, WN_DIM_CURRENT, "charge_current_max");
    }
    if (step->voltage_v > c->charge_voltage_v) {
        (void)too_much(r, wn_reader_at(s, "voltage"), "a charge voltage of", step->voltage_v,
                       c->charge_voltage_v, WN_DIM_VOLTAGE, "charge_voltage");
    }
    if (step->voltage_v < c->discharge_cutoff_v) {
        wn_reader_fail(r, wn_reader_at(s, "voltage"), "is below the discharge cut-off of the cell");
    }
    if (step->until_current_a >= step->current_a) {
        wn_reader_fail(r, wn_reader_at(s, "until"),
                       "the end current must be below the charge current");
    }
    check_time_limit(r, s, step, step->current_a);
}

static void check_discharge(struct wn_reader *r, const config_setting_t *s, struct wn_step *step)
{
    bool current = config_setting_get_member(s, "current") != NULL;
    bool power = config_setting_get_member(s, "power") != NULL;
    if (current == power) {
        wn_reader_fail(r, s,
                       "a discharge needs current or power, and %s; write current = \"0.2 It\";",
                       current ? "has both" : "has neither");
        return;
    }
    step->kind = power ? WN_STEP_DISCHARGE_POWER : WN_STEP_DISCHARGE;
    double highest_a = power ? step->power_w / step->until_voltage_v : step->current_a;
    double mean_a = power ? step->power_w / r->cell->nominal_voltage_v : step->current_a;
    if (!check_cutoff(r, s, step) ||
        !check_discharge_current(r, wn_reader_at(s, power ? "power" : "current"), highest_a)) {
        return;
    }
    check_time_limit(r, s, step, mean_a);
}

static void check_pulse(struct wn_reader *r, const config_setting_t *s, const struct wn_step *step)
{
    const config_setting_t *levels = wn_reader_at(s, "levels");
    (void)check_cutoff(r, s, step);
    for (int i = 0; i < step->levels; i++) {
        const config_setting_t *level = config_setting_get_elem(levels, (unsigned)i);
        (void)check_discharge_current(r, wn_reader_at(level, "current"), step->level[i].current_a);
    }
}

static void read_step(struct wn_reader *r, const config_setting_t *s, struct wn_step *step)
{
    int before = r->problems->n;
    if (!config_setting_is_group(s)) {
        wn_reader_fail(r, s, "must be a step; write { do = \"rest\"; duration = \"1 h\"; }");
        return;
    }
    const struct step_form *form = find_form(r, s);
    if (form == NULL) {
        return;
    }
    step->kind = form->kind;
    step->source_line = (int)config_setting_source_line(s);
    wn_reader_group(r, s, form->keys, step);
    if (r->problems->n != before) {
        return;
    }
    switch (step->kind) {
    case WN_STEP_CHARGE:
        check_charge(r, s, step);
        break;
    case WN_STEP_DISCHARGE:
    case WN_STEP_DISCHARGE_POWER:
        check_discharge(r, s, step);
        break;
    case WN_STEP_PULSE:
        check_pulse(r, s, step);
        break;
    case WN_STEP_REST:
        break;
    }
}

/* Appends a list of steps; false when they do not fit or there are none. */
static bool read_steps(struct wn_reader *r, const config_setting_t *s, struct wn_procedure *p,
                       int *first, int *count)
{
    *first = p->steps;
    *count = 0;
    if (!wn_reader_list(r, s, 1, WN_STEPS_MAX, "( { do = \"rest\"; duration = \"1 h\"; } )")) {
        return false;
    }
    int n = config_setting_length(s);
    if (p->steps + n > WN_STEPS_MAX) {
        wn_reader_fail(r, s, "the procedure has more than %d steps; let phases repeat",
                       WN_STEPS_MAX);
        return false;
    }
    for (int i = 0; i < n; i++) {
        read_step(r, config_setting_get_elem(s, (unsigned)i), &p->step[p->steps++]);
    }
    *count = n;
    return true;
}

struct phase_target {
    struct wn_phase phase;
    struct wn_procedure *procedure;
};

static void read_phase_steps(struct wn_reader *r, const config_setting_t *s,
                             const struct wn_key *key, void *target)
{
    struct phase_target *t = target;
    struct wn_phase *ph = &t->phase;
    bool charges = false, discharges = false;
    (void)key;
    if (!read_steps(r, s, t->procedure, &ph->first_step, &ph->steps)) {
        return;
    }
    for (int i = 0; i < ph->steps; i++) {
        enum wn_step_kind kind = t->procedure->step[ph->first_step + i].kind;
        charges = charges || kind == WN_STEP_CHARGE;
        discharges = discharges || kind == WN_STEP_DISCHARGE || kind == WN_STEP_DISCHARGE_POWER;
    }
    ph->makes_cycles = charges && discharges;
}

static const struct wn_key phase_keys[] = {{.name = "name",
                                            .kind = WN_KEY_TEXT,
                                            .required = true,
                                            MEMBER(phase_target, phase.name),
                                            .size = WN_NAME_SIZE,
                                            .example = "\"endurance\""},
                                           {.name = "repeat",
                                            .kind = WN_KEY_COUNT64,
                                            .required = true,
                                            MEMBER(phase_target, phase.repeat),
                                            .min = 1,
                                            .max = 100000,
                                            .words = repeat_words,
                                            .example = "300"},
                                           {.name = "steps",
                                            .kind = WN_KEY_OTHER,
                                            .required = true,
                                            .read = read_phase_steps,
                                            .example = "( { do = \"charge\"; ... }, ... )"},
                                           {.name = NULL}};

static void read_phases(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_procedure *p = target;
    if (!wn_reader_list(r, s, 1, WN_PHASES_MAX, key->example)) {
        return;
    }
    p->phases = config_setting_length(s);
    for (int i = 0; i < p->phases; i++) {
        struct phase_target t;
        memset(&t, 0, sizeof t);
        t.procedure = p;
        wn_reader_group(r, config_setting_get_elem(s, (unsigned)i), phase_keys, &t);
        p->phase[i] = t.phase;
    }
}

static void read_check_up_steps(struct wn_reader *r, const config_setting_t *s,
                                const struct wn_key *key, void *target)
{
    struct wn_procedure *p = target;
    (void)key;
    (void)read_steps(r, s, p, &p->check_up_first_step, &p->check_up_steps);
}

static const struct wn_key check_up_keys[] = {{.name = "every",
                                               .kind = WN_KEY_COUNT64,
                                               .required = true,
                                               MEMBER(wn_procedure, check_up_every),
                                               .min = 1,
                                               .max = 100000,
                                               .example = "50"},
                                              {.name = "steps",
                                               .kind = WN_KEY_OTHER,
                                               .required = true,
                                               .read = read_check_up_steps,
                                               .example = "( { do = \"charge\"; ... }, ... )"},
                                              {.name = NULL}};

/* "none" and "claim", a capacity, or a part of the rated capacity. */
static void read_end_below(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target)
{
    struct wn_key row = {.name = key->name,
                         .kind = WN_KEY_QUANTITY,
                         MEMBER(wn_procedure, end_below_ah),
                         .dim = WN_DIM_CAPACITY,
                         .min = 0.0001,
                         .max = r->cell->rated_capacity_ah,
                         .example = key->example,
                         .words = end_below_words};
    const char *text = config_setting_get_string(s);
    struct wn_procedure *p = target;
    if (text == NULL || strchr(text, '%') == NULL) {
        wn_reader_value(r, s, &row, target);
        return;
    }
    row.dim = WN_DIM_RATIO;
    row.min = 0.01;
    row.max = 1;
    row.words = NULL;
    wn_reader_value(r, s, &row, target);
    p->end_below_ah *= r->cell->rated_capacity_ah;
}

static const struct wn_key procedure_keys[] = {
    {.name = "title",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(wn_procedure, title),
     .size = sizeof((struct wn_procedure *)0)->title,
     .example = "\"what this procedure is for\""},
    QUANTITY("resistance_delay", false, wn_procedure, resistance_delay_s, WN_DIM_TIME, 0.01, 60,
             "\"1 s\"", NULL),
    QUANTITY("ambient_min", true, wn_procedure, ambient_min_c, WN_DIM_TEMPERATURE, -60, 150,
             "\"15 degC\"", NULL),
    QUANTITY("ambient_max", true, wn_procedure, ambient_max_c, WN_DIM_TEMPERATURE, -60, 150,
             "\"25 degC\"", NULL),
    QUANTITY("rest_min", true, wn_procedure, rest_min_s, WN_DIM_TIME, 1, TIME_MAX, "\"1 h\"", NULL),
    {.name = "end_below",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_end_below,
     .example = "\"none\""},
    {.name = "phases",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_phases,
     .example = "( { name = \"endurance\"; repeat = 300; steps = ( ... ); } )"},
    {.name = "check_up",
     .kind = WN_KEY_GROUP,
     .group = check_up_keys,
     .example = "{ every = 50; steps = ( ... ); }"},
    {.name = NULL}};

static void check_procedure(struct wn_reader *r, const config_setting_t *root,
                            const struct wn_procedure *p)
{
    const struct wn_cell *c = r->cell;
    const struct wn_procedure_bounds bounds = {c->charge_current_max_a, c->discharge_current_max_a,
                                               c->charge_voltage_v, c->discharge_cutoff_v};
    struct wn_error err;
    if (!(p->ambient_min_c < p->ambient_max_c)) {
        wn_reader_fail(r, wn_reader_at(root, "ambient_min"), "must be below ambient_max");
    } else if (wn_procedure_validate(p, &bounds, r->file, &err) != WN_OK) {
        wn_problem_add(r->problems, "%s", err.text); /* names file and line itself */
    }
}

int wn_config_parse_procedure(const char *text, size_t len, const char *file, const char *name,
                              const struct wn_cell *cell, struct wn_procedure *out,
                              struct wn_problems *problems)
{
    struct wn_reader r;
    memset(out, 0, sizeof *out);
    wn_config_name(name, out->name, sizeof out->name);
    out->resistance_delay_s = 1;
    if (!wn_reader_open(&r, text, len, file, problems)) {
        return WN_ESYNTAX;
    }
    r.cell = cell;
    r.rated_ah = &cell->rated_capacity_ah;
    const config_setting_t *root = config_root_setting(&r.config);
    wn_reader_group(&r, root, procedure_keys, out);
    if (problems->n == r.problems_before) {
        check_procedure(&r, root, out);
    }
    return wn_reader_close(&r);
}

int wn_config_read_procedure(const char *conf_dir, const char *name, const struct wn_cell *cell,
                             struct wn_procedure *out, struct wn_problems *problems)
{
    char path[WN_PATH_SIZE];
    size_t len;
    memset(out, 0, sizeof *out);
    char *text =
        wn_config_load_named(conf_dir, "procedures", name, path, sizeof path, &len, problems);
    if (text == NULL) {
        return WN_ENOENT;
    }
    int rc = wn_config_parse_procedure(text, len, path, name, cell, out, problems);
    free(text);
    return rc;
}

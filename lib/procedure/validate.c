/* Procedure: the rules one must keep.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "procedure/procedure.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>

#include "base/qty.h"

/* What is being checked, and where a message points to. */
struct check {
    const struct wn_procedure *proc;
    const struct wn_procedure_bounds *bounds;
    const char *file;
    struct wn_error *err;
    const char *round;         /* name of the phase, or "check_up" */
    int step;                  /* index in the round */
    const struct wn_step *now; /* NULL: about the round or the procedure as a whole */
};

static int fail(const struct check *c, int code, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

/* "file:line: round, step N (kind): text". */
static int fail(const struct check *c, int code, const char *fmt, ...)
{
    char text[300], place[160] = "", line[16] = "";
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    if (c->now != NULL) {
        (void)snprintf(place, sizeof place, "%s, step %d (%s): ", c->round, c->step + 1,
                       wn_step_kind_name(c->now->kind));
        if (c->now->source_line > 0) {
            (void)snprintf(line, sizeof line, ":%d", c->now->source_line);
        }
    } else if (c->round != NULL) {
        (void)snprintf(place, sizeof place, "%s: ", c->round);
    }
    return wn_error_set(c->err, code, "%s%s: %s%s", c->file, line, place, text);
}

static int positive(const struct check *c, const char *what, double value, const char *example)
{
    if (isfinite(value) && value > 0) {
        return WN_OK;
    }
    return fail(c, WN_ERANGE, "%s must be above zero; write for example %s", what, example);
}

/* value must not lie beyond limit (NaN: unlimited); sign +1: not above, -1: not below. */
static int bounded(const struct check *c, const char *what, double value, double limit, int sign,
                   enum wn_dim dim)
{
    char a[WN_QTY_SIZE], b[WN_QTY_SIZE];
    if (isnan(limit) || sign * value <= sign * limit) {
        return WN_OK;
    }
    return fail(c, WN_ERANGE, "%s %s is %s what the cell may take: %s; make it %s", what,
                wn_qty_format(value, dim, a, sizeof a), sign > 0 ? "above" : "below",
                wn_qty_format(limit, dim, b, sizeof b), sign > 0 ? "smaller" : "larger");
}

static int check_charge(const struct check *c)
{
    const struct wn_step *s = c->now;
    int rc = positive(c, "current", s->current_a, "\"4 A\"");
    if (rc == WN_OK) {
        rc = positive(c, "voltage", s->voltage_v, "\"4.2 V\"");
    }
    if (rc == WN_OK) {
        rc = positive(c, "until", s->until_current_a, "\"100 mA\"");
    }
    if (rc == WN_OK) {
        rc = positive(c, "time_limit", s->time_limit_s, "\"4 h\"");
    }
    if (rc == WN_OK && !(s->until_current_a < s->current_a)) {
        rc = fail(c, WN_EINVAL, "until must be below the charge current; make until smaller");
    }
    if (rc == WN_OK) {
        rc =
            bounded(c, "current", s->current_a, c->bounds->charge_current_max_a, 1, WN_DIM_CURRENT);
    }
    if (rc == WN_OK) {
        rc =
            bounded(c, "voltage", s->voltage_v, c->bounds->charge_voltage_max_v, 1, WN_DIM_VOLTAGE);
    }
    return rc;
}

static int check_cutoff(const struct check *c)
{
    int rc = positive(c, "until", c->now->until_voltage_v, "\"2.5 V\"");
    if (rc == WN_OK) {
        rc = bounded(c, "until", c->now->until_voltage_v, c->bounds->discharge_voltage_min_v, -1,
                     WN_DIM_VOLTAGE);
    }
    return rc;
}

static int check_discharge(const struct check *c)
{
    const struct wn_step *s = c->now;
    bool power = s->kind == WN_STEP_DISCHARGE_POWER;
    int rc = power ? positive(c, "power", s->power_w, "\"20 W\"")
                   : positive(c, "current", s->current_a, "\"0.2 It\"");
    if (rc == WN_OK) {
        rc = positive(c, "time_limit", s->time_limit_s, "\"8 h\"");
    }
    if (rc == WN_OK) {
        rc = check_cutoff(c);
    }
    if (rc == WN_OK) { /* constant power draws most at the cut-off */
        rc = bounded(c, power ? "current at the cut-off" : "current",
                     power ? s->power_w / s->until_voltage_v : s->current_a,
                     c->bounds->discharge_current_max_a, 1, WN_DIM_CURRENT);
    }
    return rc;
}

static int check_pulse(const struct check *c)
{
    const struct wn_step *s = c->now;
    if (s->levels < 1 || s->levels > WN_LEVELS_MAX) {
        return fail(c, WN_EINVAL, "a pulse has 1 to %d levels, this one %d", WN_LEVELS_MAX,
                    s->levels);
    }
    int rc = check_cutoff(c);
    for (int i = 0; rc == WN_OK && i < s->levels; i++) {
        rc = positive(c, "current of a level", s->level[i].current_a, "\"0.2 It\"");
        if (rc == WN_OK) {
            rc = positive(c, "duration of a level", s->level[i].duration_s, "\"10 s\"");
        }
        if (rc == WN_OK) {
            rc = bounded(c, "current of a level", s->level[i].current_a,
                         c->bounds->discharge_current_max_a, 1, WN_DIM_CURRENT);
        }
    }
    return rc;
}

static int check_step(const struct check *c)
{
    switch (c->now->kind) {
    case WN_STEP_CHARGE:
        return check_charge(c);
    case WN_STEP_REST:
        return positive(c, "duration", c->now->duration_s, "\"1 h\"");
    case WN_STEP_DISCHARGE:
    case WN_STEP_DISCHARGE_POWER:
        return check_discharge(c);
    case WN_STEP_PULSE:
        return check_pulse(c);
    }
    return fail(c, WN_EINVAL, "no such kind of step: %d", (int)c->now->kind);
}

static bool is_discharge(const struct wn_step *s)
{
    return s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER;
}

/* Capacity and resistance count from a charged cell, and a round has one of each in the book. */
struct order {
    bool measures;       /* a cycle or a check-up: something is measured here */
    double charged_to_v; /* by the last charge; NaN: empty, or nothing is known */
    int discharges;
};

static int check_order(const struct check *c, struct order *o)
{
    const struct wn_step *s = c->now;
    if (s->kind == WN_STEP_CHARGE) {
        o->charged_to_v = s->voltage_v;
        return WN_OK;
    }
    if (s->kind == WN_STEP_REST) {
        return WN_OK;
    }
    if (s->until_voltage_v >= o->charged_to_v) {
        return fail(c, WN_EINVAL, "until must be below the charge voltage before it");
    }
    if (!o->measures) {
        return WN_OK;
    }
    if (is_discharge(s) && ++o->discharges > 1) {
        return fail(c, WN_EINVAL,
                    "a cycle and a check-up have one discharge; put this one into a "
                    "phase of its own");
    }
    if (isnan(o->charged_to_v)) {
        return fail(c, WN_EINVAL, "no charge before it; put a charge step in front");
    }
    if (is_discharge(s)) {
        o->charged_to_v = NAN;
    }
    return WN_OK;
}

static int check_round(struct check *c, const char *name, int first, int steps, bool measures)
{
    struct order order = {.measures = measures, .charged_to_v = NAN};
    int rc = WN_OK;
    c->round = name;
    c->now = NULL;
    if (first < 0 || steps < 1 || c->proc->steps > WN_STEPS_MAX || steps > c->proc->steps - first) {
        return fail(c, WN_EINVAL, "has no steps; write steps = ( { do = \"charge\"; ... }, ... )");
    }
    for (int i = 0; rc == WN_OK && i < steps; i++) {
        c->step = i;
        c->now = &c->proc->step[first + i];
        rc = check_step(c);
        if (rc == WN_OK) {
            rc = check_order(c, &order);
        }
    }
    c->now = NULL;
    return rc;
}

static int check_phase(struct check *c, const struct wn_phase *phase)
{
    bool charges = false, discharges = false;
    int rc = check_round(c, phase->name, phase->first_step, phase->steps, phase->makes_cycles);
    if (rc != WN_OK) {
        return rc;
    }
    if (phase->repeat < 1 || phase->repeat > WN_REPEAT_MAX) {
        return fail(c, WN_ERANGE, "repeat must be 1 to %lld, not %lld", (long long)WN_REPEAT_MAX,
                    (long long)phase->repeat);
    }
    for (int i = 0; i < phase->steps; i++) {
        const struct wn_step *s = &c->proc->step[phase->first_step + i];
        charges = charges || s->kind == WN_STEP_CHARGE;
        discharges = discharges || is_discharge(s);
    }
    if (phase->makes_cycles != (charges && discharges)) {
        return fail(c, WN_EINVAL,
                    "makes_cycles must be %s here: a cycle is a charge and a discharge",
                    phase->makes_cycles ? "false" : "true");
    }
    return WN_OK;
}

static int check_check_up(struct check *c)
{
    const struct wn_procedure *p = c->proc;
    int rc = check_round(c, "check_up", p->check_up_first_step, p->check_up_steps, true);
    if (rc == WN_OK && p->check_up_every < 1) {
        rc = fail(c, WN_ERANGE, "every must be at least 1 cycle, not %lld; write every = 50",
                  (long long)p->check_up_every);
    }
    if (rc == WN_OK && wn_procedure_cycles(p) == 0) {
        rc = fail(c, WN_EINVAL,
                  "never comes, because no phase makes cycles; give a phase a charge "
                  "and a discharge");
    }
    return rc;
}

static int check_whole(const struct check *c)
{
    const struct wn_procedure *p = c->proc;
    if (!(p->ambient_min_c < p->ambient_max_c) && !isnan(p->ambient_min_c) &&
        !isnan(p->ambient_max_c)) {
        return fail(c, WN_EINVAL, "ambient_min must be below ambient_max");
    }
    const struct {
        const char *key;
        double value;
    } not_negative[] = {{"resistance_delay", p->resistance_delay_s},
                        {"rest_min", p->rest_min_s},
                        {"end_below", p->end_below_ah}};
    for (size_t i = 0; i < sizeof not_negative / sizeof not_negative[0]; i++) {
        if (!isfinite(not_negative[i].value) || not_negative[i].value < 0) {
            return fail(c, WN_ERANGE, "%s must be a number, at least zero", not_negative[i].key);
        }
    }
    return WN_OK;
}

int wn_procedure_validate(const struct wn_procedure *proc, const struct wn_procedure_bounds *b,
                          const char *file, struct wn_error *err)
{
    struct check c = {.proc = proc, .bounds = b, .file = file, .err = err};
    if (proc->phases < 1 || proc->phases > WN_PHASES_MAX) {
        return fail(&c, WN_EINVAL, "a procedure has 1 to %d phases, this one %d", WN_PHASES_MAX,
                    proc->phases);
    }
    int rc = check_whole(&c);
    for (int i = 0; rc == WN_OK && i < proc->phases; i++) {
        rc = check_phase(&c, &proc->phase[i]);
    }
    if (rc == WN_OK && proc->check_up_steps != 0) {
        rc = check_check_up(&c);
    }
    return rc;
}

/* Virtual bench: from a line of commands to a line of replies; numeric settings.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/tester_internal.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#include "base/num.h"

/* Settings that are one number: all are set, asked, and asked for their MINimum, MAXimum and
 * DEFault in the same way. */
struct numeric {
    const char *pattern;
    size_t offset; /* in struct wn_tester */
    struct wn_scpi_range range;
};

#define SETTING(member)   offsetof(struct wn_tester, set.member)
#define SIMULATED(member) offsetof(struct wn_tester, member)

static const struct numeric numerics[] = {
    {"SOURce:CURRent[:LEVel]", SETTING(current_a), {WN_SCPI_AMPERE, 0.0, 30.0, 0.0}},
    {"SOURce:VOLTage[:LEVel]", SETTING(voltage_v), {WN_SCPI_VOLT, 0.0, 6.0, 0.0}},
    {"SOURce:POWer[:LEVel]", SETTING(power_w), {WN_SCPI_WATT, 0.0, 120.0, 0.0}},
    {"SOURce:VOLTage:PROTection:HIGH", SETTING(protect_high_v), {WN_SCPI_VOLT, 0.0, 6.5, 4.3}},
    {"SOURce:VOLTage:PROTection:LOW", SETTING(protect_low_v), {WN_SCPI_VOLT, 0.0, 6.0, 0.0}},
    {"SOURce:CURRent:PROTection", SETTING(protect_current_a), {WN_SCPI_AMPERE, 0.0, 33.0, 30.0}},
    {"SOURce:TEMPerature:PROTection",
     SETTING(protect_temperature_c),
     {WN_SCPI_CELSIUS, -40.0, 150.0, 80.0}},
    {"SYSTem:COMMunicate:TIMeout", SETTING(timeout_s), {WN_SCPI_SECOND, 0.0, 86400.0, 0.0}},
    {"SIMulation:CELL:CUToff", SIMULATED(setup.truth_cutoff_v), {WN_SCPI_VOLT, 0.0, 6.0, 2.5}},
    {"SIMulation:CELL:TAPer", SIMULATED(taper_a), {WN_SCPI_AMPERE, 0.001, 30.0, 0.1}},
    {"SIMulation:FAULt:THERmometer:OFFSet",
     SIMULATED(faults.offset_c),
     {WN_SCPI_KELVIN, -200.0, 200.0, 0.0}},
    {"SIMulation:FAULt:VOLTage:OFFSet", SIMULATED(faults.offset_v), {WN_SCPI_VOLT, -6.0, 6.0, 0.0}},
    {"SIMulation:FAULt:CURRent:OFFSet",
     SIMULATED(faults.offset_a),
     {WN_SCPI_AMPERE, -30.0, 30.0, 0.0}},
};

void reply_text(struct reply *r, const char *text)
{
    size_t len = strlen(text);

    if (len > WN_TESTER_REPLY_SIZE - r->len) {
        r->full = true;
        return;
    }
    memcpy(&r->text[r->len], text, len);
    r->len += len;
}

void reply_begin(struct reply *r)
{
    if (r->len > 0) {
        reply_text(r, ";");
    }
}

void reply_fixed(struct reply *r, double value, int decimals)
{
    char buf[WN_NUM_SIZE];
    reply_text(r, isnan(value) ? NOT_A_NUMBER : wn_num_fixed(value, decimals, buf, sizeof buf));
}

void reply_number(struct reply *r, double value)
{
    char buf[WN_NUM_SIZE];
    reply_text(r, isnan(value) ? NOT_A_NUMBER : wn_num_format(value, 9, buf, sizeof buf));
}

void reply_measured(struct reply *r, const struct wn_number_style *style, double value,
                    int decimals, const char *unit)
{
    char buf[WN_STYLE_SIZE];
    reply_text(r, wn_style_write(style, value, decimals, unit, buf));
}

int reply_answer(struct reply *r, double value)
{
    reply_begin(r);
    reply_number(r, value);
    return 0;
}

static int run_numeric(struct wn_tester *t, const struct numeric *n, const struct wn_scpi_unit *u,
                       struct reply *r)
{
    double *value = (double *)(void *)((char *)t + n->offset);
    double wanted = *value;
    int rc = 0;

    if (u->params > 1) {
        return WN_SCPI_PARAMETER_NOT_ALLOWED;
    }
    if (u->params == 0 && !u->query) {
        return WN_SCPI_MISSING_PARAMETER;
    }
    if (u->params == 1) {
        if (u->query && wn_num_scan(u->param[0].at, u->param[0].len) > 0) {
            return WN_SCPI_DATA_TYPE; /* only MINimum, MAXimum, DEFault can be asked for */
        }
        rc = wn_scpi_number(u->param[0], &n->range, &wanted);
    }
    if (rc == 0 && u->query) {
        return reply_answer(r, wanted);
    }
    if (rc == 0) {
        *value = wanted;
    }
    return rc;
}

static int run_command(struct wn_tester *t, const struct command *c, const struct wn_scpi_unit *u,
                       struct reply *r)
{
    handler *run = u->query ? c->query : c->set;
    int least = u->query ? c->query_min : c->set_params;
    int most = u->query ? c->query_max : c->set_params;

    if (run == NULL) {
        return WN_SCPI_UNDEFINED_HEADER;
    }
    if (u->params < least) {
        return WN_SCPI_MISSING_PARAMETER;
    }
    return u->params > most ? WN_SCPI_PARAMETER_NOT_ALLOWED : run(t, u, r);
}

static int run_unit(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    static const struct command *const tables[] = {wn_tester_commands,
                                                   wn_tester_simulation_commands};
    size_t len = strlen(u->header);

    for (size_t k = 0; k < sizeof tables / sizeof tables[0]; k++) {
        for (const struct command *c = tables[k]; c->pattern != NULL; c++) {
            if (wn_scpi_matches(c->pattern, u->header, len)) {
                return run_command(t, c, u, r);
            }
        }
    }
    for (size_t k = 0; k < sizeof numerics / sizeof numerics[0]; k++) {
        if (wn_scpi_matches(numerics[k].pattern, u->header, len)) {
            return run_numeric(t, &numerics[k], u, r);
        }
    }
    return WN_SCPI_UNDEFINED_HEADER;
}

static void run_line(struct wn_tester *t, const char *line, size_t len, struct reply *r)
{
    struct wn_scpi_reader reader;
    struct wn_scpi_unit unit;
    int rc;

    wn_scpi_reader_init(&reader, line, len);
    while ((rc = wn_scpi_reader_next(&reader, &unit)) > 0) {
        rc = run_unit(t, &unit, r);
        if (rc != 0) {
            tester_error(t, rc);
        }
        if (rc < 0 && rc > -200) {
            return; /* after a command error the rest of the line cannot be trusted */
        }
    }
    if (rc < 0) {
        tester_error(t, rc);
    }
}

/* A disturbed line: a few characters become others, or are lost. */
static size_t garble(struct wn_tester *t, char *text, size_t len)
{
    for (size_t n = 1 + wn_prng_below(&t->prng, 4); n > 0 && len > 1; n--) {
        size_t at = wn_prng_below(&t->prng, len);
        if (wn_prng_below(&t->prng, 3) == 0) {
            memmove(&text[at], &text[at + 1], len - at - 1);
            len--;
        } else {
            text[at] = (char)(' ' + (char)wn_prng_below(&t->prng, 95));
        }
    }
    return len;
}

size_t wn_tester_execute(struct wn_tester *t, const char *line, size_t len, char *text)
{
    struct reply r = {.text = text};

    run_line(t, line, len, &r);
    if (r.full) {
        tester_error(t, WN_SCPI_DEADLOCKED);
        return 0;
    }
    if (r.len > 0 && t->faults.silence > 0) {
        t->faults.silence--;
        return 0;
    }
    if (r.len > 0 && t->faults.garble > 0) {
        t->faults.garble--;
        return garble(t, text, r.len);
    }
    return r.len;
}

void wn_tester_overrun(struct wn_tester *t)
{
    tester_error(t, WN_SCPI_INPUT_OVERRUN);
}

void wn_tester_unread(struct wn_tester *t)
{
    tester_error(t, WN_SCPI_DEADLOCKED);
}

/* Virtual bench: the command tree: IEEE 488.2 common commands, SYSTem, SOURce, OUTPut, MEASure.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/tester_internal.h"

#include <math.h>
#include <stddef.h>

#define NS_PER_S       1e9
#define PLAIN_NS       INT64_C(1000000) /* a single measurement takes 1 ms */
#define FLOW_DEFAULT_S 1.0
#define FLOW_MAX_S     5.0
#define REST_DEFAULT_S 60.0
#define REST_MAX_S     600.0

static const char *const function_words[WN_TESTER_FUNCTIONS] = {"CHARge", "DISCharge", "POWer"};
static const char *const function_shorts[WN_TESTER_FUNCTIONS] = {"CHAR", "DISC", "POW"};

void tester_error(struct wn_tester *t, int number)
{
    wn_scpi_queue_put(&t->errors, number);
    t->esr |= number > -200 ? ESR_CME : number > -300 ? ESR_EXE : number > -400 ? ESR_DDE : ESR_QYE;
}

static int get_identity(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    reply_begin(r);
    reply_text(r, t->setup.identity);
    return 0;
}

static int set_cls(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    t->errors.count = 0;
    t->esr = 0;
    return 0;
}

static int set_rst(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    tester_defaults(t);
    return 0;
}

static int set_opc(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    t->esr |= ESR_OPC; /* every command is complete when the next one is read */
    return 0;
}

static int set_wai(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)t;
    (void)u;
    (void)r;
    return 0;
}

static int get_opc(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)t;
    (void)u;
    return reply_answer(r, 1);
}

static int get_tst(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)t;
    (void)u;
    return reply_answer(r, 0);
}

static int get_esr(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    unsigned esr = t->esr;
    (void)u;
    t->esr = 0;
    return reply_answer(r, esr);
}

static int get_stb(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    unsigned stb = (t->errors.count > 0 ? 4u : 0u) | (r->len > 0 ? 16u : 0u) |
                   ((t->esr & t->ese) != 0 ? 32u : 0u);
    (void)u;
    return reply_answer(r, stb | ((stb & t->sre) != 0 ? 64u : 0u));
}

static int set_mask(const struct wn_scpi_unit *u, unsigned *mask, unsigned without)
{
    static const struct wn_scpi_range byte = {WN_SCPI_PLAIN, 0.0, 255.0, 0.0};
    double value;
    int rc = wn_scpi_number(u->param[0], &byte, &value);
    if (rc == 0) {
        *mask = (unsigned)lround(value) & ~without;
    }
    return rc;
}

static int set_ese(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)r;
    return set_mask(u, &t->ese, 0);
}

static int get_ese(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->ese);
}

static int set_sre(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)r;
    return set_mask(u, &t->sre, 64); /* the summary bit cannot request itself */
}

static int get_sre(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->sre);
}

static int get_error(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    int number = wn_scpi_queue_take(&t->errors);
    (void)u;
    (void)reply_answer(r, number);
    reply_text(r, ",\"");
    reply_text(r, wn_scpi_text_of_error(number));
    reply_text(r, "\"");
    return 0;
}

static int get_error_count(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->errors.count);
}

static int get_version(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)t;
    (void)u;
    reply_begin(r);
    reply_text(r, "1999.0");
    return 0;
}

static int set_function(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    int which;
    (void)r;
    which = wn_scpi_word(u->param[0], function_words, WN_TESTER_FUNCTIONS);
    if (which < 0) {
        return which;
    }
    if (t->output && which != (int)t->set.function) {
        return WN_SCPI_CONFLICT; /* never turn the current round under load */
    }
    t->set.function = (enum wn_tester_function)which;
    return 0;
}

static int get_function(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    reply_begin(r);
    reply_text(r, function_shorts[t->set.function]);
    return 0;
}

static int set_output(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    bool on;
    int rc;
    (void)r;
    rc = wn_scpi_bool(u->param[0], &on);
    if (rc == 0 && !wn_tester_switch(t, on)) {
        return WN_SCPI_CONFLICT; /* latched until OUTPut:PROTection:CLEar or *RST */
    }
    return rc;
}

static int get_output(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->output);
}

static int get_tripped(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return reply_answer(r, t->trips);
}

static int set_clear(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    (void)r;
    t->trips = 0;
    return 0;
}

static void put_time(struct wn_tester *t, struct reply *r)
{
    reply_measured(r, &t->style, (double)(t->time_ns - t->own_zero_ns) / NS_PER_S, 6, "s");
}

/* The decimals are the resolution: 0.1 mV, 0.1 mA, 0.01 K. */
static void put_voltage(struct wn_tester *t, struct reply *r)
{
    reply_measured(r, &t->style, wn_tester_read_voltage(t), 4, "V");
}

static void put_current(struct wn_tester *t, struct reply *r)
{
    reply_measured(r, &t->style, wn_tester_read_current(t), 4, "A");
}

static void put_ambient(struct wn_tester *t, struct reply *r)
{
    reply_measured(r, &t->style, wn_tester_read_ambient(t), 2, "C");
}

static void put_cell_temperature(struct wn_tester *t, struct reply *r)
{
    reply_measured(r, &t->style, wn_tester_read_temperature(t), 2, "C");
}

static int get_all(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    static const struct wn_scpi_range span = {WN_SCPI_SECOND, 0.0, 1e6, REST_DEFAULT_S};
    const char *between = t->style.comma ? ";" : ",";
    bool flows = t->relay || stages_closed(t);
    double span_s = flows ? FLOW_DEFAULT_S : REST_DEFAULT_S;

    if (u->params == 1) {
        int rc = wn_scpi_number(u->param[0], &span, &span_s);
        if (rc != 0) {
            return rc;
        }
    }
    span_s = fmin(span_s, flows ? FLOW_MAX_S : REST_MAX_S);
    tester_measure(t, (int64_t)llround(span_s * NS_PER_S));
    reply_begin(r);
    put_time(t, r);
    reply_text(r, between);
    put_voltage(t, r);
    reply_text(r, between);
    put_current(t, r);
    reply_text(r, between);
    put_cell_temperature(t, r);
    reply_text(r, between);
    put_ambient(t, r);
    reply_text(r, between);
    reply_text(r, t->output ? "1" : "0");
    return 0;
}

static int measure(struct wn_tester *t, void (*put)(struct wn_tester *, struct reply *),
                   struct reply *r)
{
    tester_measure(t, PLAIN_NS);
    reply_begin(r);
    put(t, r);
    return 0;
}

static int get_voltage(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return measure(t, put_voltage, r);
}

static int get_current(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return measure(t, put_current, r);
}

static int get_temperature(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return measure(t, put_cell_temperature, r);
}

static int get_ambient(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return measure(t, put_ambient, r);
}

static int get_time(struct wn_tester *t, const struct wn_scpi_unit *u, struct reply *r)
{
    (void)u;
    return measure(t, put_time, r);
}

/* The most frequent first. */
const struct command wn_tester_commands[] = {
    {"MEASure[:SCALar]:ALL", NULL, 0, get_all, 0, 1},
    {"MEASure[:SCALar]:VOLTage", NULL, 0, get_voltage, 0, 0},
    {"MEASure[:SCALar]:CURRent", NULL, 0, get_current, 0, 0},
    {"MEASure[:SCALar]:TEMPerature", NULL, 0, get_temperature, 0, 0},
    {"MEASure[:SCALar]:TEMPerature:AMBient", NULL, 0, get_ambient, 0, 0},
    {"MEASure[:SCALar]:TIME", NULL, 0, get_time, 0, 0},
    {"SYSTem:ERRor[:NEXT]", NULL, 0, get_error, 0, 0},
    {"SYSTem:ERRor:COUNt", NULL, 0, get_error_count, 0, 0},
    {"SYSTem:VERSion", NULL, 0, get_version, 0, 0},
    {"OUTPut[:STATe]", set_output, 1, get_output, 0, 0},
    {"OUTPut:PROTection:TRIPped", NULL, 0, get_tripped, 0, 0},
    {"OUTPut:PROTection:CLEar", set_clear, 0, NULL, 0, 0},
    {"SOURce:FUNCtion", set_function, 1, get_function, 0, 0},
    {"*IDN", NULL, 0, get_identity, 0, 0},
    {"*CLS", set_cls, 0, NULL, 0, 0},
    {"*RST", set_rst, 0, NULL, 0, 0},
    {"*OPC", set_opc, 0, get_opc, 0, 0},
    {"*WAI", set_wai, 0, NULL, 0, 0},
    {"*TST", NULL, 0, get_tst, 0, 0},
    {"*ESR", NULL, 0, get_esr, 0, 0},
    {"*STB", NULL, 0, get_stb, 0, 0},
    {"*ESE", set_ese, 1, get_ese, 0, 0},
    {"*SRE", set_sre, 1, get_sre, 0, 0},
    {NULL, NULL, 0, NULL, 0, 0},
};

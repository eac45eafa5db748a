/* Virtual bench: the commands of supply, load, thermometer and relay, in SCPI-1999 syntax.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The tree is this project's own. A supply or load with several outputs takes the output as a last
 * parameter "(@2)", or the one that INSTrument:NSELect has chosen. A load's current is positive
 * when it draws; a supply's when it feeds.
 *
 *   all          *IDN? *RST *CLS *OPC *OPC? *WAI *TST? *ESR?
 *                SYSTem:ERRor[:NEXT]? SYSTem:ERRor:COUNt? SYSTem:VERSion? MEASure:TIME?
 *   supply       SOURce:VOLTage V   SOURce:CURRent A   SOURce:VOLTage:PROTection V
 *                SOURce:CURRent:PROTection A   OUTPut[:STATe] ON|OFF   OUTPut:PROTection:TRIPped?
 *                OUTPut:PROTection:CLEar
 *   load         LOAD:MODE CURRent|POWer   LOAD:CURRent A   LOAD:POWer W   LOAD:VOLTage:STOP V
 *                LOAD:VOLTage:PROTection V   LOAD:CURRent:PROTection A   INPut[:STATe] ON|OFF
 *                INPut:STOPped?   INPut:PROTection:TRIPped?   INPut:PROTection:CLEar
 *   both         MEASure:VOLTage? :CURRent? :POWer? :ALL? [S] (time,voltage,current,on)
 *                INSTrument:NSELect N   INSTrument:COUNt?   SYSTem:COMMunicate:TIMeout S
 *   thermometer  MEASure:TEMPerature? [(@1|2)]   MEASure:ALL? [S] (time,first,second)
 *   relay        RELay[:STATe] ON|OFF   RELay:CONTact?   RELay:WATChdog S   RELay:TRIPped?
 *                RELay:CLEar
 * TRIPped? is 1 or 0; after a trip it cannot be switched on until CLEar or *RST. */
#include "virtual_bench/device_internal.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

static void complain(struct wn_inst *i, int number)
{
    wn_scpi_queue_put(&i->errors, number);
    i->esr |= number > -200 ? ESR_CME : number > -300 ? ESR_EXE : number > -400 ? ESR_DDE : ESR_QYE;
}

int device_say(struct work *w, const char *text)
{
    reply_begin(w->r);
    reply_text(w->r, text);
    return 0;
}

void device_put(struct work *w, double value, int decimals, const char *unit)
{
    reply_measured(w->r, &w->i->setup.style, value, decimals, unit);
}

void device_pass(struct work *w, int64_t ns)
{
    wn_bench_measure(w->i->bench, ns);
    reply_begin(w->r);
}

/* At most 5 s while something is connected, like the tester's; so long a reading may take. */
int device_pass_span(struct work *w)
{
    static const struct wn_scpi_range span = {WN_SCPI_SECOND, 0.0, 1e6, 1.0};
    double span_s = 1.0;
    int rc = w->u->params > 0 ? wn_scpi_number(w->u->param[0], &span, &span_s) : 0;

    if (rc == 0) {
        bool flows = w->i->world[0]->relay || stages_closed(w->i->world[0]);
        device_pass(w, llround(fmin(span_s, flows ? 5.0 : 600.0) * 1e9));
    }
    return rc;
}

void device_comma(struct work *w)
{
    reply_text(w->r, w->i->setup.style.comma ? ";" : ",");
}

static int get_identity(struct work *w)
{
    return device_say(w, wn_inst_identity(w->i));
}

static int set_cls(struct work *w)
{
    w->i->errors.count = 0;
    w->i->esr = 0;
    return 0;
}

static int set_rst(struct work *w)
{
    struct wn_inst *i = w->i;

    device_stage_reset(w);
    i->timeout_s = 0.0;
    i->selected = 0;
    if (i->setup.kind == WN_INST_RELAY) {
        wn_inst_relay_clear(i);
        (void)wn_inst_relay_switch(i, false);
        i->relay.watchdog_s = i->setup.watchdog_s;
    }
    return 0;
}

static int set_opc(struct work *w)
{
    w->i->esr |= ESR_OPC;
    return 0;
}

static int set_wai(struct work *w)
{
    (void)w;
    return 0;
}

static int get_one(struct work *w)
{
    return reply_answer(w->r, 1);
}

static int get_zero(struct work *w)
{
    return reply_answer(w->r, 0);
}

static int get_esr(struct work *w)
{
    unsigned esr = w->i->esr;
    w->i->esr = 0;
    return reply_answer(w->r, esr);
}

static int get_error(struct work *w)
{
    int number = wn_scpi_queue_take(&w->i->errors);
    (void)reply_answer(w->r, number);
    reply_text(w->r, ",\"");
    reply_text(w->r, wn_scpi_text_of_error(number));
    reply_text(w->r, "\"");
    return 0;
}

static int get_error_count(struct work *w)
{
    return reply_answer(w->r, w->i->errors.count);
}

static int get_version(struct work *w)
{
    return device_say(w, "1999.0");
}

static int get_time(struct work *w)
{
    device_pass(w, PLAIN_NS);
    device_put(w, wn_inst_clock_s(w->i), 6, "s");
    return 0;
}

static int get_warm_all(struct work *w)
{
    int rc = device_pass_span(w);

    if (rc != 0) {
        return rc;
    }
    device_put(w, wn_inst_clock_s(w->i), 6, "s");
    device_comma(w);
    device_put(w, wn_inst_temperature(w->i, 0), 2, "C");
    device_comma(w);
    device_put(w, wn_inst_temperature(w->i, 1), 2, "C");
    return 0;
}

static int get_temperature(struct work *w)
{
    device_pass(w, PLAIN_NS);
    device_put(w, wn_inst_temperature(w->i, w->channel), 2, "C");
    return 0;
}

static int set_relay(struct work *w)
{
    bool on;
    int rc = wn_scpi_bool(w->u->param[0], &on);

    if (rc == 0 && !wn_inst_relay_switch(w->i, on)) {
        return WN_SCPI_CONFLICT;
    }
    return rc;
}

static int get_relay(struct work *w)
{
    return reply_answer(w->r, w->i->relay.on);
}

static int get_contact(struct work *w)
{
    return reply_answer(w->r, w->i->relay.closed);
}

static int set_watchdog(struct work *w)
{
    static const struct wn_scpi_range range = {WN_SCPI_SECOND, 0.0, 86400.0, 0.0};
    return wn_scpi_number(w->u->param[0], &range, &w->i->relay.watchdog_s);
}

static int get_watchdog(struct work *w)
{
    return reply_answer(w->r, w->i->relay.watchdog_s);
}

static int get_relay_tripped(struct work *w)
{
    return reply_answer(w->r, w->i->relay.tripped);
}

static int set_relay_clear(struct work *w)
{
    wn_inst_relay_clear(w->i);
    return 0;
}

static const struct device_command commands[] = {
    {WARM, "MEASure[:SCALar]:TEMPerature", NULL, 0, get_temperature, 0},
    {WARM, "MEASure[:SCALar]:ALL", NULL, 0, get_warm_all, 1},
    {ALL, "MEASure[:SCALar]:TIME", NULL, 0, get_time, 0},
    {RELAY, "RELay[:STATe]", set_relay, 1, get_relay, 0},
    {RELAY, "RELay:CONTact", NULL, 0, get_contact, 0},
    {RELAY, "RELay:WATChdog", set_watchdog, 1, get_watchdog, 0},
    {RELAY, "RELay:TRIPped", NULL, 0, get_relay_tripped, 0},
    {RELAY, "RELay:CLEar", set_relay_clear, 0, NULL, 0},
    {ALL, "SYSTem:ERRor[:NEXT]", NULL, 0, get_error, 0},
    {ALL, "SYSTem:ERRor:COUNt", NULL, 0, get_error_count, 0},
    {ALL, "SYSTem:VERSion", NULL, 0, get_version, 0},
    {ALL, "*IDN", NULL, 0, get_identity, 0},
    {ALL, "*CLS", set_cls, 0, NULL, 0},
    {ALL, "*RST", set_rst, 0, NULL, 0},
    {ALL, "*OPC", set_opc, 0, get_one, 0},
    {ALL, "*WAI", set_wai, 0, NULL, 0},
    {ALL, "*TST", NULL, 0, get_zero, 0},
    {ALL, "*ESR", NULL, 0, get_esr, 0},
    {0, NULL, NULL, 0, NULL, 0},
};

static int run_number(struct work *w, const struct device_number *n)
{
    double *value = (double *)(void *)((char *)&w->i->stage[w->channel] + n->offset);
    double wanted = *value;
    int rc = 0;

    if (w->u->params > 1) {
        return WN_SCPI_PARAMETER_NOT_ALLOWED;
    }
    if (w->u->params == 0 && !w->u->query) {
        return WN_SCPI_MISSING_PARAMETER;
    }
    if (w->u->params == 1) {
        rc = wn_scpi_number(w->u->param[0], &n->range, &wanted);
    }
    if (rc == 0 && w->u->query) {
        return reply_answer(w->r, wanted);
    }
    if (rc == 0) {
        *value = wanted;
    }
    return rc;
}

static int run_command(struct work *w, const struct device_command *c)
{
    device_handler *run = w->u->query ? c->query : c->set;
    int most = w->u->query ? c->query_max : c->set_params;

    if (run == NULL) {
        return WN_SCPI_UNDEFINED_HEADER;
    }
    if (!w->u->query && w->u->params < c->set_params) {
        return WN_SCPI_MISSING_PARAMETER;
    }
    return w->u->params > most ? WN_SCPI_PARAMETER_NOT_ALLOWED : run(w);
}

/* Takes a channel list of one, "(@2)", off the end of the parameters. */
static int take_channel(struct work *w, struct wn_scpi_unit *u)
{
    bool warm = w->i->setup.kind == WN_INST_THERMOMETER;
    int channels = warm ? 2 : (int)w->i->setup.outputs;
    struct wn_scpi_view v;
    int64_t number;

    w->channel = warm ? 0 : w->i->selected;
    if (u->params == 0) {
        return 0;
    }
    v = u->param[u->params - 1];
    if (v.len < 4 || memcmp(v.at, "(@", 2) != 0 || v.at[v.len - 1] != ')') {
        return 0;
    }
    if (wn_num_parse_int(&v.at[2], v.len - 3, &number) != 0 || number < 1 || number > channels) {
        return WN_SCPI_OUT_OF_RANGE;
    }
    w->channel = (int)number - 1;
    u->params--;
    return 0;
}

static int run_unit(struct work *w, struct wn_scpi_unit *u)
{
    static const struct device_command *const tables[] = {device_stage_commands, commands};
    int kind = 1 << w->i->setup.kind;
    size_t len = strlen(u->header);
    int rc = take_channel(w, u);

    w->u = u;
    if (rc != 0) {
        return rc;
    }
    for (size_t k = 0; k < sizeof tables / sizeof tables[0]; k++) {
        for (const struct device_command *c = tables[k]; c->pattern != NULL; c++) {
            if ((c->kinds & kind) != 0 && wn_scpi_matches(c->pattern, u->header, len)) {
                return run_command(w, c);
            }
        }
    }
    for (const struct device_number *n = device_stage_numbers; n->pattern != NULL; n++) {
        if ((n->kinds & kind) != 0 && wn_scpi_matches(n->pattern, u->header, len)) {
            return run_number(w, n);
        }
    }
    return WN_SCPI_UNDEFINED_HEADER;
}

static void run_line(struct wn_inst *i, struct reply *r, const char *line, size_t len)
{
    struct wn_scpi_reader reader;
    struct wn_scpi_unit unit;
    struct work w = {.i = i, .r = r};
    int rc;

    wn_scpi_reader_init(&reader, line, len);
    while ((rc = wn_scpi_reader_next(&reader, &unit)) > 0) {
        rc = run_unit(&w, &unit);
        if (rc != 0) {
            complain(i, rc);
        }
        if (rc < 0 && rc > -200) {
            return;
        }
    }
    if (rc < 0) {
        complain(i, rc);
    }
}

/* A tester with several outputs is a tester for each of them; one line is for the one it names at
 * its end, "OUTP ON,(@2)", else for the first. NULL: there is none of this number. */
static struct wn_tester *tester_named(struct wn_inst *i, const char *line, size_t *len)
{
    size_t n = *len;
    int k = 0;

    while (n > 0 && (line[n - 1] == '\r' || line[n - 1] == ' ')) {
        n--;
    }
    if (i->setup.outputs > 1.0 && n > 4 && memcmp(&line[n - 4], "(@", 2) == 0 &&
        line[n - 1] == ')') {
        k = line[n - 2] - '1';
        n -= 4;
        while (n > 0 && (line[n - 1] == ',' || line[n - 1] == ' ')) {
            n--;
        }
        *len = n;
    }
    return k >= 0 && k < (int)i->setup.outputs ? i->world[k] : NULL;
}

/* The SCPI tester has a parser of its own; what this instrument adds goes in and out again. */
static size_t run_tester(struct wn_inst *i, const char *line, size_t len, char *reply)
{
    struct wn_tester *t = tester_named(i, line, &len);
    size_t n;

    if (t == NULL) {
        return 0;
    }

    if (wn_inst_identity(i)[0] != '\0') { /* else that of the command line */
        memcpy(t->setup.identity, wn_inst_identity(i), sizeof t->setup.identity);
    }
    t->style = i->setup.style;
    n = wn_tester_execute(t, line, len, reply);
    t->style = (struct wn_number_style){.comma = false};
    return n;
}

static size_t run_talker(struct wn_inst *i, const char *line, size_t len)
{
    size_t want = strlen(i->setup.stop);

    while (len > 0 && (line[len - 1] == '\r' || line[len - 1] == ' ')) {
        len--;
    }
    if (want > 0 && len == want && memcmp(line, i->setup.stop, want) == 0) {
        wn_talker_stop(&i->talker, i->world[0]);
    }
    return 0;
}

size_t wn_device_execute(struct wn_inst *i, const char *line, size_t len, char *text)
{
    struct reply r = {.text = text};

    if (i->setup.kind == WN_INST_TESTER) {
        return run_tester(i, line, len, text);
    }
    if (i->setup.kind == WN_INST_TALKER) {
        return run_talker(i, line, len);
    }
    run_line(i, &r, line, len);
    if (r.full) {
        complain(i, WN_SCPI_DEADLOCKED);
        return 0;
    }
    return r.len;
}

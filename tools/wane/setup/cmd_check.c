/* wane check: what a campaign would do, before it is started.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "wane.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "base/qty.h"
#include "envelope/envelope.h"
#include "port/address.h"
#include "port/clock.h"
#include "report/table.h"

enum { CELL, PROCEDURE };

static const struct wane_option options[] = {
    [CELL] = {"cell", 0, WANE_TEXT, "CELL", "cells/CELL.conf of the configuration"},
    [PROCEDURE] = {"procedure", 0, WANE_TEXT, "PROCEDURE", "procedures/PROCEDURE.conf"},
};

struct plan {
    struct wn_station_config station;
    struct wn_cell cell;
    struct wn_procedure procedure;
    struct wn_dialect dialect[WN_INSTRUMENTS_MAX];
    bool simulated;
    struct wn_engine_setup setup;
    struct wn_estimate estimate;
    struct wn_problems problems;
};

static int read_plan(const struct wn_daemon_config *d, const char *cell, const char *procedure,
                     struct plan *p)
{
    int rc = wn_config_read_dialects(d->conf_dir, &p->station, p->dialect, &p->problems);
    int read = wn_config_read_cell(d->conf_dir, cell, &p->cell, &p->problems);
    rc = rc == WN_OK ? read : rc;
    if (read == WN_OK) { /* a procedure only means something for a cell */
        read =
            wn_config_read_procedure(d->conf_dir, procedure, &p->cell, &p->procedure, &p->problems);
        rc = rc == WN_OK ? read : rc;
    }
    rc = rc == WN_OK ? wn_config_engine_setup(&p->station, &p->cell, &p->procedure, p->dialect,
                                              &p->setup, &p->problems)
                     : rc;
    if (rc == WN_OK) {
        p->simulated = wn_config_simulated(&p->station, p->dialect);
        wn_procedure_estimate(&p->procedure, p->cell.rated_capacity_ah, p->cell.nominal_voltage_v,
                              &p->estimate);
    }
    return rc;
}

static void put_steps(json_t *list, const struct wn_procedure *p, int first, int n)
{
    char text[WN_STEP_DESCRIBE_SIZE];
    for (int i = first; i < first + n; i++) {
        (void)json_array_append_new(list,
                                    json_string(wn_step_describe(&p->step[i], text, sizeof text)));
    }
}

static json_t *phases_json(const struct wn_procedure *p)
{
    json_t *list = json_array();
    for (int i = 0; i < p->phases; i++) {
        const struct wn_phase *phase = &p->phase[i];
        json_t *o = json_object(), *steps = json_array();
        wane_put(o, "name", json_string(phase->name));
        wane_put(o, "repeat", json_integer(phase->repeat));
        wane_put(o, "makes_cycles", json_boolean(phase->makes_cycles));
        put_steps(steps, p, phase->first_step, phase->steps);
        wane_put(o, "steps", steps);
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *rules_json(const struct wn_limits *l)
{
    json_t *list = json_array();
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        enum wn_rule rule = (enum wn_rule)i;
        char limit[80];
        json_t *o = json_object();
        wane_put(o, "rule", json_string(wn_rule_word(rule)));
        wane_put(o, "limit", json_string(wn_rule_limit_format(l, rule, limit, sizeof limit)));
        wane_put(o, "readings", json_integer(wn_rule_debounce(l, rule)));
        wane_put(o, "reaction",
                 json_string(wn_rule_reaction(rule) == WN_REACTION_HALT ? "halt" : "warn"));
        wane_put(o, "text", json_string(wn_rule_text(rule)));
        (void)json_array_append_new(list, o);
    }
    return list;
}

static json_t *faults_json(void)
{
    json_t *list = json_array();
    for (int i = 0; i < WN_FAULT_COUNT; i++) {
        enum wn_fault fault = (enum wn_fault)i;
        json_t *o = json_object();
        wane_put(o, "fault", json_string(wn_fault_word(fault)));
        wane_put(o, "reaction", json_string(wn_fault_reaction(fault)));
        wane_put(o, "text", json_string(wn_fault_text(fault)));
        (void)json_array_append_new(list, o);
    }
    return list;
}

/* How well the bench measures, and whether that is what the standard asks for. */
struct measuring_plan {
    double voltage_v, current_a; /* largest error at the cut-off, at 0.2 It */
    char unmet[400], out_of_date[400];
};

static void look_at_measuring(const struct plan *p, struct measuring_plan *m)
{
    const struct wn_clock *clock = wn_clock_real();
    wn_utc_us now = clock->ops->utc(clock);
    struct wn_calibration c;
    struct wn_accuracy a;
    wn_config_calibration_of_results(&p->station, &c);
    wn_calibration_accuracy(&c, &p->station.accuracy, now, &a);
    const struct wn_tolerance_use use = wn_tolerance_use_of(
        p->cell.discharge_cutoff_v, p->cell.rated_capacity_ah, p->setup.limits.needs_temperature);
    m->voltage_v = a.voltage_reading * use.voltage_v + a.voltage_fixed_v;
    m->current_a = a.current_reading * use.current_a + a.current_fixed_a;
    (void)wn_tolerances_unmet(&a, &use, m->unmet, sizeof m->unmet);
    m->out_of_date[0] = '\0';
    for (int n = 0; n < p->station.instruments; n++) {
        char text[200];
        size_t len = strlen(m->out_of_date);
        wn_config_calibration_of(&p->station, n, &c);
        if (wn_calibration_out_of_date(&c, now, text, sizeof text) > 0) {
            (void)snprintf(m->out_of_date + len, sizeof m->out_of_date - len, "%s%s: %s",
                           len > 0 ? "; " : "", wn_instrument_name(&p->station.instrument[n]),
                           text);
        }
    }
}

static json_t *measuring_json(const struct plan *p)
{
    struct measuring_plan m;
    json_t *o = json_object();
    look_at_measuring(p, &m);
    wane_put(o, "voltage_error_v", wane_number(m.voltage_v));
    wane_put(o, "current_error_a", wane_number(m.current_a));
    wane_put(o, "tolerances_unmet", m.unmet[0] != '\0' ? json_string(m.unmet) : json_null());
    wane_put(o, "calibration_out_of_date",
             m.out_of_date[0] != '\0' ? json_string(m.out_of_date) : json_null());
    return o;
}

static int print_json(const struct plan *p)
{
    json_t *o = json_object(), *check_up = json_array();
    const struct wn_estimate *e = &p->estimate;
    put_steps(check_up, &p->procedure, p->procedure.check_up_first_step,
              p->procedure.check_up_steps);
    wane_put(o, "station", json_string(p->station.name));
    wane_put(o, "cell", json_string(p->cell.name));
    wane_put(o, "procedure", json_string(p->procedure.name));
    wane_put(o, "simulated", json_boolean(p->simulated));
    wane_put(o, "cycles", json_integer(e->cycles));
    wane_put(o, "check_ups", json_integer(e->check_ups));
    wane_put(o, "steps", json_integer(e->steps));
    wane_put(o, "expected_duration_s", wane_number(e->duration_s));
    wane_put(o, "expected_energy_in_wh", wane_number(e->energy_in_wh));
    wane_put(o, "expected_energy_out_wh", wane_number(e->energy_out_wh));
    wane_put(o, "phases", phases_json(&p->procedure));
    wane_put(o, "check_up_steps", check_up);
    wane_put(o, "envelope", rules_json(&p->setup.limits));
    wane_put(o, "faults", faults_json());
    wane_put(o, "measuring", measuring_json(p));
    return wane_print_json(o);
}

static void print_steps(const struct wn_procedure *p, int first, int n)
{
    char text[WN_STEP_DESCRIBE_SIZE];
    for (int i = first; i < first + n; i++) {
        (void)printf("    %d  %s\n", i - first + 1,
                     wn_step_describe(&p->step[i], text, sizeof text));
    }
}

static void print_procedure(const struct wn_procedure *p)
{
    char ah[WN_NUM_SIZE];
    for (int i = 0; i < p->phases; i++) {
        const struct wn_phase *phase = &p->phase[i];
        (void)printf("  phase %s, %" PRId64 " %s\n", phase->name, phase->repeat,
                     phase->makes_cycles  ? phase->repeat == 1 ? "cycle" : "cycles"
                     : phase->repeat == 1 ? "time"
                                          : "times");
        print_steps(p, phase->first_step, phase->steps);
    }
    if (p->check_up_steps > 0) {
        (void)printf("  check-up before the first cycle, every %" PRId64
                     " cycles and after the last\n",
                     p->check_up_every);
        print_steps(p, p->check_up_first_step, p->check_up_steps);
    }
    if (p->end_below_ah > 0) {
        (void)printf("  ends early after three valid cycles in a row below %s Ah\n",
                     wn_num_format(p->end_below_ah, 5, ah, sizeof ah));
    }
}

static void print_estimate(const struct plan *p)
{
    const struct wn_estimate *e = &p->estimate;
    char span[WN_SPAN_SIZE], in[WN_NUM_SIZE], out[WN_NUM_SIZE], days[WN_NUM_SIZE];
    (void)printf("\nExpected, for a cell of its rated capacity (an estimate)\n"
                 "  %" PRId64 " cycles and %" PRId64 " check-ups in %s (%s days)\n"
                 "  energy in %s kWh, out %s kWh\n",
                 e->cycles, e->check_ups, wn_span_format(e->duration_s, span, sizeof span),
                 wn_num_fixed(e->duration_s / 86400, 1, days, sizeof days),
                 wn_num_format(e->energy_in_wh / 1e3, 3, in, sizeof in),
                 wn_num_format(e->energy_out_wh / 1e3, 3, out, sizeof out));
}

static int print_envelope(const struct wane *w, const struct plan *p, struct wn_error *err)
{
    static const char *const headings[] = {"rule", "limit", "readings", "then", "when"};
    struct wn_table *t = wn_table_create("llrll", headings);
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        enum wn_rule rule = (enum wn_rule)i;
        char limit[80];
        wn_table_text(t, wn_rule_word(rule));
        wn_table_text(t, wn_rule_limit_format(&p->setup.limits, rule, limit, sizeof limit));
        wn_table_integer(t, wn_rule_debounce(&p->setup.limits, rule));
        wn_table_text(t, wn_rule_reaction(rule) == WN_REACTION_HALT ? "halt" : "warn");
        wn_table_text(t, wn_rule_text(rule));
    }
    (void)puts("\nEnvelope: the tightest of station, cell and procedure; a rule trips after so "
               "many readings in a row");
    int rc = wn_table_print(t, stdout, w->colour, err);
    wn_table_destroy(t);
    return rc;
}

static int print_faults(const struct wane *w, struct wn_error *err)
{
    static const char *const headings[] = {"fault", "then", "when"};
    struct wn_table *t = wn_table_create("lll", headings);
    for (int i = 0; i < WN_FAULT_COUNT; i++) {
        enum wn_fault fault = (enum wn_fault)i;
        wn_table_text(t, wn_fault_word(fault));
        wn_table_text(t, wn_fault_reaction(fault));
        wn_table_text(t, wn_fault_text(fault));
    }
    (void)puts("\nAnd what no reading shows");
    int rc = wn_table_print(t, stdout, w->colour, err);
    wn_table_destroy(t);
    return rc;
}

/* The service runs its programs as another user: what cannot be run from here is a caution. */
static void print_program(const char *kind, const char *program)
{
    if (access(program, X_OK) != 0) {
        (void)printf("  The %s %s cannot be run (%s): nobody is told through it\n", kind, program,
                     strerror(errno));
    }
}

static void print_alerts(const struct wn_alert_config *alert)
{
    if (!wn_alert_has_target(alert)) {
        (void)puts("  alerts = \"none\": nobody is told of an alarm");
    }
    for (int i = 0; i < alert->hooks; i++) {
        print_program("hook", alert->hook[i].program);
    }
    if (alert->ping.hook.program[0] != '\0') {
        print_program("ping", alert->ping.hook.program);
    }
}

static bool has_relay(const struct wn_station_config *c)
{
    bool relay = false;
    for (int i = 0; i < c->instruments; i++) {
        relay = relay || c->instrument[i].role == WN_ROLE_RELAY;
    }
    return relay;
}

static bool programs_time_out(const struct wn_dialect *d)
{
    for (int i = 0; i < d->setup.n; i++) {
        if (strstr(d->setup.line[i], "{timeout_s}") != NULL) {
            return true;
        }
    }
    const struct wn_map_sequence *q = &d->modbus.when[WN_MAP_SETUP];
    for (int i = 0; d->protocol == WN_PROTOCOL_MODBUS && i < q->writes; i++) {
        if (strcmp(q->write[i].value, "timeout_s") == 0) {
            return true;
        }
    }
    return false;
}

/* A port of several: said once for each. */
static void print_shared(const struct wn_daemon_config *d, const struct plan *p, int n)
{
    char wait[WN_QTY_SIZE], gap[WN_QTY_SIZE];
    const char *port = p->station.instrument[n].port;
    int users = wn_config_port_users(d, port);
    for (int i = 0; i < n; i++) {
        users = strcmp(p->station.instrument[i].port, port) == 0 ? 0 : users;
    }
    if (users > 1) {
        double wait_s = p->dialect[n].reply_timeout_s * (users + 1);
        (void)printf(
            "  %s is shared by %d: while others do not answer a reading may take %s; gap_max "
            "is %s%s\n",
            port, users, wn_qty_format(wait_s, WN_DIM_TIME, wait, sizeof wait),
            wn_qty_format(p->station.gap_max_s, WN_DIM_TIME, gap, sizeof gap),
            wait_s > p->station.gap_max_s ? ", which is less: choose a longer one" : "");
    }
}

/* A network between the computer and the instrument. */
static void print_remote(const char *port, const struct wn_dialect *d)
{
    char host[WN_ADDRESS_HOST_SIZE];
    int64_t number = 0;
    if (!wn_address_is_remote(port)) {
        return;
    }
    (void)wn_address_split(port, host, &number, NULL);
    (void)printf("  %s is behind a network: when it is lost the instrument goes on as it was told "
                 "last%s\n",
                 host,
                 programs_time_out(d)
                     ? ", until its own time-out switches it off: try that"
                     : ";\n  the dialect sets no time-out of its own ({timeout_s} in setup)");
}

static void print_cautions(const struct wn_daemon_config *d, const struct plan *p)
{
    (void)puts("\nCautions");
    if (p->simulated) {
        (void)puts(
            "  SIMULATED: this station is a virtual bench; no cell is harmed and none is measured");
    }
    (void)puts("  Fire-safe containment and a smoke alarm; never rely on software alone: cut-out, "
               "fuse, energised interlock\n"
               "  Be there for the first cycles; four-wire sensing; local codes; licensed people "
               "for mains wiring");
    bool nothing;
    const char *halting = wn_config_halting(&p->station, p->dialect, &nothing);
    if (halting != NULL) {
        (void)printf("  %s\n%s", halting,
                     nothing ? "  wane start refuses it without --nothing-stops-it\n" : "");
        (void)puts("  The procedure only tells what that program is: cycles, currents and cut-off "
                   "must be set on the tester");
    }
    if (!p->setup.limits.needs_temperature) {
        (void)puts(
            "  No cell temperature is asked for: nothing here would notice an overheating cell");
    }
    for (int i = 0; i < WN_RULE_COUNT; i++) {
        char limit[120];
        if (strcmp(wn_rule_limit_format(&p->setup.limits, (enum wn_rule)i, limit, sizeof limit),
                   "off") == 0) {
            (void)printf("  The rule %s is off\n", wn_rule_word((enum wn_rule)i));
        }
    }
    if (!p->simulated && !has_relay(&p->station) && p->station.interlock != WN_INTERLOCK_BETWEEN) {
        (void)printf("  %s\n",
                     p->station.interlock == WN_INTERLOCK_NONE ||
                             p->station.interlock == WN_INTERLOCK_UNSAID
                         ? "No interlock is configured: nothing disconnects the cell when "
                           "the instrument does not obey"
                         : "The interlock hangs on one line: it closes whenever the port is "
                           "opened");
    }
    for (int i = 0; i < p->station.instruments; i++) {
        const char *port = p->station.instrument[i].port;
        if (strncmp(port, "/dev/ttyUSB", 11) == 0 || strncmp(port, "/dev/ttyACM", 11) == 0) {
            (void)printf("  %s changes its name when something is plugged in: use "
                         "/dev/serial/by-id or by-path\n",
                         port);
        }
        print_shared(d, p, i);
        if (wn_role_switches(p->station.instrument[i].role)) {
            print_remote(port, &p->dialect[i]);
        }
    }
    print_alerts(&d->alert);
    if (p->station.on_restart == WN_RESTART_RESUME) {
        (void)puts("  on_restart = \"resume\": after a crash or power cut it goes on by itself");
    }
}

static void print_measuring(const struct plan *p)
{
    char v[WN_NUM_SIZE], i[WN_NUM_SIZE];
    struct measuring_plan m;
    look_at_measuring(p, &m);
    (void)printf("\nMeasuring: within +/-%s mV at the cut-off, within +/-%s mA at 0.2 It\n",
                 wn_num_format(m.voltage_v * 1e3, 3, v, sizeof v),
                 wn_num_format(m.current_a * 1e3, 3, i, sizeof i));
    if (m.unmet[0] != '\0') {
        (void)printf("  not within the measuring tolerances of IEC 61960-3: %s\n", m.unmet);
    }
    if (m.out_of_date[0] != '\0') {
        (void)printf("  %s: the data sheet is taken\n", m.out_of_date);
    }
}

static int print_text(struct wane *w, const struct wn_daemon_config *d, const struct plan *p)
{
    struct wn_error err = {0};
    char place[WN_PLACE_SIZE];
    (void)wn_config_place(&p->station.instrument[0], place);
    (void)printf("Station %s%s: %s on %s%s%s\n", p->station.name,
                 p->simulated ? " (SIMULATED)" : "", p->dialect[0].title,
                 p->station.instrument[0].port, place[0] != '\0' ? " " : "", place);
    for (int i = 1; i < p->station.instruments; i++) {
        const struct wn_instrument_config *c = &p->station.instrument[i];
        (void)wn_config_place(c, place);
        (void)printf("  with a %s: %s on %s%s%s\n", wn_instrument_name(c), p->dialect[i].title,
                     c->port, place[0] != '\0' ? " " : "", place);
    }
    (void)printf("Cell %s: %s\n", p->cell.name, p->cell.title);
    (void)printf("Procedure %s: %s\n", p->procedure.name, p->procedure.title);
    print_procedure(&p->procedure);
    print_estimate(p);
    int rc = print_envelope(w, p, &err);
    if (rc == WN_OK) {
        rc = print_faults(w, &err);
    }
    if (rc != WN_OK) {
        return wane_fail(w, &err);
    }
    print_measuring(p);
    print_cautions(d, p);
    return wane_flush();
}

static int run(struct wane *w, const struct wane_args *a)
{
    if (!a->value[CELL].given || !a->value[PROCEDURE].given) {
        return wane_usage(w, "which %s? wane check %s", a->value[CELL].given ? "procedure" : "cell",
                          w->command->synopsis);
    }
    const struct wn_station_config *s = wane_station(w, a);
    struct plan *p = s != NULL ? calloc(1, sizeof *p) : NULL;
    if (p == NULL) {
        return WANE_FAILED;
    }
    p->station = *s;
    int rc = WANE_FAILED;
    if (read_plan(w->daemon, a->value[CELL].text, a->value[PROCEDURE].text, p) != WN_OK) {
        wn_problems_print(&p->problems, stderr, "");
    } else {
        rc = w->json ? print_json(p) : print_text(w, w->daemon, p);
    }
    free(p);
    return rc;
}

const struct wane_command cmd_check = {
    .name = "check",
    .synopsis = "STATION --cell CELL --procedure PROCEDURE",
    .summary = "what a campaign would do, and every mistake in its configuration",
    .text = "Reads the configuration as a start would and prints every step, the expected\n"
            "days, energy and cycles, every rule of the envelope with its limit, and the\n"
            "cautions; or every mistake with file, line and what to write instead. Needs no\n"
            "running service and touches no instrument.\n",
    .examples = "  wane check A --cell demo-18650 --procedure datasheet-claim\n"
                "  wane check A --cell demo-18650 --procedure rate-survey --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

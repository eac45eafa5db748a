/* Virtual bench: its command line.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* getopt_long */
#include "virtual_bench/options.h"

#include <getopt.h>
#include <math.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "base/time.h"

enum option_id {
    OPT_LINK,
    OPT_TRUTH,
    OPT_OUTPUT_LOG,
    OPT_CELL,
    OPT_SEED,
    OPT_SERIAL,
    OPT_IDENTITY,
    OPT_FAULT,
    OPT_FAULT_LOG,
    OPT_HELP,
    OPT_VERSION,
    OPT_KINDS,                              /* from here on, one for each kind of instrument */
    OPT_NUMBERS = OPT_KINDS + WN_INST_KINDS /* and for each row of numbers */
};

struct number {
    const char *name;
    size_t offset; /* of a double in struct wn_bench_options */
    double min, max;
    double unit; /* what is written, times this, is what is kept */
};

#define AT(member) offsetof(struct wn_bench_options, member)

static const struct number numbers[] = {
    {"pace", AT(pace), 0.0, 1e9, 1.0},
    {"speed", AT(speed), 1e-3, 1e5, 1.0},
    {"cells", AT(cells), 1.0, WN_BENCH_CELLS_MAX, 1.0},
    {"truth-cutoff", AT(tester.truth_cutoff_v), 0.0, 6.0, 1.0},
    {"soc", AT(tester.soc), 0.0, 1.0, 1.0},
    {"aged", AT(tester.wear), 0.0, 1e5, 1.0},
    {"ambient", AT(tester.ambient_c), -40.0, 100.0, 1.0},
    {"ambient-swing", AT(tester.ambient_swing_c), 0.0, 50.0, 1.0},
    {"voltage-gain-ppm", AT(tester.accuracy.voltage_gain), -1e5, 1e5, 1e-6},
    {"voltage-offset-mv", AT(tester.accuracy.voltage_offset_v), -1e3, 1e3, 1e-3},
    {"voltage-noise-mv", AT(tester.accuracy.voltage_noise_v), 0.0, 1e3, 1e-3},
    {"current-gain-ppm", AT(tester.accuracy.current_gain), -1e5, 1e5, 1e-6},
    {"current-offset-ma", AT(tester.accuracy.current_offset_a), -1e4, 1e4, 1e-3},
    {"current-noise-ma", AT(tester.accuracy.current_noise_a), 0.0, 1e4, 1e-3},
    {"temperature-offset-k", AT(tester.accuracy.temperature_offset_c), -200.0, 200.0, 1.0},
    {"temperature-noise-k", AT(tester.accuracy.temperature_noise_c), 0.0, 50.0, 1.0},
};

enum { NUMBERS = sizeof numbers / sizeof numbers[0] };

static int read_number(struct wn_bench_options *o, const struct number *n, const char *text,
                       struct wn_error *err)
{
    double value;

    if (wn_num_parse(text, strlen(text), &value) != WN_OK || !(value >= n->min) ||
        !(value <= n->max)) {
        return wn_error_set(err, WN_EINVAL, "--%s %s: write a number from %g to %g", n->name, text,
                            n->min, n->max);
    }
    *(double *)(void *)((char *)o + n->offset) = value * n->unit;
    return WN_OK;
}

/* "TEXT[@SECONDS]" */
static int read_fault(struct wn_tester_setup *s, const char *text, struct wn_error *err)
{
    const char *at = strchr(text, '@');
    size_t len = at != NULL ? (size_t)(at - text) : strlen(text);
    double time_s = 0.0;
    struct wn_tester_plan *plan;
    int n;

    if (s->plans == WN_TESTER_PLANS_MAX) {
        return wn_error_set(err, WN_ERANGE, "--fault: at most %d of them", WN_TESTER_PLANS_MAX);
    }
    if (at != NULL && (wn_num_parse(at + 1, strlen(at + 1), &time_s) != WN_OK || !(time_s >= 0.0) ||
                       time_s > 1e9)) {
        return wn_error_set(err, WN_EINVAL, "--fault \"%s\": write seconds behind the @", text);
    }
    plan = &s->plan[s->plans];
    plan->time_ns = wn_ns_from_s(time_s);
    n = snprintf(plan->text, sizeof plan->text, "SIM:FAUL:%.*s", (int)len, text);
    if (n < 0 || (size_t)n >= sizeof plan->text || len == 0 || memchr(text, ';', len) != NULL) {
        return wn_error_set(err, WN_EINVAL, "--fault \"%s\": one fault, as --help lists them",
                            text);
    }
    s->plans++;
    return WN_OK;
}

/* Runs the faults once on a bench of its own: a wrong word is told now, not in mid-campaign. */
static int check_faults(const struct wn_tester_setup *setup, struct wn_error *err)
{
    static struct wn_tester t;
    char reply[WN_TESTER_REPLY_SIZE];

    for (int i = 0; i < setup->plans; i++) {
        struct wn_tester_setup alone = *setup;
        alone.plans = 0;
        wn_tester_init(&t, &alone);
        (void)wn_tester_execute(&t, setup->plan[i].text, strlen(setup->plan[i].text), reply);
        if (t.errors.count > 0) {
            return wn_error_set(err, WN_EINVAL, "--fault \"%s\": %s; --help lists the faults",
                                strchr(strchr(setup->plan[i].text, ':') + 1, ':') + 1,
                                wn_scpi_text_of_error(wn_scpi_queue_take(&t.errors)));
        }
    }
    return WN_OK;
}

static int choose_cell(struct wn_tester_setup *s, const char *name, struct wn_error *err)
{
    const struct wn_cell_params *p = wn_cell_preset_named(name);

    if (p == NULL) {
        return wn_error_set(err, WN_EUNKNOWN, "--cell %s: no such cell; --help lists them", name);
    }
    s->cell = *p;
    return WN_OK;
}

static int read_seed(struct wn_tester_setup *s, const char *text, struct wn_error *err)
{
    int64_t seed;

    if (wn_num_parse_int(text, strlen(text), &seed) != WN_OK || seed < 0) {
        return wn_error_set(err, WN_EINVAL, "--seed %s: write a whole number from 0 on", text);
    }
    s->seed = (uint64_t)seed;
    return WN_OK;
}

static int read_identity(struct wn_tester_setup *s, const char *format, const char *text,
                         const char *version, struct wn_error *err)
{
    int n = snprintf(s->identity, sizeof s->identity, "%s%s%s%s", format, text,
                     version[0] != '\0' ? "," : "", version);

    for (const char *c = s->identity; *c != '\0'; c++) {
        if ((unsigned char)*c < ' ' || (unsigned char)*c > '~') {
            n = -1;
        }
    }
    return n > 0 && (size_t)n < sizeof s->identity
               ? WN_OK
               : wn_error_set(err, WN_EINVAL, "--identity, --serial: at most %zu plain characters",
                              sizeof s->identity - 1);
}

/* "LINK[,SWITCH]..." */
static int read_inst(struct wn_bench_options *o, enum wn_inst_kind kind, const char *text,
                     struct wn_error *err)
{
    struct wn_bench_inst *i = &o->inst[o->insts];
    size_t len = strcspn(text, ",");
    struct wn_error why = {0};

    if (o->insts == WN_BENCH_INSTS_MAX) {
        return wn_error_set(err, WN_ERANGE, "--%s: at most %d instruments", wn_inst_kind_name(kind),
                            WN_BENCH_INSTS_MAX);
    }
    if (len == 0 || len >= sizeof i->link) {
        return wn_error_set(err, WN_EINVAL,
                            "--%s %s: write LINK[,SWITCH...]; LINK - makes none, LINK + shares",
                            wn_inst_kind_name(kind), text);
    }
    wn_inst_setup_init(&i->setup, kind);
    i->joins = text[0] == '+' && len == 1;
    if (i->joins && (!wn_inst_kind_has_address(kind) || o->insts == 0 ||
                     !wn_inst_kind_has_address(i[-1].setup.kind))) {
        return wn_error_set(
            err, WN_EINVAL,
            "--%s +: only MODBUS instruments share a line: the one before it and it",
            wn_inst_kind_name(kind));
    }
    (void)snprintf(i->link, sizeof i->link, "%.*s", (int)len,
                   (text[0] == '-' && len == 1) || i->joins ? "" : text);
    while (text[len] == ',') {
        char one[2 * WN_INST_TEXT];
        text += len + 1;
        len = strcspn(text, ",");
        if (len >= sizeof one) {
            return wn_error_set(err, WN_ERANGE, "--%s: a switch is too long",
                                wn_inst_kind_name(kind));
        }
        memcpy(one, text, len);
        one[len] = '\0';
        if (wn_inst_set(&i->setup, one, &why) != WN_OK) {
            return wn_error_set(err, WN_EINVAL, "--%s: %s", wn_inst_kind_name(kind), why.text);
        }
    }
    o->insts++;
    return WN_OK;
}

/* Beside other instruments the tester of --link is one of several, too. */
static int settle(struct wn_bench_options *o, struct wn_error *err)
{
    bool talks = false;

    if (o->insts == 0) {
        return !isnan(o->speed) || o->cells > 1.0
                   ? wn_error_set(err, WN_EINVAL,
                                  "--speed, --cells: only with --tester or another instrument")
                   : WN_OK;
    }
    if (o->pace > 0.0) {
        return wn_error_set(err, WN_EINVAL, "--pace: with several instruments write --speed");
    }
    if (o->link != NULL) {
        int rc = read_inst(o, WN_INST_TESTER, o->link, err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    for (int i = 0; i < o->insts; i++) {
        const struct wn_inst_setup *s = &o->inst[i].setup;
        talks = talks || s->kind == WN_INST_TALKER || s->kind == WN_INST_TALKING_THERMOMETER;
        if (s->cell > floor(o->cells)) {
            return wn_error_set(err, WN_EINVAL, "--%s: cell=%g, and there are %g (--cells)",
                                wn_inst_kind_name(s->kind), s->cell, floor(o->cells));
        }
    }
    o->speed = !isnan(o->speed) ? o->speed : talks ? 1.0 : 0.0;
    return WN_OK;
}

static int read_option(struct wn_bench_options *o, int id, const char *version,
                       struct wn_error *err)
{
    switch (id) {
    case OPT_LINK:
        o->link = optarg;
        return WN_OK;
    case OPT_TRUTH:
        o->truth = optarg;
        return WN_OK;
    case OPT_OUTPUT_LOG:
        o->output_log = optarg;
        return WN_OK;
    case OPT_CELL:
        return choose_cell(&o->tester, optarg, err);
    case OPT_SEED:
        return read_seed(&o->tester, optarg, err);
    case OPT_SERIAL:
        return read_identity(&o->tester, "wane project,virtual bench,SIMULATED-", optarg, version,
                             err);
    case OPT_IDENTITY:
        return read_identity(&o->tester, "", optarg, "", err);
    case OPT_FAULT:
        return read_fault(&o->tester, optarg, err);
    case OPT_FAULT_LOG:
        o->fault_log = optarg;
        return WN_OK;
    case OPT_HELP:
        o->help = true;
        return WN_OK;
    case OPT_VERSION:
        o->version = true;
        return WN_OK;
    default:
        if (id < OPT_NUMBERS) {
            return read_inst(o, (enum wn_inst_kind)(id - OPT_KINDS), optarg, err);
        }
        return read_number(o, &numbers[id - OPT_NUMBERS], optarg, err);
    }
}

int wn_bench_options_read(struct wn_bench_options *o, int argc, char **argv, const char *version,
                          struct wn_error *err)
{
    static const char *const names[OPT_KINDS] = {"link",      "truth",  "output-log", "cell",
                                                 "seed",      "serial", "identity",   "fault",
                                                 "fault-log", "help",   "version"};
    struct option all[OPT_NUMBERS + NUMBERS + 1] = {{NULL, 0, NULL, 0}};
    int rc;
    int id;

    for (int i = 0; i < OPT_NUMBERS + NUMBERS; i++) {
        all[i].name = i < OPT_KINDS     ? names[i]
                      : i < OPT_NUMBERS ? wn_inst_kind_name((enum wn_inst_kind)(i - OPT_KINDS))
                                        : numbers[i - OPT_NUMBERS].name;
        all[i].has_arg = i == OPT_HELP || i == OPT_VERSION ? no_argument : required_argument;
        all[i].val = i;
    }
    *o = (struct wn_bench_options){.speed = NAN, .cells = 1.0};
    (void)wn_tester_setup_init(&o->tester, NULL); /* the first cell always exists */
    rc = read_identity(&o->tester, "wane project,virtual bench,SIMULATED-", "1", version, err);
    opterr = 0;
    while (rc == WN_OK && (id = getopt_long(argc, argv, "", all, NULL)) != -1) {
        if (id == '?') {
            return wn_error_set(err, WN_EINVAL, "%s: unknown, or without its value; see --help",
                                argv[optind - 1]);
        }
        rc = read_option(o, id, version, err);
    }
    if (rc == WN_OK && optind < argc) {
        rc = wn_error_set(err, WN_EINVAL, "%s: not an option; see --help", argv[optind]);
    }
    if (rc == WN_OK) {
        rc = settle(o, err);
    }
    return rc == WN_OK ? check_faults(&o->tester, err) : rc;
}

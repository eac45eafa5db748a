/* wane import: a recorded log becomes a campaign file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "import.h"
#include "port/clock.h"

enum { OUTPUT, CUTOFF, END, RATED, NAME, GAP, SKIP };

enum { ROWS_PER_COMMIT = 20000 };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE.wane", "else NAME.wane in this directory"},
    [CUTOFF] = {"cutoff-v", 0, WANE_NUMBER, "X",
                "capacity down to this voltage; else of the whole discharge"},
    [END] = {"end", 0, WANE_TEXT, "reading|crossing", "what counts as reaching it; see above"},
    [RATED] = {"rated-ah", 0, WANE_NUMBER, "X",
               "rated capacity of the cell, for retention and projection"},
    [NAME] = {"name", 0, WANE_TEXT, "NAME",
              "of the campaign; else that of the campaign file, or of the log"},
    [GAP] = {"gap-max-s", 0, WANE_NUMBER, "X",
             "a longer interval is a gap: not integrated, and flagged in a discharge"},
    [SKIP] = {"skip-bad", 0, WANE_FLAG, NULL,
              "leave out rows that cannot be used, and say how many"},
};

struct job {
    const char *source;
    char name[64], path[512];
    FILE *f;
    struct log_survey survey;
    struct rounds rounds;
    struct wn_campaign *campaign;
    bool created;
};

/* "dir/log.csv" -> "log"; the length of it. */
static size_t stem(const char *path, const char **base)
{
    const char *slash = strrchr(path, '/');
    *base = slash != NULL ? slash + 1 : path;
    const char *dot = strrchr(*base, '.');
    return dot != NULL && dot != *base ? (size_t)(dot - *base) : strlen(*base);
}

static int make_names(struct wane *w, const struct wane_args *a, struct job *j)
{
    const char *base = NULL;
    size_t n = stem(a->value[OUTPUT].given ? a->value[OUTPUT].text : j->source, &base);
    if (a->value[NAME].given) {
        base = a->value[NAME].text;
        n = strlen(base);
    }
    if (n == 0 || n >= sizeof j->name || memchr(base, '/', n) != NULL) {
        return wane_usage(
            w, "the name of the campaign is empty, too long, or a path: give --name NAME");
    }
    memcpy(j->name, base, n);
    j->name[n] = '\0';
    int len = a->value[OUTPUT].given
                  ? snprintf(j->path, sizeof j->path, "%s", a->value[OUTPUT].text)
                  : snprintf(j->path, sizeof j->path, "%s.wane", j->name);
    return len > 0 && (size_t)len < sizeof j->path
               ? WANE_DONE
               : wane_usage(w, "the name of the file is too long");
}

/* Nothing is known of the cell but what the command line says. */
static void fill_cell(struct wn_cell *c, const struct wane_args *a)
{
    double *const unknown[] = {&c->rated_capacity_ah,
                               &c->nominal_voltage_v,
                               &c->charge_voltage_v,
                               &c->discharge_cutoff_v,
                               &c->charge_current_max_a,
                               &c->discharge_current_max_a,
                               &c->standard_charge_current_a,
                               &c->standard_charge_until_a,
                               &c->charge_temperature_min_c,
                               &c->charge_temperature_max_c,
                               &c->discharge_temperature_min_c,
                               &c->discharge_temperature_max_c,
                               &c->voltage_max_v,
                               &c->voltage_min_v,
                               &c->mass_g,
                               &c->diameter_mm,
                               &c->length_mm,
                               &c->arrival_voltage_v,
                               &c->ac_impedance_ohm,
                               &c->ac_impedance_hz,
                               &c->nominal_capacity_ah,
                               &c->ac_impedance_max_ohm,
                               &c->dc_resistance_max_ohm,
                               &c->claim.charge_current_a,
                               &c->claim.charge_until_current_a,
                               &c->claim.discharge_current_a,
                               &c->claim.discharge_until_voltage_v,
                               &c->claim.retention,
                               &c->claim.min_ah};
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++) {
        *unknown[i] = NAN;
    }
    (void)snprintf(c->name, sizeof c->name, "unknown");
    c->rated_capacity_ah = a->value[RATED].number;
    c->discharge_cutoff_v = a->value[CUTOFF].number;
}

/* What the campaign was made from, in place of a frozen configuration. */
static void describe_source(const struct job *j, const struct rounds_setup *s, char *buf,
                            size_t size)
{
    char cutoff[WN_NUM_SIZE], rest[WN_NUM_SIZE], gap[WN_NUM_SIZE], charge_gap[WN_NUM_SIZE];
    const char *base = strrchr(j->source, '/') != NULL ? strrchr(j->source, '/') + 1 : j->source;
    (void)snprintf(buf, size,
                   "# imported by wane " WANE_VERSION " from a recorded log\n"
                   "source = \"%.200s\"; rows = %lld; rows_left_out = %lld\n"
                   "cutoff_v = %s; end_at = \"%s\"; rest_below_a = %s; discharge_gap_max_s = %s; "
                   "charge_gap_max_s = %s\n"
                   "cycles = \"%s\"\n",
                   base, (long long)j->survey.rows, (long long)j->survey.bad,
                   wn_num_format(s->cutoff_v, 6, cutoff, sizeof cutoff),
                   s->end_at_crossing ? "crossing" : "reading",
                   wn_num_format(s->rest_below_a, 4, rest, sizeof rest),
                   wn_num_format(s->discharge_gap_s, 5, gap, sizeof gap),
                   wn_num_format(s->charge_gap_s, 5, charge_gap, sizeof charge_gap),
                   s->has_cycles ? "of the log" : "recognised by the sign of the current");
}

static int create(const struct wane_args *a, struct job *j, const struct rounds_setup *s,
                  struct wn_error *err)
{
    struct wn_campaign_info *i = calloc(1, sizeof *i);
    char frozen[1024];
    if (i == NULL) {
        return wn_error_set(err, WN_ENOMEM, "out of memory");
    }
    (void)snprintf(i->name, sizeof i->name, "%s", j->name);
    (void)snprintf(i->procedure, sizeof i->procedure, "recorded-log");
    (void)snprintf(i->procedure_title, sizeof i->procedure_title, "recorded log");
    (void)snprintf(i->program_version, sizeof i->program_version, "%s", WANE_VERSION);
    i->imported = true;
    i->created_utc = wn_clock_real()->ops->utc(wn_clock_real());
    i->accuracy = (struct wn_accuracy_record){NAN, NAN, NAN, NAN, NAN, NAN};
    i->retention_threshold = a->value[RATED].given ? 0.7 : NAN;
    fill_cell(&i->cell, a);
    describe_source(j, s, frozen, sizeof frozen);
    int rc = wn_campaign_create(&j->campaign, j->path, i, frozen, err);
    j->created = rc == WN_OK;
    rc = rc == WN_OK ? wn_campaign_set_status(j->campaign, "importing", i->created_utc, err) : rc;
    free(i);
    return rc;
}

static int put_event(struct job *j, const struct rounds_setup *s, struct wn_error *err)
{
    struct wn_record rec;
    char x[WN_NUM_SIZE];
    memset(&rec, 0, sizeof rec);
    rec.kind = WN_RECORD_EVENT;
    struct wn_event_record *e = &rec.u.event;
    e->time_ns = j->rounds.last_ns;
    e->severity = WN_SEVERITY_INFO;
    (void)snprintf(e->kind, sizeof e->kind, "imported");
    if (isfinite(s->cutoff_v)) {
        (void)snprintf(e->text, sizeof e->text,
                       "%lld rows of a recorded log; capacity down to %s V, to the %s",
                       (long long)j->survey.rows, wn_num_format(s->cutoff_v, 5, x, sizeof x),
                       s->end_at_crossing ? "interpolated crossing"
                                          : "first reading at or below it");
    } else {
        (void)snprintf(e->text, sizeof e->text,
                       "%lld rows of a recorded log; capacity of the whole discharge",
                       (long long)j->survey.rows);
    }
    return wn_store_put(j->rounds.store, &rec, err);
}

static int transfer(struct job *j, const struct rounds_setup *s, struct wn_error *err)
{
    struct log l;
    struct log_row row;
    wn_utc_us now = wn_clock_real()->ops->utc(wn_clock_real());
    bool end = false;
    int64_t rows = 0;
    rewind(j->f);
    rounds_init(&j->rounds, s, wn_campaign_store(j->campaign));
    int rc = log_open(&l, j->f, j->source, err);
    while (rc == WN_OK) {
        int read = log_next(&l, &row, &end, err);
        if (end) {
            break;
        }
        if (read == WN_EIO || read == WN_ENOMEM) {
            rc = read;
        } else if (read == WN_OK) { /* a bad row was told and counted the first time */
            rc = rounds_add(&j->rounds, &row, err);
            if (rc == WN_OK && ++rows % ROWS_PER_COMMIT == 0) {
                rc = wn_store_commit(j->rounds.store, now, err);
            }
        }
    }
    log_close(&l);
    rc = rc == WN_OK ? rounds_end(&j->rounds, err) : rc;
    rc = rc == WN_OK ? put_event(j, s, err) : rc;
    rc = rc == WN_OK ? wn_store_commit(j->rounds.store, now, err) : rc;
    return rc == WN_OK ? wn_campaign_set_status(j->campaign, "finished", now, err) : rc;
}

/* Nothing half-imported stays behind. */
static void undo(const struct job *j)
{
    static const char *const beside[] = {"", "-wal", "-shm"};
    for (int i = 0; i < 3 && j->created; i++) {
        char path[600];
        (void)snprintf(path, sizeof path, "%s%s", j->path, beside[i]);
        (void)unlink(path);
    }
}

static int tell(struct wane *w, const struct job *j, const struct rounds_setup *s)
{
    const struct rounds *r = &j->rounds;
    char mean[WN_NUM_SIZE], worst[WN_NUM_SIZE];
    double mean_ah = r->overshoots > 0 ? r->sum_overshoot_ah / (double)r->overshoots : NAN;
    if (w->json) {
        json_t *o = json_object();
        wane_put(o, "campaign", json_string(j->name));
        wane_put(o, "file", json_string(j->path));
        wane_put(o, "cycles", json_integer(r->cycles));
        wane_put(o, "steps", json_integer(r->steps));
        wane_put(o, "rows", json_integer(j->survey.rows));
        wane_put(o, "rows_left_out", json_integer(j->survey.bad));
        wane_put(o, "beyond_crossing_mean_ah", wane_number(s->end_at_crossing ? NAN : mean_ah));
        return wane_print_json(o);
    }
    (void)printf("%s: %lld cycles, %lld steps, %lld rows\n", j->path, (long long)r->cycles,
                 (long long)r->steps, (long long)j->survey.rows);
    if (j->survey.bad > 0) {
        (void)printf("left out: %lld rows that cannot be used\n", (long long)j->survey.bad);
    }
    if (r->without_discharge > 0) {
        (void)printf("without a discharge: %lld cycles\n", (long long)r->without_discharge);
    }
    if (!s->end_at_crossing && r->overshoots > 0 && r->worst_overshoot_ah > 0) {
        (void)printf("of which beyond the interpolated crossing: %s mAh on average, %s mAh at most "
                     "(--end crossing leaves it out)\n",
                     wn_num_fixed(mean_ah * 1e3, 1, mean, sizeof mean),
                     wn_num_fixed(r->worst_overshoot_ah * 1e3, 1, worst, sizeof worst));
    }
    return wane_flush();
}

static void choose(const struct wane_args *a, const struct log *l, const struct log_survey *v,
                   struct rounds_setup *s)
{
    s->cutoff_v = a->value[CUTOFF].number;
    s->end_at_crossing = a->value[END].given && strcmp(a->value[END].text, "crossing") == 0;
    s->rest_below_a = fmax(0.005, 0.005 * v->current_max_a);
    s->discharge_gap_s =
        a->value[GAP].given ? a->value[GAP].number : fmax(60, 10 * v->discharge_interval_s);
    s->charge_gap_s = a->value[GAP].given ? a->value[GAP].number : 1800;
    s->has_cycles = l->has_cycles;
}

static int import(struct wane *w, const struct wane_args *a, struct job *j)
{
    struct wn_error err = {0};
    struct rounds_setup setup;
    struct log l;
    j->f = fopen(j->source, "re");
    if (j->f == NULL || fseek(j->f, 0, SEEK_SET) != 0) {
        (void)wn_error_set(&err, WN_ENOENT, "%s: %s (it is read twice: a pipe will not do)",
                           j->source, strerror(errno));
        return wane_fail(w, &err);
    }
    int rc = log_open(&l, j->f, j->source, &err);
    rc = rc == WN_OK ? log_look(&l, a->value[SKIP].given, &j->survey, &err) : rc;
    if (rc == WN_OK) {
        choose(a, &l, &j->survey, &setup);
    }
    log_close(&l);
    rc = rc == WN_OK ? create(a, j, &setup, &err) : rc;
    rc = rc == WN_OK ? transfer(j, &setup, &err) : rc;
    wn_campaign_close(j->campaign);
    if (rc != WN_OK) {
        undo(j);
        return wane_fail(w, &err);
    }
    return tell(w, j, &setup);
}

static int run(struct wane *w, const struct wane_args *a)
{
    const struct wane_value *end = &a->value[END];
    if (end->given && strcmp(end->text, "reading") != 0 && strcmp(end->text, "crossing") != 0) {
        return wane_usage(w, "--end is '%s': write reading or crossing", end->text);
    }
    struct job *j = calloc(1, sizeof *j);
    if (j == NULL) {
        return WANE_FAILED;
    }
    j->source = a->operand[0];
    int rc = make_names(w, a, j);
    rc = rc == WANE_DONE ? import(w, a, j) : rc;
    if (j->f != NULL) {
        (void)fclose(j->f);
    }
    free(j);
    return rc;
}

const struct wane_command cmd_import = {
    .name = "import",
    .synopsis = "FILE.csv [-o FILE.wane] [--cutoff-v X] [--rated-ah X] [--name NAME]",
    .summary = "a recorded log becomes a campaign",
    .text = "Columns time_s,voltage_v,current_a and, where known,\n"
            "temperature_c,ambient_c,cycle, named in the first line, in any order; others\n"
            "are ignored. Current is positive when it charges the cell. time_s may begin\n"
            "anew at each cycle or step.\n"
            "\n"
            "Cycles are those of the column cycle. Without it charge, rest and discharge\n"
            "are told by the sign of the current (rest: below 5 mA, or 0.5 % of the largest\n"
            "current), and a cycle begins with the charge after a discharge.\n"
            "\n"
            "A published capacity counts up to and with the first reading at or below the\n"
            "cut-off, so that is what --cutoff-v does; where readings are far apart it is a\n"
            "few mAh more than down to the voltage itself, which --end crossing\n"
            "interpolates. A discharge that ends above the cut-off is flagged. Gaps: in a\n"
            "discharge longer than 60 s and ten times its mean interval, elsewhere longer\n"
            "than 30 min.\n"
            "\n"
            "A row that cannot be used is told with its line, up to 20; then nothing is\n"
            "imported, unless --skip-bad is given.\n",
    .examples = "  wane import log.csv --cutoff-v 2.7 --rated-ah 2 -o cell5.wane\n"
                "  wane cycles cell5.wane\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

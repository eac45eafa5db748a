/* wane import: a recorded log becomes a campaign file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "import.h"
#include "port/clock.h"

enum {
    OUTPUT,
    MAP,
    NEGATIVE,
    POSITIVE,
    SEPARATOR,
    COMMA,
    HEADER,
    CUTOFF,
    END,
    RATED,
    NAME,
    GAP,
    SKIP,
    STRICT,
    SIMULATED,
    CHECK_UPS
};

/* Of the rated capacity: what a cell has that is not dead, and not several. */
#define CAPACITY_PART_MIN 0.3
#define CAPACITY_PART_MAX 1.5

enum { ROWS_PER_COMMIT = 20000, FILES_MAX = 1000 };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE.wane", "else NAME.wane in this directory"},
    [MAP] = {"map", 0, WANE_LIST, "QUANTITY=COLUMN[@UNIT]",
             "which column is what, where it is not recognised; may be repeated"},
    [NEGATIVE] = {"charge-negative", 0, WANE_FLAG, NULL,
                  "negative current charges the cell in this log"},
    [POSITIVE] = {"charge-positive", 0, WANE_FLAG, NULL, "positive current does"},
    [SEPARATOR] = {"separator", 0, WANE_TEXT, "comma|semicolon|tab",
                   "between fields; else whichever the header uses"},
    [COMMA] = {"decimal-comma", 0, WANE_FLAG, NULL, "3,7 is a number, and 3.7 is none"},
    [HEADER] = {"header-line", 0, WANE_COUNT, "N", "the columns are named in this line; else 1"},
    [CUTOFF] = {"cutoff-v", 0, WANE_NUMBER, "X",
                "capacity down to this voltage; else of the whole discharge"},
    [END] = {"end", 0, WANE_TEXT, "reading|crossing", "what counts as reaching it; see above"},
    [RATED] = {"rated-ah", 0, WANE_NUMBER, "X",
               "rated capacity of the cell, for retention and projection"},
    [NAME] = {"name", 0, WANE_TEXT, "NAME",
              "of the campaign; else that of the campaign file, or of the first log"},
    [GAP] = {"gap-max-s", 0, WANE_NUMBER, "X",
             "a longer interval is a gap: not integrated, and flagged in a discharge"},
    [SKIP] = {"skip-bad", 0, WANE_FLAG, NULL,
              "leave out rows that cannot be used, and say how many"},
    [STRICT] = {"strict", 0, WANE_FLAG, NULL,
                "assume no unit, and no sign of the current: refuse what does not tell"},
    [SIMULATED] = {"simulated", 0, WANE_FLAG, NULL,
                   "the log comes from a simulation, and its campaign says so"},
    [CHECK_UPS] = {"check-ups", 0, WANE_TEXT, "FIRST:EVERY",
                   "these cycles of the log are check-ups: 1:50 is 1, 51, 101 ..."},
};

struct job {
    char *const *source;
    int sources;
    char name[64], path[512];
    int64_t size; /* bytes of all logs */
    bool simulated;
    double rated_ah; /* NaN: not told */
    int sign;
    struct log_form form;
    struct progress progress;
    struct log_survey survey;
    struct rounds rounds;
    struct wn_campaign *campaign;
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
    size_t n = stem(a->value[OUTPUT].given ? a->value[OUTPUT].text : j->source[0], &base);
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
    char begin[WN_UTC_SIZE], began[64] = "", more[32] = "";
    const char *slash = strrchr(j->source[0], '/');
    if (isfinite(j->survey.first_s)) {
        (void)snprintf(began, sizeof began, "first_row_utc = \"%s\"\n",
                       wn_utc_format((wn_utc_us)(j->survey.first_s * 1e6), begin, sizeof begin));
    }
    if (j->sources > 1) {
        (void)snprintf(more, sizeof more, "files = %d; ", j->sources);
    }
    (void)snprintf(buf, size,
                   "# imported by wane " WANE_VERSION " from a recorded log\n"
                   "source = \"%.200s\"; %srows = %lld; rows_left_out = %lld\n%s"
                   "cutoff_v = %s; end_at = \"%s\"; rest_below_a = %s; discharge_gap_max_s = %s; "
                   "charge_gap_max_s = %s\n"
                   "current_of_log = \"%s when it charges\"\n"
                   "cycles = \"%s\"\n",
                   slash != NULL ? slash + 1 : j->source[0], more, (long long)j->survey.rows,
                   (long long)j->survey.bad, began,
                   wn_num_format(s->cutoff_v, 6, cutoff, sizeof cutoff),
                   s->end_at_crossing ? "crossing" : "reading",
                   wn_num_format(s->rest_below_a, 4, rest, sizeof rest),
                   wn_num_format(s->discharge_gap_s, 5, gap, sizeof gap),
                   wn_num_format(s->charge_gap_s, 5, charge_gap, sizeof charge_gap),
                   j->sign > 0 ? "positive" : "negative",
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
    i->simulated = j->simulated;
    i->created_utc = wn_clock_real()->ops->utc(wn_clock_real());
    i->accuracy = (struct wn_accuracy_record){NAN, NAN, NAN, NAN, NAN, NAN};
    i->retention_threshold = a->value[RATED].given ? 0.7 : NAN;
    fill_cell(&i->cell, a);
    describe_source(j, s, frozen, sizeof frozen);
    int rc = wn_campaign_create_whole(&j->campaign, j->path, i, frozen, err);
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

/* Rows that were bad at the first reading are bad again, and no others: else somebody writes to the
 * log. */
static int put_rows(struct job *j, struct log *l, wn_utc_us now, struct wn_error *err)
{
    struct log_row row;
    bool end = false;
    int64_t rows = 0;
    int rc = WN_OK;
    while (rc == WN_OK) {
        int read = log_next(l, &row, &end, err);
        if (end && read == WN_OK) {
            break;
        }
        if (read != WN_OK) {
            rc = l->fatal ? read : WN_OK;
            continue;
        }
        if (rows % LOG_SHOW_EVERY == 0) {
            progress_show(&j->progress, j->size + log_bytes(l));
        }
        rc = row.outside ? WN_OK : rounds_add(&j->rounds, &row, err);
        rows -= row.outside;
        if (rc == WN_OK && ++rows % ROWS_PER_COMMIT == 0) {
            rc = wn_store_commit(j->rounds.store, now, err);
        }
    }
    progress_clear(&j->progress);
    if (rc == WN_OK && rows != j->survey.rows) {
        rc = wn_error_set(err, WN_EINVAL, "%s was written to while it was read: import it again",
                          j->source[0]);
    }
    return rc;
}

static int transfer(struct job *j, const struct rounds_setup *s, struct wn_error *err)
{
    struct log l;
    wn_utc_us now = wn_clock_real()->ops->utc(wn_clock_real());
    rounds_init(&j->rounds, s, wn_campaign_store(j->campaign));
    int rc = log_open(&l, &j->form, j->source, j->sources, err);
    l.sign = j->sign;
    rc = rc == WN_OK ? put_rows(j, &l, now, err) : rc;
    log_close(&l);
    rc = rc == WN_OK ? rounds_end(&j->rounds, err) : rc;
    rc = rc == WN_OK ? put_event(j, s, err) : rc;
    rc = rc == WN_OK ? wn_store_commit(j->rounds.store, now, err) : rc;
    return rc == WN_OK ? wn_campaign_publish(j->campaign, "finished", now, err) : rc;
}

/* A factor of a thousand is a unit that was mistaken; of two, another cell, or several in parallel.
 */
static void warn_of_capacity(const struct wane *w, const struct job *j)
{
    char found[WN_NUM_SIZE], rated[WN_NUM_SIZE];
    double part = j->rounds.capacity_max_ah / j->rated_ah;
    if (!(j->rated_ah > 0) || !(j->rounds.capacity_max_ah > 0) ||
        (part >= CAPACITY_PART_MIN && part <= CAPACITY_PART_MAX)) {
        return;
    }
    (void)fprintf(
        stderr,
        "wane %s: warning: the largest capacity found is %s Ah, and --rated-ah says %s Ah: "
        "%s; import it again if it is so\n",
        w->command->name, wn_num_format(j->rounds.capacity_max_ah, 4, found, sizeof found),
        wn_num_format(j->rated_ah, 6, rated, sizeof rated),
        part < CAPACITY_PART_MIN / 10 ? "is that one in mAh, or the current of the log "
                                        "not in A?"
        : part > 10 * CAPACITY_PART_MAX
            ? "is the current of the log in mA (--map current='...@mA'), or its time in ms?"
            : "is it this cell, and does the log hold whole discharges?");
}

static int tell(struct wane *w, const struct job *j, const struct rounds_setup *s)
{
    warn_of_capacity(w, j);
    const struct rounds *r = &j->rounds;
    char mean[WN_NUM_SIZE], worst[WN_NUM_SIZE];
    double mean_ah = r->overshoots > 0 ? r->sum_overshoot_ah / (double)r->overshoots : NAN;
    if (w->json) {
        json_t *o = json_object();
        wane_put(o, "campaign", json_string(j->name));
        wane_put(o, "file", json_string(j->path));
        wane_put(o, "cycles", json_integer(r->cycles));
        wane_put(o, "check_ups", json_integer(r->check_ups));
        wane_put(o, "steps", json_integer(r->steps));
        wane_put(o, "rows", json_integer(j->survey.rows));
        wane_put(o, "rows_left_out", json_integer(j->survey.bad));
        wane_put(o, "rows_outside_of_cycles", json_integer(j->survey.outside));
        wane_put(o, "charge_sign", json_integer(j->sign));
        wane_put(o, "simulated", json_boolean(j->simulated));
        wane_put(o, "beyond_crossing_mean_ah", wane_number(s->end_at_crossing ? NAN : mean_ah));
        return wane_print_json(o);
    }
    (void)printf("%s%s: %lld cycles, %lld steps, %lld rows\n", j->simulated ? "SIMULATED  " : "",
                 j->path, (long long)r->cycles, (long long)r->steps, (long long)j->survey.rows);
    if (r->check_ups > 0) {
        (void)printf("check-ups: %lld\n", (long long)r->check_ups);
    }
    if (j->survey.bad > 0) {
        (void)printf("left out: %lld rows that cannot be used\n", (long long)j->survey.bad);
    }
    if (j->survey.outside > 0) {
        (void)printf("left out: %lld rows before the first cycle\n", (long long)j->survey.outside);
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

static void choose(const struct wane_args *a, bool has_cycles, struct job *j,
                   struct rounds_setup *s)
{
    const struct log_survey *v = &j->survey;
    double discharge_s = v->interval_s[j->sign < 0];
    s->cutoff_v = a->value[CUTOFF].number;
    s->end_at_crossing = a->value[END].given && strcmp(a->value[END].text, "crossing") == 0;
    s->rest_below_a = fmax(0.005, 0.005 * v->current_max_a);
    s->discharge_gap_s = a->value[GAP].given ? a->value[GAP].number : fmax(60, 10 * discharge_s);
    s->charge_gap_s = a->value[GAP].given ? a->value[GAP].number : 1800;
    s->has_cycles = has_cycles;
    j->simulated = a->value[SIMULATED].given || v->simulated;
}

/* The first reading: what is wrong with the logs is told before anything is made. */
static int survey(const struct wane_args *a, struct job *j, struct rounds_setup *setup,
                  struct wn_error *err)
{
    struct log l;
    int rc = log_size(j->source, j->sources, &j->size, err);
    if (rc != WN_OK) {
        return rc;
    }
    progress_begin(&j->progress, "", 2 * j->size);
    rc = log_open(&l, &j->form, j->source, j->sources, err);
    if (rc == WN_OK) {
        log_columns_tell(&l.csv, l.column, stderr);
        rc = log_look(&l, a->value[SKIP].given, &j->progress, &j->survey, err);
    }
    rc = rc == WN_OK ? log_sign(&j->form, &j->survey, &j->sign, err) : rc;
    if (rc == WN_OK) {
        choose(a, l.has_cycles, j, setup);
    }
    log_close(&l);
    return rc;
}

static int import(struct wane *w, const struct wane_args *a, struct job *j)
{
    struct wn_error err = {0};
    struct rounds_setup setup;
    int rc = survey(a, j, &setup, &err);
    rc = rc == WN_OK ? create(a, j, &setup, &err) : rc;
    rc = rc == WN_OK ? transfer(j, &setup, &err) : rc;
    wn_campaign_close(j->campaign); /* without its name it is removed */
    return rc == WN_OK ? tell(w, j, &setup) : wane_fail(w, &err);
}

/* "1:50" */
static bool read_rule(const char *text, struct log_form *f)
{
    size_t n = strcspn(text, ":");
    return text[n] == ':' && wn_num_parse_int(text, n, &f->check_up_from) == WN_OK &&
           wn_num_parse_int(text + n + 1, strlen(text + n + 1), &f->check_up_every) == WN_OK &&
           f->check_up_from >= 0 && f->check_up_every >= 1;
}

static int take_form(struct wane *w, const struct wane_args *a, struct log_form *f)
{
    static const char *const words[] = {"comma", "semicolon", "tab"};
    const struct wane_value *v = a->value, *end = &v[END], *separator = &v[SEPARATOR];
    struct wn_error err = {0};
    if (end->given && strcmp(end->text, "reading") != 0 && strcmp(end->text, "crossing") != 0) {
        return wane_usage(w, "--end is '%s': write reading or crossing", end->text);
    }
    for (int i = 0; i < 3 && separator->given; i++) {
        f->csv.separator = strcmp(separator->text, words[i]) == 0 ? ",;\t"[i] : f->csv.separator;
    }
    if (separator->given && f->csv.separator == '\0') {
        return wane_usage(w, "--separator is '%s': write comma, semicolon or tab", separator->text);
    }
    if (v[NEGATIVE].given && v[POSITIVE].given) {
        return wane_usage(w, "--charge-negative or --charge-positive: not both");
    }
    f->charge_sign = v[NEGATIVE].given ? -1 : v[POSITIVE].given ? 1 : 0;
    f->csv.decimal_comma = v[COMMA].given;
    f->csv.lines_above = v[HEADER].given ? v[HEADER].count - 1 : 0;
    f->strict = v[STRICT].given;
    if (v[CHECK_UPS].given && !read_rule(v[CHECK_UPS].text, f)) {
        return wane_usage(w,
                          "--check-ups is '%s': write the first and how many cycles there are from "
                          "one to the next, as in 1:50",
                          v[CHECK_UPS].text);
    }
    for (int i = 0; i < v[MAP].n; i++) {
        if (log_map_read(f, v[MAP].list[i], &err) != WN_OK) {
            return wane_usage(w, "%s", err.text);
        }
    }
    return WANE_DONE;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct job *j = calloc(1, sizeof *j);
    if (j == NULL) {
        return WANE_FAILED;
    }
    j->source = a->operand;
    j->sources = a->operands;
    j->rated_ah = a->value[RATED].number;
    int rc = take_form(w, a, &j->form);
    rc = rc == WANE_DONE ? make_names(w, a, j) : rc;
    rc = rc == WANE_DONE ? import(w, a, j) : rc;
    free(j);
    return rc;
}

const struct wane_command cmd_import = {
    .name = "import",
    .synopsis = "FILE.csv ... [-o FILE.wane] [--cutoff-v X] [--rated-ah X] [--map ...]",
    .summary = "a recorded log becomes a campaign",
    .text = "Time, voltage and current, and where known temperature, ambient and cycle, are\n"
            "recognised by the names of the columns and their units: time_s, \"U [mV]\",\n"
            "\"Voltage / V\", I(mA), those of the Battery Data Format. Others are ignored.\n"
            "What is taken for what is said. --map names a column that is not recognised, or\n"
            "its unit, by its heading or its number: --map voltage=\"U1\"@mV, --map time=#2.\n"
            "\n"
            "A time is a number, h:mm:ss, 3 d 12:34:56, or a day and a time of day as\n"
            "2026-05-01 12:34:56, UTC unless it ends in +02:00. It may begin anew at each\n"
            "cycle or step. Several logs are read in the order they are named; a cycle that\n"
            "begins anew in one of them goes on counting.\n"
            "\n"
            "Positive current charges the cell. Where the voltage says that in this log\n"
            "negative current does, it is turned round, and said; --charge-negative and\n"
            "--charge-positive settle it.\n"
            "\n"
            "Cycles are those of the column cycle. Without it charge, rest and discharge\n"
            "are told by the sign of the current (rest: below 5 mA, or 0.5 % of the largest\n"
            "current), and a cycle begins with the charge after a discharge. Rows before the\n"
            "first cycle are left out. Rows whose column round says check-up, as wane export\n"
            "writes it, are those of a check-up, and so are the cycles that --check-ups names;\n"
            "of it the capacity of its largest discharge is known, and no resistance.\n"
            "\n"
            "A published capacity counts up to and with the first reading at or below the\n"
            "cut-off, so that is what --cutoff-v does; where readings are far apart it is a\n"
            "few mAh more than down to the voltage itself, which --end crossing\n"
            "interpolates. A discharge that ends above the cut-off is flagged. Gaps: in a\n"
            "discharge longer than 60 s and ten times its mean interval, elsewhere longer\n"
            "than 30 min.\n"
            "\n"
            "A row that cannot be used is told with its line, up to 20; then nothing is\n"
            "imported, unless --skip-bad is given. The campaign gets its name when it is\n"
            "whole; until then it is FILE.wane.new, and the next import removes the remains\n"
            "of one that was killed.\n",
    .examples = "  wane import log.csv --cutoff-v 2.7 --rated-ah 2 -o cell5.wane\n"
                "  wane import --map voltage='U1@mV' --decimal-comma week1.csv week2.csv\n"
                "  wane cycles cell5.wane\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = FILES_MAX,
    .run = run,
};

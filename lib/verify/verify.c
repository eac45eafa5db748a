/* Verifying: from a campaign file to the audits of lib/store and lib/audit.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "verify/verify.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "audit/audit.h"
#include "base/num.h"
#include "config/config.h"

/* Rows of one kind that are kept. */
struct list {
    void *row;
    size_t n, room;
};

struct job {
    struct wn_campaign *file;
    struct wn_campaign_info info;
    wn_verify_tell_fn tell;
    void *ctx;
    struct wn_verify_facts *facts;
    struct wn_audit_setup setup;
    struct wn_procedure procedure; /* no steps: not known */
    double import_cutoff_v;
    struct list cycles, check_ups;
    struct list torn; /* campaign times of alarms, and at which the campaign went on */
    struct wn_audit_step step, ended; /* the one in hand, and the one before it */
    bool has_ended;
    struct wn_audit_round round;
    struct wn_reading before;
    bool has_before;
    const struct wn_progress *progress; /* NULL: nobody asks */
    int64_t readings;                   /* of the file */
    struct wn_error err;
};

enum { TELL_EVERY = 65536 /* readings */ };

/* The file as a file is one half of the work, its readings are the other. */
static void told_first_half(void *ctx, int64_t done, int64_t total)
{
    const struct job *j = ctx;
    j->progress->fn(j->progress->ctx, done, 2 * total);
}

static void tell_second_half(const struct job *j)
{
    if (j->progress != NULL && j->facts->readings % TELL_EVERY == 0) {
        j->progress->fn(j->progress->ctx, j->readings + j->facts->readings, 2 * j->readings);
    }
}

static void tell_error(struct job *j, const char *check, const struct wn_error *err)
{
    struct wn_verify_finding f = {.table = ""};
    (void)snprintf(f.check, sizeof f.check, "%s", check);
    (void)snprintf(f.text, sizeof f.text, "%.230s", err->text);
    j->tell(j->ctx, &f);
}

static void take_file_finding(const struct wn_file_finding *from, void *ctx)
{
    struct job *j = ctx;
    struct wn_verify_finding f = {.table = from->table, .has_row = from->has_row, .row = from->row};
    const struct {
        const char *table;
        int64_t *place;
    } places[] = {{"cycle", &f.cycle}, {"check_up", &f.check_up}, {"step", &f.step}};
    for (size_t i = 0; i < sizeof places / sizeof places[0]; i++) {
        if (from->has_row && strcmp(from->table, places[i].table) == 0) {
            *places[i].place = from->row;
        }
    }
    (void)snprintf(f.check, sizeof f.check, "%s", from->check);
    (void)snprintf(f.text, sizeof f.text, "%s", from->text);
    j->tell(j->ctx, &f);
}

static void take_audit_finding(void *ctx, const struct wn_audit_finding *from)
{
    struct job *j = ctx;
    struct wn_verify_finding f = {
        .cycle = from->cycle, .check_up = from->check_up, .step = from->step, .has_row = true};
    f.table = from->step > 0 ? "step" : from->check_up > 0 ? "check_up" : "cycle";
    f.row = from->step > 0 ? from->step : from->check_up > 0 ? from->check_up : from->cycle;
    (void)snprintf(f.check, sizeof f.check, "%s", from->check);
    (void)snprintf(f.text, sizeof f.text, "%s", from->text);
    j->tell(j->ctx, &f);
}

/* -- how steps end, and what a gap is
 * ------------------------------------------------------------------------------------ */

/* A number that wane import has written behind "key = ". */
static double number_behind(const char *text, const char *key)
{
    double x = NAN;
    const char *at = strstr(text, key);
    if (at != NULL) {
        at += strlen(key);
        size_t len = strcspn(at, ";\n");
        (void)wn_num_parse(at, len, &x);
    }
    return x;
}

static bool read_import(struct job *j, const char *text)
{
    j->import_cutoff_v = number_behind(text, "cutoff_v = ");
    j->setup.discharge_gap_max_s = number_behind(text, " discharge_gap_max_s = ");
    j->setup.gap_max_s = number_behind(text, " charge_gap_max_s = ");
    j->setup.rest_gap_max_s = INFINITY;
    return j->setup.gap_max_s > 0 && j->setup.discharge_gap_max_s > 0;
}

static bool thaw(struct job *j, const char *text)
{
    struct frozen {
        struct wn_station_config station;
        struct wn_cell cell;
        struct wn_dialect dialect[WN_INSTRUMENTS_MAX];
        struct wn_problems problems;
    } *f = calloc(1, sizeof *f);
    bool good = f != NULL && wn_config_thaw(text, j->info.station, &f->station, &f->cell,
                                            &j->procedure, f->dialect, &f->problems) == WN_OK;
    if (good) {
        j->setup.driven = f->dialect[0].protocol != WN_PROTOCOL_RECORDS;
        j->setup.gap_max_s = j->setup.discharge_gap_max_s = f->station.gap_max_s;
        j->setup.rest_gap_max_s =
            j->setup.driven ? fmax(f->station.gap_max_s, 3 * f->station.rest_interval_s) : INFINITY;
    } else {
        j->procedure.steps = 0;
    }
    free(f);
    return good;
}

/* A configuration that this version cannot read leaves open what was a gap: then every interval may
 * have been one. */
static void prepare(struct job *j)
{
    const struct wn_campaign_thresholds *t = &j->info.store_on_change;
    char *text = NULL, hash[65];
    j->setup.voltage_v = t->voltage_v;
    j->setup.current_a = t->current_a;
    j->setup.temperature_c = t->temperature_c;
    j->setup.time_s = t->time_s;
    j->setup.driven = !j->info.imported;
    j->setup.tell = take_audit_finding;
    j->setup.ctx = j;
    j->import_cutoff_v = NAN;
    bool known = wn_campaign_frozen_config(j->file, &text, hash, &j->err) == WN_OK &&
                 (j->info.imported ? read_import(j, text) : thaw(j, text));
    if (!known) {
        j->setup.time_s = INFINITY;
        j->setup.gap_max_s = j->setup.discharge_gap_max_s = j->setup.rest_gap_max_s = 1e-9;
    }
    j->setup.most_a = j->setup.most_v = INFINITY;
    if (j->setup.driven) { /* nothing beyond is measured: the limits of the station are narrower */
        const struct wn_cell *cell = &j->info.cell;
        j->setup.most_a = 2 * fmax(cell->charge_current_max_a, cell->discharge_current_max_a);
        j->setup.most_v = 2 * cell->voltage_max_v;
    }
    free(text);
}

static struct wn_audit_end end_of(const struct job *j, const struct wn_step_record *r)
{
    struct wn_audit_end end = {
        .known = j->info.imported, .kind = WN_END_NONE, .value = NAN, .cv_voltage_v = NAN};
    if (j->info.imported && r->kind == WN_STEP_DISCHARGE && isfinite(j->import_cutoff_v)) {
        end.kind = WN_END_VOLTAGE_BELOW;
        end.value = j->import_cutoff_v;
    }
    for (int i = 0; j->setup.driven && i < j->procedure.steps; i++) {
        const struct wn_step *s = &j->procedure.step[i];
        char words[sizeof r->description];
        if (s->kind != r->kind ||
            strcmp(wn_step_describe(s, words, sizeof words), r->description) != 0) {
            continue;
        }
        end.known = true;
        if (s->kind == WN_STEP_CHARGE) {
            end.kind = WN_END_CURRENT_BELOW;
            end.value = s->until_current_a;
            end.cv_voltage_v = s->voltage_v;
        } else if (s->kind == WN_STEP_DISCHARGE || s->kind == WN_STEP_DISCHARGE_POWER) {
            end.kind = WN_END_VOLTAGE_BELOW;
            end.value = s->until_voltage_v;
        }
        break;
    }
    return end;
}

/* -- reading by reading
 * --------------------------------------------------------------------------------------------------
 */

static void keep_bound(struct job *j)
{
    const struct wn_step_record *r = &j->ended.record;
    double moved = r->kind == WN_STEP_CHARGE ? r->sums.charge_in_ah : r->sums.charge_out_ah;
    if (r->kind == WN_STEP_REST || !isfinite(moved)) {
        return;
    }
    j->facts->recomputed = true;
    if (!isfinite(j->ended.bound_ah)) {
        j->facts->interrupted++;
        return;
    }
    j->facts->moved_ah += moved;
    j->facts->bound_ah += j->ended.bound_ah;
    if (j->facts->bound_max_step == 0 || j->ended.bound_ah > j->facts->bound_max_ah) {
        j->facts->bound_max_ah = j->ended.bound_ah;
        j->facts->bound_max_step = r->step_number;
    }
}

/* A step is judged when the reading behind it is known. */
static void judge_ended(struct job *j, const struct wn_reading *after)
{
    if (j->has_ended) {
        wn_audit_step_end(&j->ended, after);
        keep_bound(j);
        j->has_ended = false;
    }
}

static int look(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    struct job *j = ctx;
    (void)step;
    (void)utc;
    judge_ended(j, r);
    wn_audit_step_look(&j->step, r);
    return 0;
}

static int add(const struct wn_reading *r, int64_t step, wn_utc_us utc, void *ctx)
{
    struct job *j = ctx;
    (void)step;
    (void)utc;
    wn_audit_step_add(&j->step, r);
    j->before = *r;
    j->has_before = true;
    j->facts->readings++;
    tell_second_half(j);
    return 0;
}

/* After an interruption a campaign goes on by an order, or ends; what stays on is told. */
static bool was_interrupted(const struct job *j, const struct wn_step_record *r)
{
    const wn_ns *at = j->torn.row;
    bool found = strcmp(r->ended_by, "stop") == 0 || strcmp(r->ended_by, "halt") == 0;
    for (size_t i = 0; i < j->torn.n && !found; i++) {
        found = at[i] >= r->start_ns && at[i] <= r->end_ns;
    }
    return found;
}

static int audit_step(struct job *j, const struct wn_step_record *r)
{
    struct wn_audit_end end = end_of(j, r);
    int64_t n = r->step_number;
    bool ended = r->ended_by[0] != '\0';
    end.interrupted = was_interrupted(j, r);
    wn_audit_step_init(&j->step, &j->setup, r, &end);
    int rc = wn_campaign_each_reading(j->file, n, n, look, j, &j->err);
    wn_audit_step_begin(&j->step, j->has_before ? &j->before : NULL);
    rc = rc == WN_OK ? wn_campaign_each_reading(j->file, n, n, add, j, &j->err) : rc;
    judge_ended(j, NULL);
    j->ended = j->step;
    j->has_ended = rc == WN_OK && ended;
    return rc;
}

/* -- cycles and check-ups
 * -----------------------------------------------------------------------------------------------
 */

static void close_round(struct job *j)
{
    const struct wn_audit_round *a = &j->round;
    const struct wn_cycle_record *cycle = j->cycles.row;
    const struct wn_check_up_record *check_up = j->check_ups.row;
    for (size_t i = 0; a->open && !a->in_check_up && i < j->cycles.n; i++) {
        if (cycle[i].cycle == a->number) {
            wn_audit_round_cycle(a, &cycle[i]);
        }
    }
    for (size_t i = 0; a->open && a->in_check_up && i < j->check_ups.n; i++) {
        if (check_up[i].check_up == a->number) {
            wn_audit_round_check_up(a, &check_up[i]);
        }
    }
    j->round.open = false;
}

static int take_step(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx)
{
    struct job *j = ctx;
    (void)start_utc;
    j->facts->steps++;
    bool same =
        j->round.open && j->round.number == r->cycle && j->round.in_check_up == r->in_check_up;
    if (!same) {
        close_round(j);
        if (r->cycle > 0) {
            wn_audit_round_begin(&j->round, &j->setup, r->in_check_up, r->cycle);
        }
    }
    if (r->cycle > 0 && r->ended_by[0] != '\0') {
        wn_audit_round_add(&j->round, r);
    }
    return audit_step(j, r);
}

static int keep(struct list *l, const void *row, size_t size)
{
    if (l->n == l->room) {
        size_t room = l->room > 0 ? 2 * l->room : 64;
        void *more = realloc(l->row, room * size);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        l->row = more;
        l->room = room;
    }
    memcpy((char *)l->row + l->n++ * size, row, size);
    return 0;
}

static int take_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    (void)end_utc;
    return keep(ctx, r, sizeof *r);
}

static int take_check_up(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx)
{
    (void)end_utc;
    return keep(ctx, r, sizeof *r);
}

static int take_event(const struct wn_event_row *r, void *ctx)
{
    bool torn = strcmp(r->event.kind, "resumed") == 0 || r->event.severity == WN_SEVERITY_ALARM;
    return torn ? keep(ctx, &r->event.time_ns, sizeof r->event.time_ns) : 0;
}

static int audit(struct job *j)
{
    struct wn_campaign *file = j->file;
    int rc = wn_campaign_info(file, &j->info, &j->err);
    if (rc == WN_OK) {
        rc = wn_campaign_each_cycle(file, take_cycle, &j->cycles, &j->err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_each_check_up(file, take_check_up, &j->check_ups, &j->err);
    }
    if (rc == WN_OK) {
        rc = wn_campaign_each_event(file, 0, take_event, &j->torn, &j->err);
    }
    if (rc != WN_OK) {
        return rc;
    }
    prepare(j);
    j->facts->cycles = (int64_t)j->cycles.n;
    j->facts->check_ups = (int64_t)j->check_ups.n;
    rc = wn_campaign_each_step(file, take_step, j, &j->err);
    if (rc == WN_OK) {
        judge_ended(j, NULL);
        close_round(j);
    }
    return rc;
}

void wn_verify_campaign(struct wn_campaign *file, wn_verify_tell_fn tell, void *ctx,
                        const struct wn_progress *progress, struct wn_verify_facts *facts)
{
    struct job *j = calloc(1, sizeof *j);
    struct wn_error none = {.code = WN_ENOMEM, .text = "out of memory"};
    struct wn_verify_finding f = {.check = "memory", .table = "", .text = "out of memory"};
    if (j == NULL) {
        tell(ctx, &f);
        return;
    }
    j->file = file;
    j->tell = tell;
    j->ctx = ctx;
    j->facts = facts;
    j->progress = progress;
    const struct wn_progress half = {told_first_half, j};
    (void)wn_campaign_verify(file, take_file_finding, j, /* what fails is handed out */
                             progress != NULL ? &half : NULL);
    (void)wn_campaign_readings(file, &j->readings, &j->err);
    int rc = audit(j);
    if (rc != WN_OK) {
        tell_error(j, "reading", j->err.text[0] != '\0' ? &j->err : &none);
    }
    free(j->cycles.row);
    free(j->check_ups.row);
    free(j->torn.row);
    free(j);
}

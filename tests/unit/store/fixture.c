/* Tests of the campaign file: a directory of its own, and records with a value in every member.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _XOPEN_SOURCE 700 /* realpath */
#include "fixture.h"

#include <dirent.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"

const char fixture_config[] =
    "cell = \"cells/example.conf\";\n# \"quotes\" and '; DROP TABLE cell;\n";

int fixture_setup(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    const char *tmp = getenv("TMPDIR");
    char *real = realpath(tmp != NULL ? tmp : "/tmp", NULL); /* as error texts name it */
    if (f == NULL || real == NULL) {
        free(real);
        free(f);
        return -1;
    }
    (void)snprintf(f->dir, sizeof f->dir, "%s/wane-store.XXXXXX", real);
    free(real);
    if (mkdtemp(f->dir) == NULL) {
        free(f);
        return -1;
    }
    (void)snprintf(f->path, sizeof f->path, "%s/cell-1.wane", f->dir);
    *state = f;
    return 0;
}

int fixture_teardown(void **state)
{
    struct fixture *f = *state;
    DIR *d = opendir(f->dir);
    for (struct dirent *e = d != NULL ? readdir(d) : NULL; e != NULL; e = readdir(d)) {
        char name[600];
        (void)snprintf(name, sizeof name, "%s/%s", f->dir, e->d_name);
        if (strcmp(e->d_name, ".") != 0 && strcmp(e->d_name, "..") != 0 && unlink(name) != 0) {
            (void)rmdir(name);
        }
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    (void)rmdir(f->dir);
    free(f);
    return 0;
}

static void set(char *to, size_t size, const char *word, int64_t n)
{
    memset(to, 0, size);
    (void)snprintf(to, size, "%s %lld", word, (long long)n);
}

static void fill_doubles(double *const *list, int n, double from)
{
    for (int i = 0; i < n; i++) {
        *list[i] = from + i + 0.1; /* not a round number in binary: every bit must come back */
    }
}
#define FILL(list, from) fill_doubles(list, (int)(sizeof(list) / sizeof((list)[0])), from)

void fixture_info(struct wn_campaign_info *info)
{
    struct wn_cell *l = &info->cell;
    memset(info, 0, sizeof *info);
    set(info->name, sizeof info->name, "cell-1", 1);
    set(info->station, sizeof info->station, "station", 2);
    set(info->procedure, sizeof info->procedure, "claim", 3);
    set(info->procedure_title, sizeof info->procedure_title, "Datasheet claim", 4);
    info->simulated = true;
    info->cycles_planned = 300;
    info->created_utc = INT64_C(1790000000123456);
    info->store_on_change.voltage_v = 0.25;
    info->store_on_change.current_a = 0.5;
    info->store_on_change.temperature_c = 2.0;
    info->store_on_change.time_s = 60.0;
    struct wn_accuracy_record *a = &info->accuracy;
    double *const accuracy[] = {&a->voltage_reading, &a->voltage_fixed_v, &a->current_reading,
                                &a->current_fixed_a, &a->temperature_c,   &a->time_reading};
    FILL(accuracy, 10.0);
    info->retention_threshold = 0.7;
    set(info->program_version, sizeof info->program_version, "0.1", 5);
    set(l->name, sizeof l->name, "example", 6);
    set(l->title, sizeof l->title, "Example 21700", 7);
    set(l->marking, sizeof l->marking, "EX-21700 \xc2\xb5", 8);
    double *const numbers[] = {&l->rated_capacity_ah,
                               &l->nominal_voltage_v,
                               &l->charge_voltage_v,
                               &l->discharge_cutoff_v,
                               &l->charge_current_max_a,
                               &l->discharge_current_max_a,
                               &l->standard_charge_current_a,
                               &l->standard_charge_until_a,
                               &l->charge_temperature_min_c,
                               &l->charge_temperature_max_c,
                               &l->discharge_temperature_min_c,
                               &l->discharge_temperature_max_c,
                               &l->voltage_max_v,
                               &l->voltage_min_v,
                               &l->mass_g,
                               &l->diameter_mm,
                               &l->length_mm,
                               &l->arrival_voltage_v,
                               &l->claim.charge_current_a,
                               &l->claim.charge_until_current_a,
                               &l->claim.discharge_current_a,
                               &l->claim.discharge_until_voltage_v,
                               &l->claim.retention,
                               &l->claim.min_ah,
                               &l->ac_impedance_hz,
                               &l->nominal_capacity_ah,
                               &l->ac_impedance_max_ohm,
                               &l->dc_resistance_max_ohm};
    FILL(numbers, 100.0);
    l->ac_impedance_ohm = (double)NAN; /* not measured */
    l->rated_capacity_ah = 2.5;
    l->claim.cycles = 300;
    l->claim.retention = 0.7;
    l->claim.min_ah = 1.75;
}

struct wn_campaign *fixture_create(const struct fixture *f)
{
    struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    fixture_info(&info);
    assert_ok(wn_campaign_create(&c, f->path, &info, fixture_config, why));
    return c;
}

struct wn_campaign *fixture_open(const struct fixture *f)
{
    struct wn_campaign *c = NULL;
    assert_ok(wn_campaign_open(&c, f->path, why));
    return c;
}

void fixture_reading(struct wn_record *r, int64_t n, int64_t step)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_READING;
    r->u.reading.step_number = step;
    struct wn_reading *v = &r->u.reading.reading;
    v->time_ns = n * WN_NS_PER_S * 100 + 1; /* beyond 60 s: each one is stored */
    v->voltage_v = 3.1 + (double)n * 1e-3;
    v->current_a = -1.1 - (double)n * 1e-3;
    v->temperature_c = 25.1 + (double)n * 1e-3;
    v->ambient_c = 20.1 + (double)n * 1e-3;
    v->has = WN_HAS_VOLTAGE | WN_HAS_CURRENT | WN_HAS_TEMPERATURE | WN_HAS_AMBIENT | WN_HAS_OUTPUT;
    v->output_on = 1;
}

void fixture_step(struct wn_record *r, enum wn_record_kind kind, int64_t n)
{
    memset(r, 0, sizeof *r);
    r->kind = kind;
    struct wn_step_record *p = &r->u.step;
    struct wn_step_sums *s = &p->sums;
    p->step_number = n;
    p->cycle = n + 1000;
    p->in_check_up = n % 2 == 0;
    p->kind = (enum wn_step_kind)(n % 5);
    set(p->description, sizeof p->description, "charge 4 A to 4.2 V until 100 mA", n);
    p->start_ns = n * WN_NS_PER_S * 3600;
    if (kind == WN_RECORD_STEP_BEGIN) {
        return;
    }
    p->end_ns = p->start_ns + WN_NS_PER_S * 1800;
    set(p->ended_by, sizeof p->ended_by, "voltage", n);
    double *const numbers[] = {
        &s->charge_in_ah,   &s->charge_out_ah, &s->energy_in_wh,      &s->energy_out_wh,
        &s->duration_s,     &s->missing_s,     &s->temperature_max_c, &s->temperature_min_c,
        &s->ambient_max_c,  &s->ambient_min_c, &s->voltage_start_v,   &s->voltage_end_v,
        &s->current_end_a,  &s->cv_s,          &s->end_charge_ah,     &s->end_energy_wh,
        &s->end_duration_s, &s->end_missing_s};
    FILL(numbers, (double)n);
    s->temperature_start_c = (double)NAN;
    s->readings = n + 7;
    s->crossed = 1;
}

void fixture_cycle(struct wn_record *r, int64_t n)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_CYCLE;
    struct wn_cycle_record *c = &r->u.cycle;
    double *const numbers[] = {&c->capacity_ah.u,
                               &c->energy_wh.value,
                               &c->energy_wh.u,
                               &c->charge_ah,
                               &c->charge_wh,
                               &c->coulombic_efficiency,
                               &c->energy_efficiency,
                               &c->mean_voltage_v,
                               &c->resistance_ohm.value,
                               &c->resistance_ohm.u,
                               &c->temperature_max_c,
                               &c->temperature_rise_k,
                               &c->ambient_min_c,
                               &c->ambient_max_c,
                               &c->discharge_current_a,
                               &c->duration_s,
                               &c->coulombic_efficiency_u,
                               &c->energy_efficiency_u,
                               &c->cutoff_slope_v_per_s};
    FILL(numbers, (double)n);
    c->cutoff_v = (double)NAN; /* a whole discharge */
    c->cycle = n;
    c->capacity_ah.value = 2.5 - 1e-3 * (double)n;
    c->start_ns = n * WN_NS_PER_S * 7200;
    c->end_ns = c->start_ns + WN_NS_PER_S * 7000;
    c->flags = (unsigned)(n % 256);
}

void fixture_check_up(struct wn_record *r, int64_t n)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_CHECK_UP;
    struct wn_check_up_record *c = &r->u.check_up;
    double *const numbers[] = {
        &c->capacity_ah.value, &c->capacity_ah.u,        &c->energy_wh.value,  &c->energy_wh.u,
        &c->resistance_ohm.u,  &c->resistance_voltage_v, &c->temperature_max_c};
    FILL(numbers, (double)n);
    c->resistance_ohm.value = (double)NAN;
    c->check_up = n;
    c->after_cycle = 50 * n;
    c->start_ns = n * WN_NS_PER_S * 7200;
    c->end_ns = c->start_ns + WN_NS_PER_S * 7000;
    c->flags = (unsigned)(n % 256);
}

void fixture_event(struct wn_record *r, int64_t n, enum wn_severity severity)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_EVENT;
    struct wn_event_record *e = &r->u.event;
    e->time_ns = n * WN_NS_PER_S;
    e->cycle = n + 3;
    e->severity = severity;
    set(e->kind, sizeof e->kind, "kind", n);
    set(e->text, sizeof e->text, "what happened, where, what to do", n);
}

void fixture_intent(struct wn_record *r, int64_t n)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_INTENT;
    r->u.intent.time_ns = n * WN_NS_PER_S;
    r->u.intent.step_number = n + 5;
    set(r->u.intent.text, sizeof r->u.intent.text, "discharge 10 A to 2.5 V", n);
}

void fixture_state(struct wn_record *r, int64_t n, uint32_t size)
{
    memset(r, 0, sizeof *r);
    r->kind = WN_RECORD_STATE;
    r->u.state.time_ns = n;
    r->u.state.size = size;
    for (uint32_t i = 0; i < size; i++) {
        r->u.state.blob[i] = (unsigned char)((uint64_t)n * 31 + i * 7);
    }
}

void fixture_put(struct wn_campaign *c, const struct wn_record *r)
{
    assert_ok(wn_store_put(wn_campaign_store(c), r, why));
}

void fixture_commit(struct wn_campaign *c, wn_utc_us utc)
{
    assert_ok(wn_store_commit(wn_campaign_store(c), utc, why));
}

sqlite3 *plain_open(const char *path)
{
    sqlite3 *db = NULL;
    assert_int_equal(sqlite3_open_v2(path, &db, SQLITE_OPEN_READWRITE, NULL), SQLITE_OK);
    return db;
}

static sqlite3_stmt *plain_row(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *s = NULL;
    if (sqlite3_prepare_v2(db, sql, -1, &s, NULL) != SQLITE_OK || sqlite3_step(s) != SQLITE_ROW) {
        print_error("%s: %s\n", sql, sqlite3_errmsg(db));
        fail();
    }
    return s;
}

int64_t plain_int(sqlite3 *db, const char *sql)
{
    sqlite3_stmt *s = plain_row(db, sql);
    int64_t n = sqlite3_column_int64(s, 0);
    (void)sqlite3_finalize(s);
    return n;
}

const char *plain_text(sqlite3 *db, const char *sql)
{
    static char text[20000];
    sqlite3_stmt *s = plain_row(db, sql);
    const char *found = (const char *)sqlite3_column_text(s, 0);
    (void)snprintf(text, sizeof text, "%s", found != NULL ? found : "(NULL)");
    (void)sqlite3_finalize(s);
    return text;
}

uint64_t fixture_seed(uint64_t otherwise)
{
    const char *given = getenv("SEED");
    int64_t n = 0;
    uint64_t seed = given != NULL && wn_num_parse_int(given, strlen(given), &n) == WN_OK
                        ? (uint64_t)n
                        : otherwise;
    print_message("SEED=%llu\n", (unsigned long long)seed);
    return seed;
}

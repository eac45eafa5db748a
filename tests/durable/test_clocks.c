/* Clocks: a wall clock that jumps in mid-campaign, time zones that change over, an outage told by a
 * wall clock that is wrong, and 400 days without a pause.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* tzset, __int128 */
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "../unit/store/fixture.h"
#include "metrology/metrology.h"
#include "store/internal.h"

#define DAY_S   86400.0
#define LIMIT_S (40 * DAY_S)
#define HOUR_US (INT64_C(3600) * 1000000)

enum { CYCLES = 3 };

/* A campaign to its end; the wall clock jumps by step_us after the first cycle. The whole of the
 * file but what the wall clock labels, as text. */
static char *tell(const struct fixture *f, wn_utc_us step_us, bool restart, struct book *book)
{
    static const char *const queries[] = {
        "SELECT group_concat(step || ' ' || start_ns || ' ' || end_ns || ' ' || ended_by || ' ' || "
        "charge_in_ah || ' ' || charge_out_ah, char(10)) FROM step",
        "SELECT group_concat(cycle || ' ' || capacity_ah || ' ' || start_ns || ' ' || end_ns || ' "
        "' "
        "|| flags, char(10)) FROM cycle",
        "SELECT group_concat(number || ' ' || time_ns || ' ' || kind || ' ' || text, char(10)) "
        "FROM "
        "event",
        "SELECT count(*) || ' ' || sum(time_ns % 1000003) || ' ' || sum(voltage_v) FROM reading"};
    static char text[65536];
    struct rig *r = rig_make(f->dir, CYCLES, 0);
    struct wn_error err = {0};
    size_t len = 0;
    assert_int_equal(rig_create(r), WN_OK);
    rig_run_cycles(r, 1);
    r->utc_step_us = step_us;
    if (restart) {
        rig_close(r);
        rig_power_lost(r, 0, 600);
        assert_int_equal(rig_reopen(r), WN_OK);
    }
    assert_true(rig_run(r, LIMIT_S));
    if (wn_engine_state(r->engine) != WN_ENGINE_FINISHED) {
        fail_msg("not finished: %s; %s", r->book.event[r->book.events - 2].text,
                 r->book.event[r->book.events - 1].text);
    }
    for (size_t i = 0; i < sizeof queries / sizeof queries[0]; i++) {
        assert_int_equal(sql_text(r->campaign, queries[i], text + len, sizeof text - len, &err),
                         WN_OK);
        len += strlen(text + len);
    }
    rig_close(r);
    struct wn_campaign *c = NULL;
    assert_ok(wn_campaign_open_read(&c, r->path, why));
    (void)rig_audit(r, c, false);
    wn_campaign_close(c);
    *book = r->book;
    place_remove(r->path);
    rig_unmake(r);
    return strdup(text);
}

static const wn_utc_us steps_us[] = {-HOUR_US, HOUR_US, 10 * 8766 * HOUR_US, -RIG_UTC_US};

/* Nothing that is measured, decided or counted follows the wall clock. */
static void test_wall_clock_jumps(void **state)
{
    struct book book;
    char *plain = tell(*state, 0, false, &book);
    assert_true(strlen(plain) > 500);
    for (size_t i = 0; i < sizeof steps_us / sizeof steps_us[0]; i++) {
        char *jumped = tell(*state, steps_us[i], false, &book);
        assert_string_equal(plain, jumped);
        free(jumped);
    }
    free(plain);
}

/* The length of an outage is taken from it, and not believed when it cannot be: campaign time then
 * goes on where it stood, and never backwards. */
static void test_wall_clock_jumps_in_an_outage(void **state)
{
    for (size_t i = 0; i < sizeof steps_us / sizeof steps_us[0]; i++) {
        struct book book;
        free(tell(*state, steps_us[i], true, &book));
        assert_int_equal(book.cycles, CYCLES);
        for (int k = 1; k < book.steps; k++) {
            assert_true(book.step[k].start_ns >= book.step[k - 1].end_ns);
        }
        wn_ns whole_ns = book.step[book.steps - 1].end_ns;
        assert_true(wn_ns_to_s(whole_ns) < 2 * DAY_S); /* ten years are no pause */
        unsigned flags = book.cycle[1].flags | book.cycle[2].flags;
        bool paused = (flags & WN_FLAG_AFTER_PAUSE) != 0;
        assert_true(paused == (steps_us[i] == HOUR_US)); /* an hour more is one */
    }
}

/* The night in which clocks change over, seen from several places: the files are the same. */
static void test_change_over(void **state)
{
    static const char *const zones[] = {"UTC0", "CET-1CEST,M3.5.0,M10.5.0/3",
                                        "EST5EDT,M3.2.0,M11.1.0",
                                        "LHST-10:30LHDT-11,M10.1.0,M4.1.0"};
    char *first = NULL;
    for (size_t i = 0; i < sizeof zones / sizeof zones[0]; i++) {
        struct book book;
        assert_int_equal(setenv("TZ", zones[i], 1), 0);
        tzset();
        char *text = tell(*state, 0, i % 2 == 1, &book);
        free(text);
        text = tell(*state, 0, false, &book);
        if (first != NULL) {
            assert_string_equal(first, text);
            free(text);
        } else {
            first = text;
        }
    }
    free(first);
    assert_int_equal(unsetenv("TZ"), 0);
}

/* 400 days of readings, one a second, against whole numbers: microamperes, seconds. */
static void test_sums_over_400_days(void **state)
{
    const int64_t n = 400 * 86400;
    const wn_ns from_ns = INT64_C(50) * 365 * 86400 * WN_NS_PER_S; /* far beyond 2^32 ms, too */
    struct wn_integrator g;
    struct wn_integrator_setup setup = {
        .direction = 1, .end_kind = WN_END_NONE, .cv_voltage_v = NAN, .gap_max_s = 5};
    int64_t last_ua = 0;
    __int128 twice_uas = 0, twice_uwms = 0;
    (void)state;
    wn_integrator_init(&g, &setup);
    for (int64_t i = 0; i <= n; i++) {
        int64_t ua = 1000003 + (i * 7919) % 2999999; /* 1 A to 4 A */
        struct wn_reading r = {.time_ns = from_ns + i * WN_NS_PER_S,
                               .voltage_v = 3.7,
                               .current_a = (double)ua * 1e-6,
                               .has = WN_HAS_VOLTAGE | WN_HAS_CURRENT};
        (void)wn_integrator_add(&g, &r);
        twice_uas += i > 0 ? ua + last_ua : 0;
        last_ua = ua;
    }
    twice_uwms = twice_uas * 37;
    struct wn_step_sums s;
    wn_integrator_sums(&g, &s);
    long double exact_ah = (long double)twice_uas / 2 / 1e6L / 3600;
    long double exact_wh = (long double)twice_uwms / 20 / 1e6L / 3600;
    double off = (double)((s.charge_in_ah - exact_ah) / exact_ah);
    double off_energy = (double)((s.energy_in_wh - exact_wh) / exact_wh);
    print_message("%lld readings: charge %.2g, energy %.2g off; %.9f days\n", (long long)s.readings,
                  off, off_energy, s.duration_s / DAY_S);
    assert_true(fabs(off) < 1e-12 && fabs(off_energy) < 1e-12);
    assert_int_equal(s.readings, n + 1);
    assert_true(s.duration_s == (double)n && s.missing_s == 0);
}

/* The engine for 400 days on end, on a clock that has already run for 400: nothing wraps, nothing
 * drifts, the last cycle is as the second one. */
static void test_400_days(void **state)
{
    struct world *w = calloc(1, sizeof *w);
    (void)state;
    assert_non_null(w);
    world_setup(w, 100000, 0);
    w->setup.reading_interval_s = 1;
    w->now_ns = wn_ns_from_s(400 * DAY_S);
    world_command(w, WN_EVENT_START);
    wn_ns end_ns = w->now_ns + wn_ns_from_s(400 * DAY_S);
    double second_ah = NAN;
    while (w->now_ns < end_ns) {
        world_turn(w);
        world_clear_trace(w);
        if (w->cycles == 2) {
            second_ah = w->cycle[1].capacity_ah.value;
        }
    }
    const struct wn_cycle_record *last = &w->cycle[(w->cycles - 1) % WORLD_KEPT_MAX];
    print_message("%d cycles, %d steps, %ld readings; capacity moved by %.2g\n", w->cycles,
                  w->steps, w->readings, last->capacity_ah.value / second_ah - 1);
    assert_true(w->cycles > 3000 && w->readings > 10000000);
    assert_int_equal(last->cycle, w->cycles);
    assert_int_equal(last->flags, 0);
    assert_near(last->capacity_ah.value, second_ah, 1e-6 * second_ah);
    double out_ah = w->true_out_ah / w->cycles;
    assert_near(last->capacity_ah.value, out_ah, 2e-3 * out_ah);
    assert_true(w->steps >= 4 * w->cycles);
    world_shutdown(w);
    free(w);
}

/* Numbers that are already far along go on as they should: rows beyond 2^32. */
static void test_numbers_far_along(void **state)
{
    const struct fixture *f = *state;
    struct wn_campaign *c = fixture_create(f);
    const int64_t far = INT64_C(5000000000);
    static struct wn_record r;
    int64_t n = 0;
    c->next_reading = c->next_event = c->next_intent = far;
    fixture_reading(&r, 1, far);
    fixture_put(c, &r);
    fixture_event(&r, 1, WN_SEVERITY_INFO);
    fixture_put(c, &r);
    fixture_intent(&r, 1);
    fixture_put(c, &r);
    fixture_commit(c, RIG_UTC_US);
    wn_campaign_close(c);
    c = fixture_open(f);
    assert_ok(sql_int(c, "SELECT max(number) FROM reading", &n, why));
    assert_int_equal(n, far);
    assert_int_equal(c->next_reading, far + 1);
    assert_int_equal(c->next_event, far + 1);
    assert_int_equal(c->next_intent, far + 1);
    wn_campaign_close(c);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {T(test_wall_clock_jumps),
                                       T(test_wall_clock_jumps_in_an_outage),
                                       T(test_change_over),
                                       T(test_numbers_far_along),
                                       cmocka_unit_test(test_sums_over_400_days),
                                       cmocka_unit_test(test_400_days)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Campaigns side by side: who wins, and when nobody does.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "unit/findings/made.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "wane/results/findings_compare.h"

enum { N = 3 };

struct three {
    struct made *m[N];
    struct compare c;
};

static int setup(void **state)
{
    struct three *t = calloc(1, sizeof *t);
    for (int i = 0; t != NULL && i < N; i++) {
        t->m[i] = made_new();
    }
    *state = t;
    return t != NULL ? 0 : -1;
}

static int teardown(void **state)
{
    struct three *t = *state;
    for (int i = 0; i < N; i++) {
        free(t->m[i]);
    }
    free(t);
    return 0;
}

static void compare(struct three *t, int n)
{
    const struct findings *list[N];
    for (int i = 0; i < n; i++) {
        findings_judge(&t->m[i]->f);
        list[i] = &t->m[i]->f;
    }
    findings_compare(list, n, &t->c);
}

static const struct compare_item *item(const struct compare *c, const char *key, const char *where)
{
    for (int i = 0; i < c->items; i++) {
        if (strcmp(c->item[i].key, key) == 0 && strcmp(c->item[i].where, where) == 0) {
            return &c->item[i];
        }
    }
    return NULL;
}

static bool told(const struct compare *c, const char *text)
{
    for (int i = 0; i < c->reasons; i++) {
        if (strstr(c->reason[i], text) != NULL) {
            return true;
        }
    }
    return false;
}

/* u is 1 mAh each: 2 sqrt 2 mAh = 2.828 mAh apart is no difference, a little more is one. */
static void test_two(void **state)
{
    struct three *t = *state;
    (void)add_cycle(t->m[0], 10, 2.4);
    struct wn_cycle_record *r = add_cycle(t->m[1], 10.1, 2.4 - 0.00282);
    compare(t, 2);
    const struct compare_item *m = item(&t->c, "capacity", "at 10 A to 2.5 V");
    assert_non_null(m);
    assert_true(m->best == -1 && !m->differs[0] && !m->differs[1]);
    assert_string_equal(m->verdict,
                        "no clear winner in capacity at 10 A to 2.5 V: the difference lies "
                        "within the uncertainty");
    r->capacity_ah.value = 2.4 - 0.00284;
    compare(t, 2);
    m = item(&t->c, "capacity", "at 10 A to 2.5 V");
    assert_true(m->best == 0 && !m->differs[0] && m->differs[1]);
    assert_string_equal(m->verdict, "A holds more capacity at 10 A to 2.5 V than B: 2.4000 Ah, not "
                                    "2.3972 (difference 0.0028 +/- 0.0028)");
    r->capacity_ah.value = 2.5; /* and the other way round */
    compare(t, 2);
    assert_int_equal(item(&t->c, "capacity", "at 10 A to 2.5 V")->best, 1);
    r->capacity_ah.u = NAN; /* however far apart they are */
    compare(t, 2);
    m = item(&t->c, "capacity", "at 10 A to 2.5 V");
    assert_true(m->best == -1 && !m->differs[0]);
    assert_non_null(strstr(m->verdict, "an uncertainty is not known"));
}

static void test_cooler_is_better(void **state)
{
    struct three *t = *state;
    add_cycle(t->m[0], 10, 2.4)->temperature_max_c = 50;
    add_cycle(t->m[1], 10, 2.4)->temperature_max_c = 45;
    compare(t, 2);
    const struct compare_item *m = item(&t->c, "temperature_max", "at 10 A to 2.5 V");
    assert_int_equal(m->best, 1);
    assert_true(m->differs[0]);
    assert_non_null(strstr(m->verdict, "B stays cooler"));
}

/* One of three may differ from the best without the best being better than all. */
static void test_three(void **state)
{
    struct three *t = *state;
    (void)add_cycle(t->m[0], 10, 2.400);
    (void)add_cycle(t->m[1], 10, 2.401);
    struct wn_cycle_record *r = add_cycle(t->m[2], 10, 2.3);
    compare(t, 3);
    const struct compare_item *m = item(&t->c, "capacity", "at 10 A to 2.5 V");
    assert_true(m->best == -1 && !m->differs[0] && m->differs[2]);
    r->capacity_ah.value = 2.5;
    compare(t, 3);
    m = item(&t->c, "capacity", "at 10 A to 2.5 V");
    assert_true(m->best == 2 && m->differs[0] && m->differs[1]);
    assert_non_null(strstr(m->verdict, "C holds more capacity at 10 A to 2.5 V than each of the "
                                       "others: 2.5000 Ah, the next 2.4010"));
}

static void test_not_comparable(void **state)
{
    struct three *t = *state;
    (void)add_cycle(t->m[0], 10, 2.4);
    add_cycle(t->m[1], 10, 2.4)->cutoff_v = 2.8;
    (void)add_cycle(t->m[2], 5, 2.4);
    compare(t, 3);
    assert_int_equal(t->c.items, 0);
    assert_true(
        told(&t->c, "A at 10 A to 2.5 V: B was discharged at 10 A to 2.8 V: another cut-off"));
    assert_true(
        told(&t->c, "B at 10 A to 2.8 V: A was discharged at 10 A to 2.5 V: another cut-off"));
    assert_true(told(&t->c, "C at 5 A to 2.5 V: no other was discharged so"));
    assert_true(told(&t->c, "A over its life: it has no two valid cycles"));
    t->m[0]->cycle[0].flags = WN_FLAG_GAP;
    compare(t, 2);
    assert_true(told(&t->c, "A at 10 A to 2.5 V: no discharge of it is valid"));
    assert_true(told(&t->c, "A: conditions not kept: Without a break"));
}

static void test_age(void **state)
{
    struct three *t = *state;
    (void)add_cycle(t->m[0], 10, 2.4);
    (void)add_cycle(t->m[1], 5, 2.45);
    (void)add_cycle(t->m[1], 10, 2.4);
    compare(t, 2);
    assert_false(told(&t->c, "not of the same age"));
    t->m[1]->cycle[1].flags = WN_FLAG_INTERRUPTED; /* the next valid one is older */
    (void)add_cycle(t->m[1], 10, 2.39);
    compare(t, 2);
    assert_true(told(&t->c, "10 A to 2.5 V: not of the same age: A after 0 cycles, B after 2"));
}

/* A loses 4 mAh a cycle, B 5 mAh; 60 and 75 cycles. */
static void test_life(void **state)
{
    struct three *t = *state;
    for (int i = 0; i < 75; i++) {
        if (i < 60) {
            (void)add_cycle(t->m[0], 10, 2.4 - 0.004 * i);
        }
        (void)add_cycle(t->m[1], 10, 2.4 - 0.005 * i);
    }
    (void)add_cycle(t->m[2], 10, 2.4);
    compare(t, 3);
    assert_null(item(&t->c, "retention", "after cycle 75"));
    const struct compare_item *m =
        item(&t->c, "retention", "after cycle 60"); /* the last of both */
    assert_non_null(m);
    assert_int_equal(m->best, 0);
    assert_near(m->value[0].value, (2.4 - 0.004 * 59) / 2.4, 1e-12);
    assert_near(m->value[1].value, (2.4 - 0.005 * 59) / 2.4, 1e-12);
    assert_true(isnan(m->value[2].value));
    assert_non_null(item(&t->c, "retention", "after cycle 20"));
    assert_non_null(item(&t->c, "resistance", "at cycle 40"));
    assert_true(told(&t->c, "C over its life"));
    assert_false(told(&t->c, "aged otherwise"));
    (void)snprintf(t->m[1]->step[0].description, sizeof t->m[1]->step[0].description, "charge 2 A");
    compare(t, 2);
    assert_true(told(&t->c, "A: " CLAIM_CHARGE ", B: charge 2 A: they may have aged otherwise"));
    t->m[1]->f.plan = NULL;
    compare(t, 2);
    assert_true(told(&t->c, "how B was charged is not known"));
    for (size_t i = 0; i < t->m[1]->f.cycle.n; i++) {
        t->m[1]->cycle[i].discharge_current_a = 5;
    }
    compare(t, 2);
    assert_true(told(&t->c, "over life: A was cycled at 10 A to 2.5 V, B at 5 A to 2.5 V"));
    assert_null(item(&t->c, "retention", "after cycle 60"));
}

/* Two cells that are the same but for a warm room now and then: a difference within the scatter of
 * the cycles is none, however well each is measured. */
static void test_scatter(void **state)
{
    struct three *t = *state;
    for (int i = 0; i < 40; i++) {
        double warm = i % 4 < 2 ? 0.003 : -0.003;
        (void)add_cycle(t->m[0], 10, 2.4 - 0.004 * i + warm);
        (void)add_cycle(t->m[1], 10, 2.4 - 0.004 * i);
    }
    compare(t, 2);
    const struct compare_item *m = item(&t->c, "retention", "after cycle 40");
    assert_near(fabs(m->value[0].value - m->value[1].value), 0.0025, 0.0005);
    assert_true(m->best == -1 && !m->differs[0] && !m->differs[1]);
    assert_near(findings_scatter(&t->m[0]->f, 20, false), 0.003, 0.0004);
    assert_near(findings_scatter(&t->m[1]->f, 20, false), 0, 1e-6);
    assert_true(m->value[0].u > 4 * m->value[1].u);
}

static void test_projection(void **state)
{
    struct three *t = *state;
    for (int i = 0; i < 80; i++) {
        (void)add_cycle(t->m[0], 10, 2.4 - 0.002 * i);
        (void)add_cycle(t->m[1], 10, 2.4 - 0.01 * i);
    }
    compare(t, 2);
    const struct compare_item *m = item(&t->c, "end_of_life", "to its threshold");
    assert_non_null(m);
    assert_int_equal(m->best, 0);
    assert_true(m->differs[1] && m->low[0] > m->high[1]);
    t->m[1]->f.info.retention_threshold = 0.8;
    compare(t, 2);
    assert_null(item(&t->c, "end_of_life", "to its threshold"));
    assert_true(told(&t->c, "the thresholds differ (70 and 80 % of rated)"));
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, setup, teardown)
    const struct CMUnitTest tests[] = {
        T(test_two),     T(test_cooler_is_better),
        T(test_three),   T(test_not_comparable),
        T(test_age),     T(test_life),
        T(test_scatter), T(test_projection),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

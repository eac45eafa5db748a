/* Every rule of a procedure: one that breaks it, and what is said then.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "make.h"

static struct wn_procedure p;

static const struct wn_procedure_bounds cell = {.charge_current_max_a = 6,
                                                .discharge_current_max_a = 20,
                                                .charge_voltage_max_v = 4.2,
                                                .discharge_voltage_min_v = 2.5};
static const struct wn_procedure_bounds unlimited = {NAN, NAN, NAN, NAN};

/* Lines: claim 11 charge, 12 rest, 13 discharge, 14 rest; check-up 15 charge, 16 pulse, 17 charge,
 * 18 discharge. */
static void make_good(void)
{
    make_claim(&p);
    add_check_up(&p, 50);
}

static void expect(int code, const char *text, const char *file, int line)
{
    struct wn_error err = {WN_OK, ""};
    int rc = wn_procedure_validate(&p, &cell, "claim.conf", &err);
    if (rc != code || err.code != code || strcmp(err.text, text) != 0) {
        print_error("got %d \"%s\"\nwant %d \"%s\"\n", rc, err.text, code, text);
        _fail(file, line);
    }
    assert_int_equal(wn_procedure_validate(&p, &cell, "claim.conf", NULL), code);
}

#define EXPECT(code, text) expect((code), (text), __FILE__, __LINE__)
/* A good procedure with one change. */
#define WITH(change, code, text)                                                                   \
    do {                                                                                           \
        make_good();                                                                               \
        change;                                                                                    \
        EXPECT((code), (text));                                                                    \
    } while (0)

static void good_ones_pass(void **state)
{
    (void)state;
    make_good();
    EXPECT(WN_OK, "");
    make_claim(&p);
    EXPECT(WN_OK, "");
    p.ambient_min_c = p.ambient_max_c = NAN; /* no window */
    p.resistance_delay_s = p.rest_min_s = p.end_below_ah = 0;
    p.step[2] = discharge_power(50, 2.5); /* 20 A at the cut-off: at the limit */
    p.step[0].current_a = 6;
    EXPECT(WN_OK, "");
    clear(&p); /* a cell that comes from elsewhere is emptied first */
    (void)begin_phase(&p, "empty", 1, false);
    (void)append(&p, discharge(0.5, 2.5));
    (void)append(&p, rest(3600));
    end_phase(&p);
    EXPECT(WN_OK, "");
}

static void without_bounds_only_the_rules_count(void **state)
{
    (void)state;
    struct wn_error err = {WN_OK, ""};
    make_good();
    p.step[0].current_a = 400;
    p.step[0].voltage_v = 9;
    p.step[2].current_a = 400;
    p.step[2].until_voltage_v = 0.1;
    assert_int_equal(wn_procedure_validate(&p, &unlimited, "claim.conf", &err), WN_OK);
    assert_int_equal(err.code, WN_OK);
}

static void charge_rules(void **state)
{
    (void)state;
    WITH(p.step[0].current_a = 0, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): current must be above zero; write for example "
         "\"4 A\"");
    WITH(p.step[0].current_a = NAN, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): current must be above zero; write for example "
         "\"4 A\"");
    WITH(p.step[0].voltage_v = -4.2, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): voltage must be above zero; write for example "
         "\"4.2 V\"");
    WITH(p.step[0].until_current_a = 0, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): until must be above zero; write for example "
         "\"100 mA\"");
    WITH(p.step[0].time_limit_s = 0, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): time_limit must be above zero; write for example "
         "\"4 h\"");
    WITH(
        p.step[0].until_current_a = 4, WN_EINVAL,
        "claim.conf:11: claim, step 1 (charge): until must be below the charge current; make until "
        "smaller");
    WITH(p.step[0].current_a = 6.5, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): current 6.5 A is above what the cell may take: "
         "6 A; make it smaller");
    WITH(p.step[0].voltage_v = 4.35, WN_ERANGE,
         "claim.conf:11: claim, step 1 (charge): voltage 4.35 V is above what the cell may take: "
         "4.2 V; make it smaller");
}

static void discharge_rules(void **state)
{
    (void)state;
    WITH(p.step[2].current_a = INFINITY, WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): current must be above zero; write for example "
         "\"0.2 It\"");
    WITH(p.step[2] = discharge_power(0, 2.5), WN_ERANGE,
         "claim.conf: claim, step 3 (discharge): power must be above zero; write for example "
         "\"20 W\"");
    WITH(p.step[2].time_limit_s = -1, WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): time_limit must be above zero; write for "
         "example "
         "\"8 h\"");
    WITH(p.step[2].until_voltage_v = 0, WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): until must be above zero; write for example "
         "\"2.5 V\"");
    WITH(p.step[2].until_voltage_v = 2.4, WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): until 2.4 V is below what the cell may take: "
         "2.5 V; make it larger");
    WITH(p.step[2].current_a = 25, WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): current 25 A is above what the cell may take: "
         "20 A; make it smaller");
    WITH((p.step[2] = discharge_power(55, 2.5), p.step[2].source_line = 13), WN_ERANGE,
         "claim.conf:13: claim, step 3 (discharge): current at the cut-off 22 A is above what the "
         "cell may take: 20 A; make it smaller");
    WITH(p.step[2].until_voltage_v = 4.2, WN_EINVAL,
         "claim.conf:13: claim, step 3 (discharge): until must be below the charge voltage before "
         "it");
}

static void rest_and_pulse_rules(void **state)
{
    (void)state;
    WITH(p.step[1].duration_s = 0, WN_ERANGE,
         "claim.conf:12: claim, step 2 (rest): duration must be above zero; write for example "
         "\"1 h\"");
    WITH(p.step[5].levels = 0, WN_EINVAL,
         "claim.conf:16: check_up, step 2 (pulse): a pulse has 1 to 4 levels, this one 0");
    WITH(p.step[5].levels = 5, WN_EINVAL,
         "claim.conf:16: check_up, step 2 (pulse): a pulse has 1 to 4 levels, this one 5");
    WITH(
        p.step[5].level[1].current_a = 0, WN_ERANGE,
        "claim.conf:16: check_up, step 2 (pulse): current of a level must be above zero; write for "
        "example \"0.2 It\"");
    WITH(p.step[5].level[0].duration_s = 0, WN_ERANGE,
         "claim.conf:16: check_up, step 2 (pulse): duration of a level must be above zero; write "
         "for "
         "example \"10 s\"");
    WITH(p.step[5].level[1].current_a = 21, WN_ERANGE,
         "claim.conf:16: check_up, step 2 (pulse): current of a level 21 A is above what the cell "
         "may take: 20 A; make it smaller");
    WITH(p.step[5].until_voltage_v = 2.4, WN_ERANGE,
         "claim.conf:16: check_up, step 2 (pulse): until 2.4 V is below what the cell may take: "
         "2.5 V; make it larger");
    WITH(p.step[1].kind = (enum wn_step_kind)9, WN_EINVAL,
         "claim.conf:12: claim, step 2 (unknown): no such kind of step: 9");
}

static void order_rules(void **state)
{
    (void)state;
    struct wn_step swap;
    /* discharge, rest, charge, rest: the first has no charge before it */
    WITH((swap = p.step[0], p.step[0] = p.step[2], p.step[2] = swap), WN_EINVAL,
         "claim.conf:13: claim, step 1 (discharge): no charge before it; put a charge step in "
         "front");
    WITH((p.step[3] = discharge(0.5, 2.5), p.step[3].source_line = 14), WN_EINVAL,
         "claim.conf:14: claim, step 4 (discharge): a cycle and a check-up have one discharge; put "
         "this one into a phase of its own");
    WITH((p.step[3] = pulse(0.5, 10, 2.5, 1), p.step[3].source_line = 14), WN_EINVAL,
         "claim.conf:14: claim, step 4 (pulse): no charge before it; put a charge step in front");
    WITH(
        p.step[4] = rest(3600), WN_EINVAL,
        "claim.conf:16: check_up, step 2 (pulse): no charge before it; put a charge step in front");
    WITH((p.step[4].voltage_v = 2.5, p.step[4].source_line = 15), WN_EINVAL,
         "claim.conf:16: check_up, step 2 (pulse): until must be below the charge voltage before "
         "it");
}

static void phase_rules(void **state)
{
    (void)state;
    WITH(p.phases = 0, WN_EINVAL, "claim.conf: a procedure has 1 to 24 phases, this one 0");
    WITH(p.phases = 25, WN_EINVAL, "claim.conf: a procedure has 1 to 24 phases, this one 25");
    const char *no_steps =
        "claim.conf: claim: has no steps; write steps = ( { do = \"charge\"; ... }, ... )";
    WITH(p.phase[0].steps = 0, WN_EINVAL, no_steps);
    WITH(p.phase[0].steps = 9, WN_EINVAL, no_steps); /* more than the procedure has */
    WITH(p.phase[0].first_step = -1, WN_EINVAL, no_steps);
    WITH(p.steps = WN_STEPS_MAX + 1, WN_EINVAL, no_steps);
    WITH(p.phase[0].repeat = 0, WN_ERANGE, "claim.conf: claim: repeat must be 1 to 1000000, not 0");
    WITH(p.phase[0].repeat = 1000001, WN_ERANGE,
         "claim.conf: claim: repeat must be 1 to 1000000, not 1000001");
    WITH(p.phase[0].makes_cycles = false, WN_EINVAL,
         "claim.conf: claim: makes_cycles must be true here: a cycle is a charge and a discharge");
    WITH((p.step[2] = rest(60)), WN_EINVAL,
         "claim.conf: claim: makes_cycles must be false here: a cycle is a charge and a discharge");
}

static void check_up_rules(void **state)
{
    (void)state;
    WITH(p.check_up_every = 0, WN_ERANGE,
         "claim.conf: check_up: every must be at least 1 cycle, not 0; write every = 50");
    WITH(p.check_up_first_step = 6, WN_EINVAL,
         "claim.conf: check_up: has no steps; write steps = ( { do = \"charge\"; ... }, ... )");
    WITH((p.step[2] = rest(60), p.phase[0].makes_cycles = false), WN_EINVAL,
         "claim.conf: check_up: never comes, because no phase makes cycles; give a phase a charge "
         "and "
         "a discharge");
}

static void rules_of_the_whole(void **state)
{
    (void)state;
    WITH(p.ambient_min_c = 25, WN_EINVAL, "claim.conf: ambient_min must be below ambient_max");
    WITH(p.resistance_delay_s = -1, WN_ERANGE,
         "claim.conf: resistance_delay must be a number, at least zero");
    WITH(p.rest_min_s = -1, WN_ERANGE, "claim.conf: rest_min must be a number, at least zero");
    WITH(p.end_below_ah = NAN, WN_ERANGE, "claim.conf: end_below must be a number, at least zero");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(good_ones_pass),
        cmocka_unit_test(without_bounds_only_the_rules_count),
        cmocka_unit_test(charge_rules),
        cmocka_unit_test(discharge_rules),
        cmocka_unit_test(rest_and_pulse_rules),
        cmocka_unit_test(order_rules),
        cmocka_unit_test(phase_rules),
        cmocka_unit_test(check_up_rules),
        cmocka_unit_test(rules_of_the_whole),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

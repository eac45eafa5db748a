/* Where one is in a procedure: exhaustive walks, saved positions, texts of steps.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "make.h"

#include <fcntl.h>
#include <signal.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <unistd.h>

enum { WALK_MAX = 4000 };

/* One step of the walk as it should be. */
struct stop {
    int step; /* index in wn_procedure.step */
    bool in_check_up, last;
    int64_t number; /* of the cycle or check-up */
};

static struct stop walk[WALK_MAX];
static int stops;
static int64_t model_cycles, model_check_ups;

static void model_round(int first, int steps, bool in_check_up, int64_t number)
{
    for (int i = 0; i < steps; i++) {
        assert_true(stops < WALK_MAX);
        walk[stops++] = (struct stop){first + i, in_check_up, i == steps - 1, number};
    }
}

static void model_check_up(const struct wn_procedure *p)
{
    if (p->check_up_steps > 0) {
        model_round(p->check_up_first_step, p->check_up_steps, true, ++model_check_ups);
    }
}

/* The whole procedure written down as nested loops: the walk that the arithmetic must reproduce. */
static void model(const struct wn_procedure *p)
{
    int64_t total = 0;
    stops = 0;
    model_cycles = model_check_ups = 0;
    for (int i = 0; i < p->phases; i++) {
        total += p->phase[i].makes_cycles ? p->phase[i].repeat : 0;
    }
    for (int i = 0; i < p->phases; i++) {
        const struct wn_phase *phase = &p->phase[i];
        for (int64_t k = 0; k < phase->repeat && phase->steps > 0; k++) {
            if (!phase->makes_cycles) {
                model_round(phase->first_step, phase->steps, false, 0);
                continue;
            }
            if (model_cycles == 0) {
                model_check_up(p);
            }
            model_round(phase->first_step, phase->steps, false, ++model_cycles);
            if (model_cycles == total || model_cycles % p->check_up_every == 0) {
                model_check_up(p);
            }
        }
    }
}

static void compare_from(const struct wn_procedure *p, struct wn_position at, int from)
{
    for (int i = from; i < stops; i++) {
        const struct stop *s = &walk[i];
        assert_false(wn_position_finished(&at, p));
        assert_true(wn_position_fits(&at, p));
        assert_ptr_equal(wn_position_step(&at, p), &p->step[s->step]);
        assert_true(at.in_check_up == s->in_check_up);
        assert_true(wn_position_last_of_round(&at, p) == s->last);
        assert_int_equal(wn_position_cycle(&at, p), s->number);
        wn_position_advance(&at, p);
    }
    assert_true(wn_position_finished(&at, p));
    assert_true(wn_position_fits(&at, p));
    assert_null(wn_position_step(&at, p));
    assert_false(wn_position_last_of_round(&at, p));
    assert_int_equal(wn_position_cycle(&at, p), 0);
    assert_int_equal(at.phase, p->phases);
    assert_int_equal(at.cycles_done, model_cycles);
    assert_int_equal(at.check_ups_done, model_check_ups);
    assert_int_equal(at.cycles_done, wn_procedure_cycles(p));
}

/* Walks from the start, and again from each position saved as bytes and read back. */
static void check_walk(const struct wn_procedure *p)
{
    struct wn_position at, again;
    unsigned char saved[sizeof at];
    model(p);
    wn_position_init(&at, p);
    compare_from(p, at, 0);
    for (int i = 0; i < stops; i++) {
        memcpy(saved, &at, sizeof at);
        memset(&again, 0xaa, sizeof again);
        memcpy(&again, saved, sizeof again);
        compare_from(p, again, i);
        wn_position_advance(&at, p);
    }
}

/* The shape of a phase as one number: repeats 1 to 3, steps 1 to 2, cycles or not. */
enum { SHAPES = 3 * 2 * 2 };

static void add_shape(struct wn_procedure *p, int shape)
{
    (void)begin_phase(p, "phase", 1 + shape % 3, shape / 6 == 1);
    for (int i = 0; i <= shape / 3 % 2; i++) {
        (void)append(p, rest(1));
    }
    end_phase(p);
}

static void add_bare_check_up(struct wn_procedure *p, int steps, int64_t every)
{
    p->check_up_first_step = p->steps;
    for (int i = 0; i < steps; i++) {
        (void)append(p, rest(1));
    }
    p->check_up_steps = steps;
    p->check_up_every = every;
}

static void every_small_procedure(void **state)
{
    (void)state;
    static struct wn_procedure p;
    int walked = 0;
    for (int a = 0; a < SHAPES; a++) {
        for (int b = -1; b < SHAPES; b++) {
            for (int c = -1; c < (b < 0 ? 0 : SHAPES); c++) {
                for (int steps = 0; steps <= 2; steps++) {
                    for (int64_t every = 1; every <= (steps > 0 ? 10 : 1); every++) {
                        clear(&p);
                        add_shape(&p, a);
                        if (b >= 0) {
                            add_shape(&p, b);
                        }
                        if (c >= 0) {
                            add_shape(&p, c);
                        }
                        add_bare_check_up(&p, steps, every);
                        check_walk(&p);
                        walked++;
                    }
                }
            }
        }
    }
    print_message("%d procedures walked, each from every position\n", walked);
    assert_int_equal(walked, 12 * (1 + 12 * 13) * 21);
}

static int64_t check_ups_of(int64_t cycles, int64_t every)
{
    static struct wn_procedure p;
    struct wn_position at;
    make_claim(&p);
    p.phase[0].repeat = cycles;
    add_check_up(&p, every);
    for (wn_position_init(&at, &p); !wn_position_finished(&at, &p); wn_position_advance(&at, &p)) {
    }
    assert_int_equal(at.cycles_done, cycles);
    return at.check_ups_done;
}

static void check_ups_are_counted(void **state)
{
    (void)state;
    assert_int_equal(check_ups_of(300, 50), 7); /* before, six times 50, not twice at the end */
    assert_int_equal(check_ups_of(310, 50), 8); /* and after the last */
    assert_int_equal(check_ups_of(10, 3), 5);
    assert_int_equal(check_ups_of(9, 3), 4);
    assert_int_equal(check_ups_of(10, 11), 2);
    assert_int_equal(check_ups_of(10, 10), 2);
    assert_int_equal(check_ups_of(1, 1), 2);
    assert_int_equal(check_ups_of(4, 1), 5);
}

static void numbers_in_the_claim(void **state)
{
    (void)state;
    static struct wn_procedure p;
    struct wn_position at;
    make_claim(&p);
    assert_int_equal(wn_procedure_cycles(&p), 300);
    wn_position_init(&at, &p);
    for (int i = 0; i < 4 * 136 + 2; i++) {
        wn_position_advance(&at, &p);
    }
    assert_int_equal(wn_position_cycle(&at, &p), 137);
    assert_int_equal(wn_position_step(&at, &p)->kind, WN_STEP_DISCHARGE);
    assert_int_equal(at.cycles_done, 136);
}

static void nothing_to_do_is_finished_at_once(void **state)
{
    (void)state;
    static struct wn_procedure p;
    struct wn_position at;
    clear(&p);
    wn_position_init(&at, &p);
    assert_true(wn_position_finished(&at, &p));
    (void)begin_phase(&p, "empty", 5, false);
    end_phase(&p);
    add_check_up(&p, 1);
    wn_position_init(&at, &p);
    assert_true(wn_position_finished(&at, &p));
    assert_int_equal(at.check_ups_done, 0);
}

static void a_position_of_something_else_is_seen(void **state)
{
    (void)state;
    static struct wn_procedure p;
    struct wn_position good, bad;
    make_claim(&p);
    add_check_up(&p, 50);
    wn_position_init(&good, &p);
    for (int i = 0; i < 4 + 4 * 7 + 1; i++) { /* check-up, seven cycles, one step */
        wn_position_advance(&good, &p);
    }
    assert_true(wn_position_fits(&good, &p));
    assert_int_equal(good.cycles_done, 7);
#define REFUSED(change)                                                                            \
    do {                                                                                           \
        bad = good;                                                                                \
        change;                                                                                    \
        assert_false(wn_position_fits(&bad, &p));                                                  \
    } while (0)
    REFUSED(bad.phase = -1);
    REFUSED(bad.phase = 1);
    REFUSED(bad.phase = 2);
    REFUSED(bad.repeat = -1);
    REFUSED(bad.repeat = 8);
    REFUSED(bad.repeat = bad.cycles_done = 300);
    REFUSED(bad.step = -1);
    REFUSED(bad.step = 4);
    REFUSED(bad.cycles_done = 6);
    REFUSED(bad.check_ups_done = -1);
    REFUSED(bad.check_up_at_cycle = -2);
    REFUSED(bad.check_up_at_cycle = 8);
    REFUSED((bad.in_check_up = true, bad.step = 4));
#undef REFUSED
}

static int signal_of_advancing(const struct wn_position *at, const struct wn_procedure *p)
{
    int status = 0;
    (void)fflush(NULL);
    pid_t child = fork();
    if (child == 0) {
        struct wn_position copy = *at;
        int null = open("/dev/null", O_WRONLY);
        (void)dup2(null, STDERR_FILENO);
        (void)signal(SIGABRT, SIG_DFL);
        wn_position_advance(&copy, p);
        _exit(0);
    }
    if (child < 0 || waitpid(child, &status, 0) != child) {
        return -1;
    }
    return WIFSIGNALED(status) ? WTERMSIG(status) : 0;
}

static void nothing_comes_after_the_end(void **state)
{
    (void)state;
    static struct wn_procedure p;
    struct wn_position at;
    make_claim(&p);
    wn_position_init(&at, &p);
    assert_int_equal(signal_of_advancing(&at, &p), 0);
    while (!wn_position_finished(&at, &p)) {
        wn_position_advance(&at, &p);
    }
    assert_int_equal(signal_of_advancing(&at, &p), SIGABRT);
}

static void steps_in_words(void **state)
{
    (void)state;
    char buf[WN_STEP_DESCRIBE_SIZE];
    struct wn_step s = charge(4, 4.2, 0.1);
    assert_string_equal(wn_step_describe(&s, buf, sizeof buf), "charge 4 A to 4.2 V until 100 mA");
    s = rest(3600);
    assert_string_equal(wn_step_describe(&s, buf, sizeof buf), "rest 1 h");
    s = discharge(10, 2.5);
    assert_string_equal(wn_step_describe(&s, buf, sizeof buf), "discharge 10 A to 2.5 V");
    s = discharge_power(20, 2.8);
    assert_string_equal(wn_step_describe(&s, buf, sizeof buf), "discharge 20 W to 2.8 V");
    s = pulse(0.5, 10, 2.5, 1);
    assert_string_equal(wn_step_describe(&s, buf, sizeof buf),
                        "pulse 500 mA for 10 s, 2.5 A for 1 s");

    char small[12];
    assert_string_equal(wn_step_describe(&s, small, sizeof small), "pulse 500 m");
    assert_string_equal(wn_step_describe(&s, small, 1), "");
    s.levels = WN_LEVELS_MAX; /* the longest there is fits */
    for (int i = 0; i < WN_LEVELS_MAX; i++) {
        s.level[i] = (struct wn_level){1.23456e-4, 98765.4};
    }
    assert_true(strlen(wn_step_describe(&s, buf, sizeof buf)) < sizeof buf - 1);
    assert_non_null(strstr(buf, ", "));

    assert_string_equal(wn_step_kind_name(WN_STEP_CHARGE), "charge");
    assert_string_equal(wn_step_kind_name(WN_STEP_REST), "rest");
    assert_string_equal(wn_step_kind_name(WN_STEP_DISCHARGE), "discharge");
    assert_string_equal(wn_step_kind_name(WN_STEP_DISCHARGE_POWER), "discharge");
    assert_string_equal(wn_step_kind_name(WN_STEP_PULSE), "pulse");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_small_procedure),
        cmocka_unit_test(check_ups_are_counted),
        cmocka_unit_test(numbers_in_the_claim),
        cmocka_unit_test(nothing_to_do_is_finished_at_once),
        cmocka_unit_test(a_position_of_something_else_is_seen),
        cmocka_unit_test(nothing_comes_after_the_end),
        cmocka_unit_test(steps_in_words),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

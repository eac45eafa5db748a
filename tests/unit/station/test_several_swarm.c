/* A station of several instruments under a seeded swarm of faults: at every moment the promises of
 * several_watch.c hold, and with the faults over an operator brings the campaign to its end.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * WANE_SEED: the first seed; WANE_SEEDS: how many; with one, everything is shown. */
#include <inttypes.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "several_rig.h"
#include "support/near.h"

#define FAULTS_S   900.0  /* the faults come and go for so long */
#define END_S      7200.0 /* then the campaign must end within this */
#define OPERATOR_S 30.0
enum { SEEDS = 400, FRAME_SEEDS = 40, FIRST = 20261126, FAULTS_MAX = 8 };

/* Seeds that once failed. What one does depends on the simulation as well: one whose story has
 * moved on is still a seed like any other. */
static const uint64_t kept[] = {
    3,   /* the relay closed while the supply was on */
    44,  /* a current of one instrument that was asked, and of one that was not */
    56,  /* as 3 */
    86,  /* as 44, the load */
    110, /* as 3 */
    3152 /* the computer sleeps with the supply stuck */
};
static const uint64_t kept_frames[] = {
    7008 /* a temperature from before the computer slept */
};

/* What can happen to an instrument: a switch of the bench that comes, and one that ends it. %d: a
 * number out of so many, from the least. */
static const struct fault {
    const char *on, *off; /* off NULL: it ends by itself */
    uint64_t least, most;
    unsigned whom; /* bits of enum who */
} faults[] = {
    {"unplug", NULL, 0, 0, 31},
    {"reset", NULL, 0, 0, 31},
    {"silence=%d", "silence=0", 1, 12, 31},
    {"lose=0.0%d", "lose=0", 1, 9, 31},
    {"flip=0.00%d", "flip=0", 1, 9, 31},
    {"insert=0.0%d", "insert=0", 1, 9, 31},
    {"in-lose=0.0%d", "in-lose=0", 1, 9, 31},
    {"in-lose=1", "in-lose=0", 0, 0, 31},
    {"in-flip=0.00%d", "in-flip=0", 1, 9, 31},
    {"delay-ms=%d", "delay-ms=2", 50, 2500, 31},
    {"stuck", "stuck=off", 0, 0, 1 << SUPPLY | 1 << LOAD | 1 << RELAY},
    {"restore", "restore=off", 0, 0, 1 << SUPPLY | 1 << LOAD},
    {"frozen", "frozen=off", 0, 0, 1 << CELL | 1 << AIR},
    {"open", "open=off", 0, 0, 1 << CELL | 1 << AIR},
    {"offset-k=%d", "offset-k=0", 5, 60, 1 << CELL | 1 << AIR},
    {"piece=%d", "piece=0", 1, 7, 31}, /* the last one with MODBUS alone: seeds are kept */
};
enum { FRAME_FAULTS = 1 };

static struct {
    const struct fault *fault;
    enum who who;
    wn_ns from_ns, until_ns;
    bool begun, over;
    char on[60];
} plan[FAULTS_MAX];

static struct wn_prng dice;

static uint64_t draw(uint64_t least, uint64_t most)
{
    return least + wn_prng_below(&dice, most - least + 1);
}

static void make_plan(bool modbus)
{
    size_t kinds = sizeof faults / sizeof faults[0] - (modbus ? 0 : FRAME_FAULTS);
    size_t n = (size_t)draw(1, FAULTS_MAX);
    memset(plan, 0, sizeof plan);
    for (size_t i = 0; i < n; i++) {
        const struct fault *f = &faults[draw(0, kinds - 1)];
        do {
            plan[i].who = (enum who)draw(0, WHOS - 1);
        } while ((f->whom & 1u << plan[i].who) == 0 || !plant_has(plan[i].who));
        plan[i].fault = f;
        plan[i].from_ns = frame.now_ns + wn_ns_from_s((double)draw(5, (uint64_t)FAULTS_S));
        plan[i].until_ns = plan[i].from_ns + wn_ns_from_s((double)draw(1, 120));
        const char *number = strchr(f->on, '%');
        (void)snprintf(plan[i].on, sizeof plan[i].on, "%.*s",
                       (int)(number != NULL ? (size_t)(number - f->on) : strlen(f->on)), f->on);
        if (number != NULL) {
            size_t len = strlen(plan[i].on);
            (void)snprintf(plan[i].on + len, sizeof plan[i].on - len, "%" PRIu64,
                           draw(f->least, f->most));
        }
    }
}

static void tell(const char *what, enum who who)
{
    if (!frame.quiet) {
        print_message("[%8.2f] --- %s: %s\n", wn_ns_to_s(frame.now_ns), who_names[who], what);
    }
}

static void run_plan(void)
{
    for (size_t i = 0; i < FAULTS_MAX; i++) {
        const struct fault *f = plan[i].fault;
        double lasts_s = fmax(1, wn_ns_to_s(plan[i].until_ns - frame.now_ns));
        char away[40];
        if (f == NULL) {
            continue;
        }
        if (!plan[i].begun && frame.now_ns >= plan[i].from_ns) {
            plan[i].begun = true;
            tell(plan[i].on, plan[i].who);
            (void)snprintf(away, sizeof away, "away-ms=%d", (int)(lasts_s * 500));
            several_fault(plan[i].who, 0, away);
            several_fault(plan[i].who, lasts_s, plan[i].on);
        }
        if (!plan[i].over && frame.now_ns >= plan[i].until_ns) {
            plan[i].over = true;
            if (f->off != NULL) {
                tell(f->off, plan[i].who);
                several_fault(plan[i].who, 0, f->off);
            }
        }
    }
}

static void operate(void)
{
    if (several_order(WN_EVENT_ACKNOWLEDGE) && !frame.quiet) {
        print_message("[%8.2f] --- acknowledged\n", wn_ns_to_s(frame.now_ns));
    }
    (void)several_order(WN_EVENT_RESUME);
}

/* Things that are nobody's fault: an operator, a process that dies, a contact that opens. */
static void chance(void)
{
    several.guard_refuses = several.guard_refuses && draw(0, 30) != 0;
    switch (draw(0, 400)) {
    case 0:
        tell("the station is killed", SUPPLY);
        several_kill();
        break;
    case 1:
        (void)several_order(WN_EVENT_PAUSE);
        break;
    case 2:
        tell("its contact opens", RELAY);
        plant_switch_relay(false);
        break;
    case 3:
        several.guard_refuses = true;
        break;
    case 4:
        tell("the computer sleeps", SUPPLY);
        several_sleep((double)draw(1, 60));
        break;
    default:
        if (draw(0, (uint64_t)OPERATOR_S) == 0) {
            operate();
        }
        break;
    }
}

static bool is_over(void)
{
    return several.alive && frame.st.campaign != NULL &&
           wn_engine_state(frame.st.engine) == WN_ENGINE_FINISHED;
}

static bool faults_are_over(wn_ns end_ns)
{
    bool over = frame.now_ns >= end_ns;
    for (size_t i = 0; i < FAULTS_MAX; i++) {
        over = over && (plan[i].fault == NULL || plan[i].over);
    }
    return over;
}

/* What comes in pieces does so with such pauses. */
static void begin_lumps(void)
{
    for (int w = 0; w < WHOS; w++) {
        char pause[40];
        (void)snprintf(pause, sizeof pause, "pause-ms=%d", (int)draw(1, 150));
        if (plant_has((enum who)w)) {
            several_fault((enum who)w, 0, pause);
        }
    }
}

static void run_seed(uint64_t seed, bool modbus)
{
    wn_prng_init(&dice, seed);
    bool tester = draw(0, 3) == 0;
    if (modbus) {
        several_begin_modbus(seed, tester, draw(0, 1) == 1);
        begin_lumps();
    } else if (tester) {
        several_begin_tester(seed);
    } else {
        several_begin(seed);
    }
    make_plan(modbus);
    several_run(2);
    several_start();
    wn_ns end_ns = frame.now_ns + wn_ns_from_s(FAULTS_S);
    while (!faults_are_over(end_ns) && several.wrong[0] == '\0') {
        several_run(1);
        run_plan();
        chance();
    }
    several.guard_refuses = false;
    end_ns = frame.now_ns + wn_ns_from_s(END_S);
    while (!is_over() && frame.now_ns < end_ns && several.wrong[0] == '\0') {
        several_run(OPERATOR_S);
        operate();
    }
    if (!is_over() && several.wrong[0] == '\0') {
        (void)snprintf(several.wrong, sizeof several.wrong, "the campaign never ends: %s, %s",
                       wn_engine_state_name(wn_engine_state(frame.st.engine)), frame_alarm());
    }
    if (several.wrong[0] != '\0') {
        print_error("WANE_SEED=%" PRIu64 " WANE_SEEDS=1%s: %s\n", seed, modbus ? ", MODBUS" : "",
                    several.wrong);
    }
    several_end();
}

static uint64_t from_environment(const char *name, uint64_t otherwise)
{
    const char *text = getenv(name);
    int64_t value = 0;
    if (text == NULL || wn_num_parse_int(text, strlen(text), &value) != WN_OK || value < 1) {
        return otherwise;
    }
    return (uint64_t)value;
}

static void test_seeds_that_once_failed(void **state)
{
    (void)state;
    frame.quiet = true;
    for (size_t i = 0; i < sizeof kept / sizeof kept[0]; i++) {
        run_seed(kept[i], false);
    }
    for (size_t i = 0; i < sizeof kept_frames / sizeof kept_frames[0]; i++) {
        run_seed(kept_frames[i], true);
    }
}

static void test_swarm(void **state)
{
    (void)state;
    uint64_t first = from_environment("WANE_SEED", FIRST),
             n = from_environment("WANE_SEEDS", SEEDS);
    frame.quiet = n > 1;
    print_message("WANE_SEED=%" PRIu64 " WANE_SEEDS=%" PRIu64 "\n", first, n);
    for (uint64_t i = 0; i < n; i++) {
        run_seed(first + i, false);
    }
}

static void test_swarm_of_frames(void **state)
{
    (void)state;
    uint64_t first = from_environment("WANE_SEED", FIRST),
             n = from_environment("WANE_SEEDS", FRAME_SEEDS);
    frame.quiet = n > 1;
    for (uint64_t i = 0; i < n; i++) {
        run_seed(first + i, true);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_seeds_that_once_failed),
        cmocka_unit_test(test_swarm),
        cmocka_unit_test(test_swarm_of_frames),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

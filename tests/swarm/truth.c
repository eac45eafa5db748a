/* Swarm: what must always be true of the cell, whatever the program believes.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Each rule is a condition that may hold for a while, as long as the program's reaction may take,
 * and never longer. Only what lasts counts: a wrong thing that is put right in time is no failure.
 */
#include <math.h>
#include <stdio.h>

#include "swarm/host.h"
#include "swarm/plant.h"

/* name, seconds with a good line, seconds with a bad one, sentence */
#define TRUTH_LIST(X)                                                                              \
    X(HIGH_VOLTAGE, 3, 20, "cell is above the highest voltage while current flows")                \
    X(LOW_VOLTAGE, 3, 20, "cell is below the lowest voltage while current flows")                  \
    X(HOT, 3, 20, "cell is hotter than allowed while current flows")                               \
    X(HIGH_CURRENT, 3, 20, "current is beyond the highest allowed")                                \
    X(UNREAD, 5, 20, "output is on and nobody reads the cell")                                     \
    X(NO_STATION, 2, 2, "output is on without a station")                                          \
    X(NO_GUARD, 3, 20, "output is on without a guard")                                             \
    X(NOT_RECORDED, 5, 20, "output is on and nothing is written down")                             \
    X(HALTED, 5, 30, "output is on although the campaign is halted")                               \
    X(NO_CAMPAIGN, 5, 20, "output is on without a campaign that runs")

enum rule {
#define TRUTH_ENUM(name, good, bad, text) TRUTH_##name,
    TRUTH_LIST(TRUTH_ENUM)
#undef TRUTH_ENUM
        RULES
};

static const struct {
    const char *name, *text;
    double good_s, bad_s;
} rules[RULES] = {
#define TRUTH_ROW(name, good, bad, text) {#name, text, good, bad},
    TRUTH_LIST(TRUTH_ROW)
#undef TRUTH_ROW
};

static wn_ns since[RULES];
static double worst_good_s[RULES], worst_bad_s[RULES]; /* over all seeds */
static struct wn_limits limits;                        /* of the campaign */
static bool limits_known;
static wn_ns bad_line_ns, flow_ns;

void truth_begin(void)
{
    for (int i = 0; i < RULES; i++) {
        since[i] = WN_NS_NEVER;
    }
    limits_known = false;
    bad_line_ns = INT64_MIN / 2;
    flow_ns = WN_NS_NEVER;
}

static bool line_is_bad(void)
{
    return sim.fault[FAULT_BYTES_LOST] || sim.fault[FAULT_BYTES_FLIPPED] ||
           sim.fault[FAULT_BYTES_INSERTED] || sim.fault[FAULT_REPLIES_LATE] ||
           sim.fault[FAULT_REPLIES_DOUBLED] || sim.fault[FAULT_WRITES_SPLIT] ||
           sim.fault[FAULT_CABLE_DEAD] || sim.fault[FAULT_STUCK_ON] || sim.fault[FAULT_DISK_SLOW] ||
           sim.fault[FAULT_STATION_HANGS] || sim.fault[FAULT_OTHER_INSTRUMENT];
}

/* t: time by which this rule is measured. */
static void judge(enum rule rule, bool holds, wn_ns t)
{
    if (!holds) {
        since[rule] = WN_NS_NEVER;
        return;
    }
    if (since[rule] == WN_NS_NEVER) {
        since[rule] = t;
    }
    bool bad = sim.now_ns - bad_line_ns < 60 * WN_NS_PER_S;
    double lasted_s = wn_ns_to_s(t - since[rule]);
    double *worst_s = bad ? &worst_bad_s[rule] : &worst_good_s[rule];
    *worst_s = fmax(*worst_s, lasted_s);
    if (lasted_s > (bad ? rules[rule].bad_s : rules[rule].good_s)) {
        violated("%s: %s, for %.1f s", rules[rule].name, rules[rule].text, lasted_s);
    }
}

static void judge_cell(const struct plant_truth *t)
{
    wn_ns at = sim.own_clock ? t->bench_ns : sim_monotonic();
    bool flows = t->flowing && limits_known;
    double high_a = t->current_a > 0 ? limits.charge_current_max_a : limits.discharge_current_max_a;
    double hot_c =
        t->current_a > 0 ? limits.charge_temperature_max_c : limits.discharge_temperature_max_c;
    judge(TRUTH_HIGH_VOLTAGE, flows && t->voltage_v > limits.voltage_max_v + 1e-3, at);
    judge(TRUTH_LOW_VOLTAGE,
          flows && t->current_a < 0 && t->voltage_v < limits.voltage_min_v - 1e-3, at);
    judge(TRUTH_HOT, flows && !plant_thermometer_lies() && t->temperature_c > hot_c + 0.2, at);
    judge(TRUTH_HIGH_CURRENT,
          flows && fabs(t->current_a) > high_a * (1 + limits.set_point_tolerance) +
                                            limits.set_point_tolerance_a + 0.01,
          at);
}

static wn_ns latest(wn_ns a, wn_ns b)
{
    return a > b ? a : b;
}

void truth_look(void)
{
    struct plant_truth t;
    const struct station *s = host_station();
    wn_ns now = sim_monotonic();
    plant_truth(&t);
    bad_line_ns = line_is_bad() ? sim.now_ns : bad_line_ns;
    if (s != NULL && s->campaign != NULL) {
        limits = s->setup.limits;
        limits_known = true;
    }
    if (host_was_suspended(0)) { /* it has just slept: nobody could have done anything */
        return;
    }
    flow_ns = !t.flowing ? WN_NS_NEVER : flow_ns == WN_NS_NEVER ? now : flow_ns;
    judge_cell(&t);
    bool runs = s != NULL && s->campaign != NULL;
    enum wn_engine_state state = runs ? wn_engine_state(s->engine) : WN_ENGINE_IDLE;
    bool over = runs && (state == WN_ENGINE_FINISHED || state == WN_ENGINE_STOPPED);
    wn_ns read_ns = s != NULL && s->has_reading ? s->reading.host_ns : INT64_MIN / 2;
    /* these two are measured from what last happened, not from when it was first missed */
    since[TRUTH_UNREAD] = t.flowing && s != NULL ? latest(read_ns, flow_ns) : WN_NS_NEVER;
    judge(TRUTH_UNREAD, t.flowing && s != NULL, now);
    since[TRUTH_NOT_RECORDED] = t.flowing ? latest(disk_synced_ns(), flow_ns) : WN_NS_NEVER;
    judge(TRUTH_NOT_RECORDED, t.flowing, now);
    judge(TRUTH_NO_STATION, t.flowing && s == NULL, now);
    judge(TRUTH_NO_GUARD, t.flowing && !guard_alive(), now);
    judge(TRUTH_HALTED, t.flowing && ledger_halted(), now);
    judge(TRUTH_NO_CAMPAIGN, t.flowing && s != NULL && (!runs || over), now);
}

void truth_report(void)
{
    (void)printf("longest times under each rule, with a good line and a bad one:\n");
    for (int i = 0; i < RULES; i++) {
        (void)printf("  %-14s %6.1f s of %3.0f %6.1f s of %3.0f\n", rules[i].name, worst_good_s[i],
                     rules[i].good_s, worst_bad_s[i], rules[i].bad_s);
    }
}

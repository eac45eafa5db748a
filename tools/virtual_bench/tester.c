/* Virtual bench: the tester's power stage, protections and clock, and the truth about each
 * discharge. SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/tester_internal.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"

#define NS_PER_S     INT64_C(1000000000)
#define FLOW_STEP_NS (NS_PER_S / 4)  /* longest step while current flows */
#define REST_STEP_NS (60 * NS_PER_S) /* at rest the cell's step is exact */
#define RUN_ON_S     60.0 /* so far behind its end a discharge is followed to its crossing */

bool wn_tester_setup_init(struct wn_tester_setup *s, const char *cell)
{
    const struct wn_cell_params *p = cell != NULL ? wn_cell_preset_named(cell) : wn_cell_preset(0);

    if (p == NULL) {
        return false;
    }
    *s = (struct wn_tester_setup){
        .cell = *p,
        .soc = 0.3,
        .ambient_c = 23.0,
        .ambient_swing_c = 1.0,
        .accuracy = {.voltage_noise_v = 1e-4, .current_noise_a = 5e-4, .temperature_noise_c = 0.02},
        .seed = 1,
        .identity = "wane project,virtual bench,SIMULATED-1,0",
        .truth_cutoff_v = NAN,
    };
    return true;
}

void tester_defaults(struct wn_tester *t)
{
    tester_output(t, false);
    t->trips = 0;
    t->set = (struct wn_tester_settings){
        .function = WN_TESTER_CHARGE,
        .protect_high_v = 4.3,
        .protect_low_v = 0.0,
        .protect_current_a = 30.0,
        .protect_temperature_c = 80.0,
    };
}

static void sort_plans(struct wn_tester_setup *s)
{
    for (int i = 1; i < s->plans; i++) {
        struct wn_tester_plan moving = s->plan[i];
        int to = i;
        for (; to > 0 && s->plan[to - 1].time_ns > moving.time_ns; to--) {
            s->plan[to] = s->plan[to - 1];
        }
        s->plan[to] = moving;
    }
}

void wn_tester_init(struct wn_tester *t, const struct wn_tester_setup *setup)
{
    wn_assert(setup->plans >= 0 && setup->plans <= WN_TESTER_PLANS_MAX);
    memset(t, 0, sizeof *t);
    t->setup = *setup;
    sort_plans(&t->setup);
    wn_prng_init(&t->prng, setup->seed);
    for (int i = 0; i < 3; i++) {
        t->ambient_phase[i] = 6.283185307179586 * wn_prng_uniform(&t->prng);
    }
    wn_cell_model_init(&t->model, &setup->cell);
    wn_cell_init(&t->cell, &t->model, setup->soc, setup->wear, tester_ambient(t, 0));
    t->esr = ESR_PON;
    t->delivered_ah = NAN;
    t->charge_a = 0.5 * setup->cell.rated_ah;
    t->charge_v = 4.2;
    t->taper_a = 0.1;
    tester_defaults(t);
}

/* A room: a day's wave and two shorter ones, with phases from the seed. */
double tester_ambient(const struct wn_tester *t, int64_t time_ns)
{
    static const double period_s[3] = {86400.0, 26500.0, 9700.0};
    static const double part[3] = {0.6, 0.25, 0.15};
    double time_s = (double)time_ns / (double)NS_PER_S;
    double sum = 0.0;

    for (int i = 0; i < 3; i++) {
        sum += part[i] * sin(6.283185307179586 * time_s / period_s[i] + t->ambient_phase[i]);
    }
    return t->setup.ambient_c + t->setup.ambient_swing_c * sum;
}

double tester_thermometer(const struct wn_tester *t)
{
    switch (t->faults.thermometer) {
    case WN_THERMOMETER_OPEN:
        return NAN;
    case WN_THERMOMETER_FROZEN:
        return t->faults.frozen_c;
    case WN_THERMOMETER_OK:
        break;
    }
    return t->cell.temperature_c + t->faults.offset_c;
}

double tester_truth_cutoff(const struct wn_tester *t)
{
    if (!isnan(t->setup.truth_cutoff_v)) {
        return t->setup.truth_cutoff_v;
    }
    for (int i = 0; i < t->stages; i++) {
        if (t->stage[i]->load && t->stage[i]->closed) {
            return fmax(t->setup.cell.cutoff_v, t->stage[i]->voltage_v);
        }
    }
    return fmax(t->setup.cell.cutoff_v, t->set.voltage_v);
}

void tester_note_crossing(struct wn_tester *t, const struct wn_cell *c, double dt_s,
                          double current_a)
{
    struct wn_tester_discharge *d = &t->discharge;
    double cutoff_v = tester_truth_cutoff(t);
    double after_s;

    if (d->crossed || !wn_cell_crosses(c, dt_s, current_a, cutoff_v, &after_s)) {
        return;
    }
    d->crossed = true;
    d->truth.cutoff_v = cutoff_v;
    d->truth.current_a = -current_a;
    d->truth.capacity_ah = c->discharged_ah - d->from_ah - current_a * after_s / 3600.0;
    t->delivered_ah = d->truth.capacity_ah;
}

void tester_begin_discharge(struct wn_tester *t)
{
    t->delivered_ah = NAN;
    t->discharge = (struct wn_tester_discharge){
        .on = true,
        .from_ah = t->cell.discharged_ah,
        .truth = {.temperature_max_c = t->cell.temperature_c},
    };
}

/* A controller that stops at the crossing it has seen, noise and all, may stop a moment before the
 * true one: then a copy of the cell goes on to it. A discharge that was far from it (a pulse, an
 * interrupted one) is not finished and leaves no truth. */
void tester_end_discharge(struct wn_tester *t)
{
    struct wn_tester_discharge *d = &t->discharge;
    struct wn_tester_truth *truth = &d->truth;
    struct wn_cell copy = t->cell;
    const double dt_s = 0.25;

    d->on = false;
    for (int n = 0; !d->crossed && t->flow_a < 0.0 && n * dt_s < RUN_ON_S; n++) {
        tester_note_crossing(t, &copy, dt_s, t->flow_a);
        wn_cell_step(&copy, dt_s, t->flow_a);
    }
    if (!d->crossed) {
        return;
    }
    truth->discharge = ++t->discharges;
    truth->charge_in_ah = t->cell.charged_ah - t->charged_from_ah;
    truth->delivered_ah = t->cell.discharged_ah - d->from_ah;
    truth->time_s = (double)t->time_ns / (double)NS_PER_S;
    truth->wear = t->cell.wear;
    t->charged_from_ah = t->cell.charged_ah;
    if (t->truths_count == WN_TESTER_TRUTHS_MAX) {
        t->truths_first = (t->truths_first + 1) % WN_TESTER_TRUTHS_MAX;
        t->truths_count--;
    }
    t->truths[(t->truths_first + t->truths_count++) % WN_TESTER_TRUTHS_MAX] = *truth;
}

bool wn_tester_take_truth(struct wn_tester *t, struct wn_tester_truth *truth)
{
    if (t->truths_count == 0) {
        return false;
    }
    *truth = t->truths[t->truths_first];
    t->truths_first = (t->truths_first + 1) % WN_TESTER_TRUTHS_MAX;
    t->truths_count--;
    return true;
}

static bool discharging(const struct wn_tester *t)
{
    return t->relay && t->set.function != WN_TESTER_CHARGE;
}

static void set_relay(struct wn_tester *t)
{
    t->relay = t->output || (t->relay && t->faults.stuck_on);
    if (t->discharge.on && !discharging(t) && !stages_closed(t)) {
        tester_end_discharge(t);
    }
    if (!t->relay) {
        t->flow_a = t->others_a;
    }
    stages_look(t);
}

void tester_output(struct wn_tester *t, bool on)
{
    t->output = on;
    set_relay(t);
    if (on && t->set.function == WN_TESTER_CHARGE) {
        t->charge_a = t->set.current_a;
        t->charge_v = t->set.voltage_v;
    }
}

void tester_trip(struct wn_tester *t, unsigned why)
{
    t->trips |= why;
    tester_output(t, false);
}

static void protect(struct wn_tester *t)
{
    const struct wn_tester_settings *s = &t->set;
    double voltage_v = wn_cell_voltage(&t->cell, t->flow_a);
    unsigned why = 0;

    if (voltage_v > s->protect_high_v) {
        why |= WN_TESTER_TRIP_HIGH;
    }
    if (discharging(t) && voltage_v < s->protect_low_v) {
        why |= WN_TESTER_TRIP_LOW;
    }
    if (fabs(t->flow_a - t->others_a) > s->protect_current_a) {
        why |= WN_TESTER_TRIP_CURRENT;
    }
    if (tester_thermometer(t) > s->protect_temperature_c) { /* false when it is open */
        why |= WN_TESTER_TRIP_TEMPERATURE;
    }
    if (why != 0) {
        tester_trip(t, why);
    }
}

static void flow_in(struct wn_tester *t, double dt_s)
{
    t->flow_a = t->set.current_a > 0.0
                    ? wn_cell_solve_voltage(&t->cell, dt_s, t->set.voltage_v, 0.0, t->set.current_a)
                    : 0.0;
    wn_cell_step(&t->cell, dt_s, t->flow_a);
}

static int64_t least(int64_t a, int64_t b)
{
    return a < b ? a : b;
}

int64_t tester_draw(struct wn_tester *t, int64_t ns, double wanted_a, double stop_v, bool *stopped)
{
    struct wn_tester_discharge *d = &t->discharge;
    double dt_s = (double)ns / (double)NS_PER_S;
    double lowest_v = fmax(fmax(stop_v, tester_truth_cutoff(t)), COMPLIANCE_V);
    double after_s;
    struct wn_cell next = t->cell;

    if (!d->on) {
        tester_begin_discharge(t);
    }
    t->flow_a = wanted_a;
    wn_cell_step(&next, dt_s, t->flow_a);
    if (wn_cell_voltage(&next, t->flow_a) > lowest_v) { /* nearly always */
        t->cell = next;
    } else {
        t->flow_a = wn_cell_solve_voltage(&t->cell, dt_s, COMPLIANCE_V, t->flow_a, 0.0);
        tester_note_crossing(t, &t->cell, dt_s, t->flow_a);
        if (stop_v > 0.0 && wn_cell_crosses(&t->cell, dt_s, t->flow_a, stop_v, &after_s)) {
            ns = least(ns, (int64_t)ceil(after_s * (double)NS_PER_S));
            *stopped = true;
        }
        if (ns > 0) {
            wn_cell_step(&t->cell, (double)ns / (double)NS_PER_S, t->flow_a);
        }
    }
    d->truth.temperature_max_c = fmax(d->truth.temperature_max_c, t->cell.temperature_c);
    return ns;
}

/* Lets the discharge run for up to ns, to its stop at most; returns how long it ran. */
static int64_t flow_out(struct wn_tester *t, int64_t ns)
{
    double dt_s = (double)ns / (double)NS_PER_S;
    double stop_v = t->output ? t->set.voltage_v : 0.0;
    double wanted_a = t->set.function == WN_TESTER_DISCHARGE
                          ? -t->set.current_a
                          : wn_cell_solve_power(&t->cell, dt_s, t->set.power_w, POWER_MAX_A);
    bool stopped = false;

    ns = tester_draw(t, ns, wanted_a, stop_v, &stopped);
    t->trips |= stopped ? (unsigned)WN_TESTER_TRIP_STOP : 0u;
    return ns;
}

static int64_t flow(struct wn_tester *t, int64_t ns)
{
    struct wn_tester_discharge *d = &t->discharge;

    if (d->on && !discharging(t)) { /* stuck, and told to charge instead */
        tester_end_discharge(t);
    }
    if (!discharging(t)) {
        flow_in(t, (double)ns / (double)NS_PER_S);
    } else {
        ns = flow_out(t, ns);
    }
    return ns;
}

/* Runs what was planned for now; returns the time until the next plan. */
static int64_t run_plans(struct wn_tester *t)
{
    const struct wn_tester_setup *s = &t->setup;
    char reply[WN_TESTER_REPLY_SIZE];

    while (t->plans_done < s->plans && s->plan[t->plans_done].time_ns <= t->time_ns) {
        const char *text = s->plan[t->plans_done++].text;
        (void)wn_tester_execute(t, text, strlen(text), reply); /* its errors are in the queue */
    }
    return t->plans_done < s->plans ? s->plan[t->plans_done].time_ns - t->time_ns : INT64_MAX;
}

/* The tester alone at the cell. */
static void advance_alone(struct wn_tester *t, int64_t step_ns)
{
    unsigned before = t->trips;

    t->time_ns += flow(t, step_ns);
    if (t->trips != before) { /* the stop */
        tester_output(t, false);
    } else if (t->output) {
        protect(t);
    }
}

void wn_tester_advance(struct wn_tester *t, int64_t ns)
{
    int64_t end_ns = t->time_ns + ns;

    while (t->time_ns < end_ns) {
        int64_t step_ns =
            least(end_ns - t->time_ns, t->plans_done < t->setup.plans ? run_plans(t) : INT64_MAX);
        bool stages = stages_closed(t);
        step_ns = least(step_ns, t->relay || stages ? FLOW_STEP_NS : REST_STEP_NS);
        t->cell.ambient_c = tester_ambient(t, t->time_ns + step_ns / 2);
        if (stages || (t->relay && t->interlock_open)) {
            t->time_ns += stages_flow(t, step_ns);
            if (t->output) {
                protect(t);
            }
        } else if (t->relay) {
            advance_alone(t, step_ns);
        } else {
            wn_cell_step(&t->cell, (double)step_ns / (double)NS_PER_S, 0.0);
            t->time_ns += step_ns;
        }
    }
    if (t->plans_done < t->setup.plans) {
        (void)run_plans(t);
    }
}

void tester_measure(struct wn_tester *t, int64_t ns)
{
    if (t->measure != NULL) {
        t->measure(t->measure_context, ns);
    } else {
        wn_tester_advance(t, ns);
    }
}

bool wn_tester_switch(struct wn_tester *t, bool on)
{
    if (on && t->trips != 0) {
        return false;
    }
    tester_output(t, on);
    return true;
}

void wn_tester_reset(struct wn_tester *t)
{
    tester_power_cycle(t);
}

double wn_tester_read_voltage(struct wn_tester *t)
{
    const struct wn_tester_accuracy *a = &t->setup.accuracy;
    double reading_v = wn_cell_voltage(&t->cell, t->flow_a) * (1.0 + a->voltage_gain) +
                       a->voltage_offset_v + t->faults.offset_v +
                       a->voltage_noise_v * wn_prng_normal(&t->prng);
    return t->faults.sense_open ? NAN : reading_v;
}

double wn_tester_read_current(struct wn_tester *t)
{
    const struct wn_tester_accuracy *a = &t->setup.accuracy;
    return (t->flow_a - t->others_a) * (1.0 + a->current_gain) + a->current_offset_a +
           t->faults.offset_a + a->current_noise_a * wn_prng_normal(&t->prng);
}

static double read_temperature(struct wn_tester *t, double true_c)
{
    const struct wn_tester_accuracy *a = &t->setup.accuracy;
    return true_c + a->temperature_offset_c + a->temperature_noise_c * wn_prng_normal(&t->prng);
}

double wn_tester_read_temperature(struct wn_tester *t)
{
    if (t->faults.thermometer == WN_THERMOMETER_FROZEN) {
        return t->faults.frozen_c; /* to the last digit: that is what frozen means */
    }
    return read_temperature(t, tester_thermometer(t));
}

double wn_tester_read_ambient(struct wn_tester *t)
{
    return read_temperature(t, t->cell.ambient_c);
}

void wn_tester_heard(struct wn_tester *t, int64_t host_ns)
{
    t->heard_ns = host_ns;
}

int64_t wn_tester_silence_deadline(const struct wn_tester *t)
{
    if (!t->output || !(t->set.timeout_s > 0.0)) {
        return INT64_MAX;
    }
    return t->heard_ns + (int64_t)(t->set.timeout_s * (double)NS_PER_S);
}

void wn_tester_watch(struct wn_tester *t, int64_t host_ns)
{
    if (host_ns >= wn_tester_silence_deadline(t)) {
        tester_trip(t, WN_TESTER_TRIP_SILENCE);
    }
}

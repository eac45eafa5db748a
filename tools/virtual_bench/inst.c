/* Virtual bench: an instrument's life: power, time, and what it measures.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/inst.h"

#include <math.h>
#include <string.h>

#include "base/time.h"
#include "virtual_bench/inst_internal.h"

const char *wn_inst_identity(const struct wn_inst *i)
{
    const struct wn_inst_setup *s = &i->setup;
    return i->returned && s->identity_after[0] != '\0' ? s->identity_after : s->identity;
}

double wn_inst_clock_s(const struct wn_inst *i)
{
    return wn_ns_to_s(wn_bench_time(i->bench) - i->zero_ns);
}

/* ---- power ---- */

bool wn_inst_relay_switch(struct wn_inst *i, bool on)
{
    if (on && i->relay.tripped) {
        return false;
    }
    i->relay.on = on;
    i->relay.closed = on || (i->relay.closed && i->setup.stuck);
    wn_stage_interlock(i->world[0], !i->relay.closed);
    return true;
}

void wn_inst_relay_clear(struct wn_inst *i)
{
    i->relay.tripped = false;
}

static void power_stage(struct wn_inst *i, int k, bool first)
{
    struct wn_stage *s = &i->stage[k];
    bool on = s->on;

    if (i->world[k] != NULL) {
        wn_stage_switch(i->world[k], s, false);
    }
    s->stopped = s->tripped = false;
    s->stuck = i->setup.stuck;
    if (first || !i->setup.restore) {
        s->current_a = s->voltage_v = s->power_w = s->protect_a = s->protect_v = 0.0;
        s->power = false;
    } else if (i->world[k] != NULL) {
        wn_stage_switch(i->world[k], s, on);
    }
}

static void power_tester(struct wn_inst *i, bool first)
{
    for (int k = 0; k < (int)i->setup.outputs && i->world[k] != NULL; k++) {
        struct wn_tester *t = i->world[k];
        if (!first && !i->setup.restore) {
            wn_tester_reset(t);
        }
        t->own_zero_ns = i->zero_ns;
        t->faults.stuck_on = t->faults.stuck_on || i->setup.stuck;
    }
    if (i->setup.kind == WN_INST_TALKER && (first || !i->setup.restore)) {
        wn_talker_start(&i->talker, i->world[0]);
    }
}

void wn_inst_power_on(struct wn_inst *i, bool first)
{
    bool relay_on = i->relay.on;

    inst_clear_line(i);
    i->errors.count = 0;
    i->esr = 128;
    i->selected = 0;
    i->zero_ns = wn_bench_time(i->bench);
    i->tick_ns = i->zero_ns + wn_ns_from_s(i->setup.interval_s);
    for (int k = 0; has_stages(i) && k < (int)i->setup.outputs; k++) {
        power_stage(i, k, first);
    }
    if (has_stages(i) && (first || !i->setup.restore)) {
        i->timeout_s = 0.0;
    }
    if (is_relay(i)) {
        i->relay.tripped = false;
        i->relay.watchdog_s = i->setup.watchdog_s;
        (void)wn_inst_relay_switch(i, i->setup.restore && !first && relay_on);
    }
    if (is_tester(i)) {
        power_tester(i, first);
    }
    if (first) {
        i->frozen_c = i->world[0]->cell.temperature_c;
    }
}

void wn_inst_reset(struct wn_inst *i, int64_t host_ns)
{
    wn_inst_power_on(i, false);
    i->resets++;
    i->heard_ns = host_ns;
    if (i->setup.banner[0] != '\0' && !i->away) {
        wn_inst_send_line(i, host_ns, i->setup.banner, strlen(i->setup.banner));
    }
}

/* ---- time ---- */

static void loosen(struct wn_inst *i)
{
    for (int k = 0; has_stages(i) && k < WN_INST_OUTPUTS_MAX && i->world[k] != NULL; k++) {
        i->stage[k].stuck = i->setup.stuck;
        wn_stage_switch(i->world[k], &i->stage[k], i->stage[k].on);
    }
    if (is_relay(i)) {
        (void)wn_inst_relay_switch(i, i->relay.on);
    }
    for (int k = 0; is_tester(i) && k < (int)i->setup.outputs && i->world[k] != NULL; k++) {
        i->world[k]->faults.stuck_on = i->setup.stuck;
        (void)wn_tester_switch(i->world[k], i->world[k]->output);
    }
}

static void run_plan(struct wn_inst *i, const char *text, int64_t host_ns)
{
    struct wn_error err = {0};
    bool frozen = i->setup.frozen;
    bool stuck = i->setup.stuck;

    wn_bench_tell(i->bench, WN_BENCH_FAULT, i->setup.name, text);
    if (strcmp(text, "reset") == 0) {
        wn_inst_reset(i, host_ns);
    } else if (strcmp(text, "unplug") == 0) {
        inst_clear_line(i);
        i->away = true;
        i->away_until_ns = host_ns + wn_ns_from_s(i->setup.away_s);
    } else {
        (void)wn_inst_set(&i->setup, text, &err); /* was tried when it was planned */
    }
    if (i->setup.frozen && !frozen) {
        i->frozen_c = i->world[0]->cell.temperature_c;
    }
    if (i->setup.stuck != stuck) {
        loosen(i);
    }
}

static void speak_record(struct wn_inst *i, int64_t host_ns)
{
    const struct wn_talker_program *p = &i->setup.program;
    enum wn_talker_format format = (enum wn_talker_format)p->format;
    struct wn_talker_record r;
    char text[WN_TALKER_RECORD_MAX];
    long every = (long)p->header_every;
    size_t len;

    wn_talker_tick(&i->talker, p, i->world[0], &r);
    if (i->away) {
        return;
    }
    if (i->setup.silence > 0.0) {
        i->setup.silence -= 1.0;
        return;
    }
    if (i->setup.unsigned_current) {
        r.current_a = fabs(r.current_a);
    }
    if (format == WN_TALKER_DELIMITED && (r.number == 1 || (every > 0 && r.number % every == 0))) {
        wn_inst_send_line(i, host_ns, wn_talker_header(), strlen(wn_talker_header()));
    }
    len = wn_talker_write(&r, format, &i->setup.style, text);
    if (format == WN_TALKER_FRAMED) {
        wn_inst_send(i, host_ns, text, len);
    } else {
        wn_inst_send_line(i, host_ns, text, len);
    }
}

static void speak(struct wn_inst *i, int64_t host_ns)
{
    char text[WN_STYLE_SIZE];

    i->tick_ns += wn_ns_from_s(i->setup.interval_s);
    if (i->setup.kind == WN_INST_TALKER) {
        speak_record(i, host_ns);
    } else if (i->setup.silence > 0.0) {
        i->setup.silence -= 1.0;
    } else if (!i->away) {
        (void)wn_style_write(&i->setup.style, wn_inst_temperature(i, 0), 2, "C", text);
        wn_inst_send_line(i, host_ns, text, strlen(text));
    }
}

int64_t wn_inst_bench_deadline(const struct wn_inst *i)
{
    const struct wn_inst_setup *s = &i->setup;
    int64_t due_ns = talks(i) ? i->tick_ns : INT64_MAX;

    if (i->plans_done < s->plans && s->plan[i->plans_done].time_ns < due_ns) {
        due_ns = s->plan[i->plans_done].time_ns;
    }
    return due_ns;
}

/* Host time at which silence makes it switch off; INT64_MAX: it does not. */
static int64_t silence_deadline(const struct wn_inst *i)
{
    bool on = is_relay(i) ? i->relay.on : false;
    double after_s = is_relay(i) ? i->relay.watchdog_s : i->timeout_s;

    for (int k = 0; has_stages(i) && k < WN_INST_OUTPUTS_MAX; k++) {
        on = on || i->stage[k].on;
    }
    return on && after_s > 0.0 ? i->heard_ns + wn_ns_from_s(after_s) : INT64_MAX;
}

int64_t wn_inst_host_deadline(const struct wn_inst *i)
{
    int64_t next_ns = silence_deadline(i);
    int64_t end_ns = i->in_ns + wn_mbs_silence_ns((long)i->setup.baud);

    if (speaks_modbus(i) && i->in_len > 0 && end_ns < next_ns) {
        next_ns = end_ns;
    }
    if (i->pieces_sent < i->pieces && i->piece[i->pieces_sent].host_ns < next_ns) {
        next_ns = i->piece[i->pieces_sent].host_ns;
    }
    return i->away && i->away_until_ns < next_ns ? i->away_until_ns : next_ns;
}

static void watch(struct wn_inst *i)
{
    for (int k = 0; has_stages(i) && k < WN_INST_OUTPUTS_MAX; k++) {
        if (i->stage[k].on && i->world[k] != NULL) {
            i->stage[k].tripped = true;
            wn_stage_switch(i->world[k], &i->stage[k], false);
        }
        i->stage[k].on = false;
    }
    if (is_relay(i)) {
        i->relay.tripped = true;
        i->relay.trips++;
        (void)wn_inst_relay_switch(i, false);
    }
}

void wn_inst_run(struct wn_inst *i, int64_t host_ns)
{
    int64_t bench_ns = wn_bench_time(i->bench);

    while (i->plans_done < i->setup.plans && i->setup.plan[i->plans_done].time_ns <= bench_ns) {
        run_plan(i, i->setup.plan[i->plans_done++].text, host_ns);
    }
    while (talks(i) && i->tick_ns <= bench_ns) {
        speak(i, host_ns);
    }
    if (i->away && host_ns >= i->away_until_ns) {
        i->away = false;
        i->returned = true;
    }
    if (speaks_modbus(i) && i->in_len > 0 &&
        host_ns - i->in_ns >= wn_mbs_silence_ns((long)i->setup.baud)) {
        inst_run_frame(i, host_ns);
    }
    if (host_ns >= silence_deadline(i)) {
        watch(i);
    }
}

/* ---- what it measures ---- */

double wn_inst_temperature(struct wn_inst *i, int channel)
{
    const struct wn_tester *t = i->world[0];
    bool ambient = (channel == 0) == (i->setup.place > 0.0);
    double true_c = ambient ? t->cell.ambient_c : t->cell.temperature_c;

    if (i->setup.open) {
        return NAN;
    }
    if (i->setup.frozen) {
        return i->frozen_c;
    }
    return true_c + i->setup.offset_c +
           t->setup.accuracy.temperature_noise_c * wn_prng_normal(&i->noise);
}

double wn_inst_voltage(struct wn_inst *i, int k)
{
    const struct wn_stage *s = &i->stage[k];
    const struct wn_tester *t = i->world[k];
    const struct wn_tester_accuracy *a;
    double true_v;

    if (t == NULL) { /* nothing is connected */
        return s->on && !s->load ? s->voltage_v : 0.0;
    }
    a = &t->setup.accuracy;
    true_v = wn_cell_voltage(&t->cell, t->flow_a);
    if (i->setup.two_wire) {
        true_v = t->interlock_open ? (s->closed ? s->terminal_v : 0.0)
                                   : true_v + s->flow_a * i->setup.lead_ohm;
    }
    return true_v * (1.0 + a->voltage_gain) + a->voltage_offset_v +
           a->voltage_noise_v * wn_prng_normal(&i->noise);
}

double wn_inst_current(struct wn_inst *i, int k)
{
    const struct wn_tester_accuracy *a;

    if (i->world[k] == NULL) {
        return 0.0;
    }
    a = &i->world[k]->setup.accuracy;
    return i->stage[k].flow_a * (1.0 + a->current_gain) + a->current_offset_a +
           a->current_noise_a * wn_prng_normal(&i->noise);
}

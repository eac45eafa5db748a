/* Virtual bench: the program of a tester that talks, and the formats of its records.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/talker.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "virtual_bench/tester.h"

static double through_ah(const struct wn_tester *t)
{
    return t->cell.charged_ah + t->cell.discharged_ah;
}

static void enter(struct wn_talker *k, struct wn_tester *t, enum wn_talker_step step)
{
    k->step = step;
    k->step_ns = t->time_ns;
    k->from_ah = through_ah(t);
}

void wn_talker_start(struct wn_talker *k, const struct wn_tester *t)
{
    *k =
        (struct wn_talker){.step = WN_TALKER_REST, .step_ns = t->time_ns, .from_ah = through_ah(t)};
}

static void begin_charge(struct wn_talker *k, const struct wn_talker_program *p,
                         struct wn_tester *t)
{
    k->cycle++;
    t->set.function = WN_TESTER_CHARGE;
    t->set.current_a = p->charge_a;
    t->set.voltage_v = p->charge_v;
    (void)wn_tester_switch(t, true);
    enter(k, t, WN_TALKER_CHARGE);
}

static void begin_discharge(struct wn_talker *k, const struct wn_talker_program *p,
                            struct wn_tester *t)
{
    t->set.function = WN_TESTER_DISCHARGE;
    t->set.current_a = p->discharge_a;
    t->set.voltage_v = p->stop_v;
    (void)wn_tester_switch(t, true);
    enter(k, t, WN_TALKER_DISCHARGE);
}

static void rest(struct wn_talker *k, struct wn_tester *t, bool after_charge)
{
    (void)wn_tester_switch(t, false);
    t->trips &= ~(unsigned)WN_TESTER_TRIP_STOP; /* its own stop is the program's way, no fault */
    k->after_charge = after_charge;
    enter(k, t, WN_TALKER_REST);
}

static double step_s(const struct wn_talker *k, const struct wn_tester *t)
{
    return (double)(t->time_ns - k->step_ns) * 1e-9;
}

static void go_on(struct wn_talker *k, const struct wn_talker_program *p, struct wn_tester *t)
{
    double wait_s = k->cycle == 0 ? p->start_s : p->rest_s;

    switch (k->step) {
    case WN_TALKER_REST:
        if (step_s(k, t) < wait_s) {
            return;
        }
        if (k->after_charge) {
            begin_discharge(k, p, t);
        } else if ((double)k->cycle < p->cycles) {
            begin_charge(k, p, t);
        } else {
            enter(k, t, WN_TALKER_END);
        }
        return;
    case WN_TALKER_CHARGE:
        if (!t->output || (step_s(k, t) > 0.0 && fabs(t->flow_a) <= p->taper_a)) {
            rest(k, t, true);
        }
        return;
    case WN_TALKER_DISCHARGE:
        if (!t->output) {
            rest(k, t, false);
        }
        return;
    case WN_TALKER_END:
    case WN_TALKER_STOPPED:
        return;
    }
}

void wn_talker_tick(struct wn_talker *k, const struct wn_talker_program *p, struct wn_tester *t,
                    struct wn_talker_record *record)
{
    *record = (struct wn_talker_record){
        .number = ++k->number,
        .cycle = k->cycle,
        .step = k->step,
        .time_s = (double)(t->time_ns - t->own_zero_ns) * 1e-9,
        .voltage_v = wn_tester_read_voltage(t),
        .current_a = wn_tester_read_current(t),
        .temperature_c = wn_tester_read_temperature(t),
        .charge_ah = through_ah(t) - k->from_ah,
    };
    go_on(k, p, t); /* the record tells how the step ended */
}

void wn_talker_stop(struct wn_talker *k, struct wn_tester *t)
{
    (void)wn_tester_switch(t, false);
    enter(k, t, WN_TALKER_STOPPED);
}

const char *wn_talker_header(void)
{
    return "No;Time;Cycle;Step;U/V;I/A;T/C;Q/Ah";
}

static char letter(enum wn_talker_step step)
{
    return "RCDES"[step];
}

static size_t write_delimited(const struct wn_talker_record *r, const struct wn_number_style *style,
                              char *buf)
{
    char b[5][WN_STYLE_SIZE];
    int n = snprintf(buf, WN_TALKER_RECORD_MAX, "%ld;%s;%ld;%c;%s;%s;%s;%s", r->number,
                     wn_style_write(style, r->time_s, 3, "s", b[0]), r->cycle, letter(r->step),
                     wn_style_write(style, r->voltage_v, 4, "V", b[1]),
                     wn_style_write(style, r->current_a, 4, "A", b[2]),
                     wn_style_write(style, r->temperature_c, 2, "C", b[3]),
                     wn_style_write(style, r->charge_ah, 5, "", b[4]));
    return n > 0 ? (size_t)n : 0;
}

/* A whole number of steps, kept within what its columns can hold. */
static long counted(double value, double step, long most)
{
    double n = isnan(value) ? 0.0 : fmin(fabs(value) / step, (double)most);
    return lround(n);
}

static size_t write_fixed(const struct wn_talker_record *r, char *buf)
{
    char warm[8] = "-----";
    unsigned sum = 0;
    int n;

    if (!isnan(r->temperature_c)) {
        (void)snprintf(warm, sizeof warm, "%05ld", counted(r->temperature_c, 0.01, 99999));
    }
    n = snprintf(buf, WN_TALKER_RECORD_MAX, "%06ld%09ld%04ld%c%06ld%c%06ld%c%s%07ld",
                 r->number % 1000000, counted(r->time_s, 1e-3, 999999999), r->cycle % 10000,
                 letter(r->step), counted(r->voltage_v, 1e-4, 999999),
                 r->current_a < 0.0 ? '-' : '+', counted(r->current_a, 1e-4, 999999),
                 r->temperature_c < 0.0 ? '-' : '+', warm, counted(r->charge_ah, 1e-5, 9999999));
    for (int i = 0; i < n; i++) {
        sum += (unsigned char)buf[i];
    }
    return (size_t)n + (size_t)snprintf(&buf[n], 3, "%02X", sum & 0xffu);
}

uint16_t wn_talker_crc(const uint8_t *bytes, size_t len)
{
    unsigned crc = 0xffff;

    for (size_t i = 0; i < len; i++) {
        crc ^= (unsigned)bytes[i] << 8;
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 0x8000u) != 0 ? (crc << 1 ^ 0x1021u) & 0xffffu : crc << 1 & 0xffffu;
        }
    }
    return (uint16_t)crc;
}

static void put_low_first(uint8_t *at, int64_t value, int bytes)
{
    for (int i = 0; i < bytes; i++) {
        at[i] = (uint8_t)((uint64_t)value >> 8 * i);
    }
}

static size_t write_framed(const struct wn_talker_record *r, char *buf)
{
    uint8_t f[WN_TALKER_BINARY] = {0xa5, 0x5a, 24, (uint8_t)r->step};
    uint16_t crc;

    put_low_first(&f[4], r->cycle, 2);
    put_low_first(&f[6], r->number, 4);
    put_low_first(&f[10], llround(r->time_s * 1e3), 4);
    put_low_first(&f[14], isnan(r->voltage_v) ? -1 : llround(r->voltage_v * 1e5), 4);
    put_low_first(&f[18], llround(r->current_a * 1e5), 4);
    put_low_first(&f[22], isnan(r->temperature_c) ? 0x8000 : llround(r->temperature_c * 100.0), 2);
    put_low_first(&f[24], llround(r->charge_ah * 1e6), 3);
    crc = wn_talker_crc(&f[2], 25);
    f[27] = (uint8_t)(crc >> 8);
    f[28] = (uint8_t)crc;
    memcpy(buf, f, sizeof f);
    return sizeof f;
}

size_t wn_talker_write(const struct wn_talker_record *r, enum wn_talker_format format,
                       const struct wn_number_style *style, char *buf)
{
    switch (format) {
    case WN_TALKER_FIXED_WIDTH:
        return write_fixed(r, buf);
    case WN_TALKER_FRAMED:
        return write_framed(r, buf);
    case WN_TALKER_DELIMITED:
        break;
    }
    return write_delimited(r, style, buf);
}

/* Virtual bench: a tester to talk to, for its tests.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_VIRTUAL_BENCH_H
#define WN_TESTS_VIRTUAL_BENCH_H

#include <string.h>

#include "support/near.h"
#include "base/num.h"
#include "virtual_bench/tester.h"

static struct wn_tester bench;
static struct wn_tester_setup bench_setup;

/* A fresh tester without noise, at 25 degC. */
static inline void bench_prepare(void)
{
    assert_true(wn_tester_setup_init(&bench_setup, "strong"));
    bench_setup.accuracy = (struct wn_tester_accuracy){.voltage_gain = 0.0};
    bench_setup.ambient_c = 25.0;
    bench_setup.ambient_swing_c = 0.0;
}

static inline void bench_start(void)
{
    bench_prepare();
    wn_tester_init(&bench, &bench_setup);
}

/* The reply, "" when there is none; valid until the next line. */
static inline const char *say(const char *line)
{
    static char reply[WN_TESTER_REPLY_SIZE + 1];
    reply[wn_tester_execute(&bench, line, strlen(line), reply)] = '\0';
    return reply;
}

#define expect(line, want) assert_string_equal(say(line), (want))

/* Field n (from 0) of a reply as a number. */
static inline double field(const char *reply, int n)
{
    double value = NAN;
    while (n-- > 0) {
        reply = strchr(reply, ',');
        assert_non_null(reply);
        reply++;
    }
    assert_int_equal(wn_num_parse(reply, strcspn(reply, ",;"), &value), 0);
    return value;
}

static inline double ask(const char *line)
{
    return field(say(line), 0);
}

/* Charges to 100 mA, rests for an hour. */
static inline void bench_charge(void)
{
    expect("SOUR:FUNC CHAR;CURR 4;VOLT 4.2;:OUTP ON", "");
    for (int i = 0; i < 20000; i++) {
        if (field(say("MEAS:ALL? 1"), 2) < 0.1) {
            break;
        }
    }
    expect("OUTP OFF;OUTP?", "0");
    for (int i = 0; i < 60; i++) {
        (void)say("MEAS:ALL? 60");
    }
}

#endif

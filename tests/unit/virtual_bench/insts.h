/* Virtual bench: a bench of several instruments to talk to, for its tests.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_VIRTUAL_BENCH_INSTS_H
#define WN_TESTS_VIRTUAL_BENCH_INSTS_H

#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "base/num.h"
#include "virtual_bench/bench.h"

#define MS INT64_C(1000000)
#define S  INT64_C(1000000000)

static struct wn_bench vb;
static int64_t now_ns;

/* Noiseless, at 25 degC; speed 0: the clock goes on with measurements only. */
static inline void vb_start(int cells, double speed)
{
    static struct wn_tester_setup setup;

    assert_true(wn_tester_setup_init(&setup, "strong"));
    setup.accuracy = (struct wn_tester_accuracy){.voltage_gain = 0.0};
    setup.ambient_c = 25.0;
    setup.ambient_swing_c = 0.0;
    wn_bench_init(&vb, &setup, cells, speed);
    now_ns = 1000 * S;
    wn_bench_run(&vb, now_ns);
}

/* switches are blank-separated. */
static inline struct wn_inst *vb_add(enum wn_inst_kind kind, const char *switches)
{
    struct wn_inst_setup setup;
    struct wn_error err = {0};
    struct wn_inst *i;
    char one[100];

    wn_inst_setup_init(&setup, kind);
    while (*switches != '\0') {
        size_t n = strcspn(switches, " ");
        assert_true(n < sizeof one);
        memcpy(one, switches, n);
        one[n] = '\0';
        if (wn_inst_set(&setup, one, &err) != WN_OK) {
            fail_msg("%s", err.text);
        }
        switches += switches[n] == ' ' ? n + 1 : n;
    }
    i = wn_bench_add(&vb, &setup);
    assert_non_null(i);
    return i;
}

/* Takes what is due of one instrument; what the others say is lost. */
static inline size_t vb_take(struct wn_inst *i, char *got, size_t size)
{
    char other[256];
    size_t n = i != NULL ? wn_inst_take(i, now_ns, got, size) : 0;

    assert_true(n < size); /* the test's buffer is too small */
    for (int k = 0; k < vb.insts; k++) {
        while (&vb.inst[k] != i && wn_inst_take(&vb.inst[k], now_ns, other, sizeof other) > 0) {
        }
    }
    return n;
}

/* Host time goes on; what the instrument sends meanwhile, bytes and how many. */
static inline size_t vb_wait(struct wn_inst *i, int64_t ns, char *got, size_t size)
{
    int64_t until_ns = now_ns + ns;
    int64_t next_ns;
    size_t n = vb_take(i, got, size);

    while ((next_ns = wn_bench_deadline(&vb)) <= until_ns) {
        now_ns = next_ns > now_ns ? next_ns : now_ns + 1;
        wn_bench_run(&vb, now_ns);
        n += vb_take(i, &got[n], size - n);
    }
    now_ns = until_ns > now_ns ? until_ns : now_ns;
    wn_bench_run(&vb, now_ns);
    n += vb_take(i, &got[n], size - n);
    got[n] = '\0';
    return n;
}

static inline void vb_pass(int64_t ns)
{
    char got[2];
    assert_int_equal(vb_wait(NULL, ns, got, sizeof got), 0);
}

static inline void vb_feed(struct wn_inst *i, const void *bytes, size_t len)
{
    wn_bench_run(&vb, now_ns);
    wn_inst_feed(i, now_ns, bytes, len);
}

/* Everything that comes at once after these bytes. */
static inline const char *vb_raw(struct wn_inst *i, const char *bytes)
{
    static char got[2 * WN_TESTER_REPLY_SIZE];
    vb_feed(i, bytes, strlen(bytes));
    (void)vb_wait(i, 0, got, sizeof got);
    return got;
}

/* A line and its reply, both without LF. */
static inline const char *vb_say(struct wn_inst *i, const char *line)
{
    static char reply[2 * WN_TESTER_REPLY_SIZE];
    char text[WN_SCPI_LINE_MAX + 2];
    size_t n;

    (void)snprintf(text, sizeof text, "%s\n", line);
    (void)snprintf(reply, sizeof reply, "%s", vb_raw(i, text));
    n = strlen(reply);
    if (n > 0) {
        assert_int_equal(reply[n - 1], '\n');
        reply[n - 1] = '\0';
    }
    return reply;
}

#define vb_expect(inst, line, want) assert_string_equal(vb_say(inst, line), (want))

static inline double vb_field(const char *reply, int n)
{
    double value = NAN;

    while (n-- > 0) {
        reply = strpbrk(reply, ",;");
        assert_non_null(reply);
        reply++;
    }
    assert_int_equal(wn_num_parse(reply, strcspn(reply, ",;\r\n"), &value), 0);
    return value;
}

static inline double vb_ask(struct wn_inst *i, const char *line)
{
    return vb_field(vb_say(i, line), 0);
}

#endif

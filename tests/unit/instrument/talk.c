/* A scripted conversation with a session.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "talk.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

static void lines(struct wn_sequence *q, const char *a, const char *b, const char *c)
{
    const char *text[] = {a, b, c};
    for (q->n = 0; q->n < 3 && text[q->n] != NULL; q->n++) {
        (void)snprintf(q->line[q->n], sizeof q->line[0], "%s", text[q->n]);
    }
}

static void readback(struct wn_mode *m, const char *query, const char *expect, double tolerance)
{
    struct wn_readback *rb = &m->readback[m->readbacks++];
    (void)snprintf(rb->query, sizeof rb->query, "%s", query);
    (void)snprintf(rb->expect, sizeof rb->expect, "%s", expect);
    rb->tolerance = tolerance;
}

void talk_dialect(struct wn_dialect *d)
{
    memset(d, 0, sizeof *d);
    (void)snprintf(d->name, sizeof d->name, "test");
    (void)snprintf(d->file, sizeof d->file, "test.conf");
    (void)snprintf(d->terminator, sizeof d->terminator, "\n");
    d->reply_timeout_s = 0.5;
    d->retries = 2;
    d->baud = 9600;
    (void)snprintf(d->identity_query, sizeof d->identity_query, "ID?");
    (void)snprintf(d->identity_prefix, sizeof d->identity_prefix, "maker,model,");
    lines(&d->setup, "CLS", "HIGH {voltage_high_v}", "LIM {current_limit_a}");
    lines(&d->charge.set, "MODE CHAR", "CURR {current_a}", "VOLT {voltage_v}");
    readback(&d->charge, "MODE?", "CHAR", 0);
    readback(&d->charge, "CURR?", "current_a", 0.001);
    readback(&d->charge, "VOLT?", "voltage_v", 0.001);
    lines(&d->discharge.set, "MODE DISC", "CURR {current_a}", "VOLT {voltage_v}");
    readback(&d->discharge, "MODE?", "DISC", 0);
    readback(&d->discharge, "CURR?", "current_a", 0.001);
    lines(&d->power.set, "MODE POW", "POW {power_w}", NULL);
    readback(&d->power, "POW?", "power_w", 0.01);
    lines(&d->on, "OUT 1", NULL, NULL);
    lines(&d->off, "OUT 0", NULL, NULL);
    (void)snprintf(d->output_query, sizeof d->output_query, "OUT?");
    (void)snprintf(d->output_off_reply, sizeof d->output_off_reply, "0");
    d->reads = 1;
    (void)snprintf(d->read[0].query, sizeof d->read[0].query, "ALL? {interval_s}");
    d->read[0].separator = ',';
    const enum wn_field field[] = {WN_FIELD_TIME_S,        WN_FIELD_VOLTAGE_V, WN_FIELD_CURRENT_A,
                                   WN_FIELD_TEMPERATURE_C, WN_FIELD_AMBIENT_C, WN_FIELD_OUTPUT};
    d->read[0].fields = (int)(sizeof field / sizeof field[0]);
    for (int i = 0; i < d->read[0].fields; i++) {
        d->read[0].field[i].what = field[i];
    }
    d->current_sign = 1;
    (void)snprintf(d->error_query, sizeof d->error_query, "ERR?");
    d->overload = 9.9e37;
    d->safe_off_len = (size_t)snprintf(d->safe_off, sizeof d->safe_off, "\nOUT 0\nOUT 0\n");
}

void talk_begin(struct talk *t)
{
    memset(t, 0, sizeof *t);
    talk_dialect(&t->dialect);
    t->now_ns = 1000 * WN_NS_PER_S;
    wn_session_init(&t->session, &t->dialect, "tester", "/dev/bench");
    wn_session_begin(&t->session, WN_REQUEST_IDENTIFY, NULL, t->now_ns);
    talk_sends(t, "ID?|");
    talk_hears(t, "maker,model,17|", WN_SESSION_PENDING);
    talk_sends(t, "ID?|"); /* believed when it comes twice */
    talk_hears(t, "maker,model,17|", WN_SESSION_DONE);
    talk_request(t, WN_REQUEST_SETUP);
    talk_sends(t, "ERR?|");
    talk_hears(t, "0,\"No error\"|", WN_SESSION_PENDING);
    talk_sends(t, "CLS|HIGH 4.25|LIM 12|ERR?|");
    talk_hears(t, "+0,\"No error\"|", WN_SESSION_DONE);
}

struct wn_setpoints talk_no_values(void)
{
    return (struct wn_setpoints){NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN, NAN};
}

struct wn_setpoints talk_values(void)
{
    return (struct wn_setpoints){.current_a = 4,
                                 .voltage_v = 4.2,
                                 .power_w = 10,
                                 .interval_s = 1,
                                 .voltage_high_v = 4.25,
                                 .voltage_low_v = 2.5,
                                 .current_limit_a = 12,
                                 .temperature_limit_c = 60,
                                 .timeout_s = 5};
}

void talk_request(struct talk *t, enum wn_request request)
{
    struct wn_setpoints sp = talk_values();
    wn_session_begin(&t->session, request, &sp, t->now_ns);
}

static size_t plain(const char *text, char *out, size_t size)
{
    size_t n = strlen(text);
    assert_true(n < size);
    for (size_t i = 0; i <= n; i++) {
        out[i] = text[i];
        if (text[i] == '|') {
            out[i] = '\n';
        }
    }
    return n;
}

void talk_sends_at(struct talk *t, const char *want, const char *file, int line)
{
    char text[4096];
    size_t len, n = plain(want, text, sizeof text);
    const char *out = wn_session_output(&t->session, &len);
    if (len != n || memcmp(out, text, n) != 0) {
        print_error("sent:\n%.*s\nexpected:\n%s\n", (int)len, out, text);
        _fail(file, line);
    }
    wn_session_wrote(&t->session, len, t->now_ns);
}

static void expect(const struct talk *t, enum wn_session_result got, enum wn_session_result want,
                   const char *file, int line)
{
    static const char *const name[] = {"idle", "pending", "done", "failed"};
    if (got != want || got != wn_session_result(&t->session)) {
        print_error("session is %s, expected %s; error: %s\n", name[got], name[want],
                    t->session.error.text);
        _fail(file, line);
    }
}

void talk_hears_at(struct talk *t, const char *reply, enum wn_session_result want, const char *file,
                   int line)
{
    char text[4096];
    size_t n = plain(reply, text, sizeof text);
    expect(t, wn_session_input(&t->session, text, n, t->now_ns), want, file, line);
}

void talk_waits_at(struct talk *t, double ms, enum wn_session_result want, const char *file,
                   int line)
{
    t->now_ns += wn_ns_from_s(ms / 1000);
    expect(t, wn_session_tick(&t->session, t->now_ns), want, file, line);
}

void talk_failed_at(struct talk *t, int code, const char *words, const char *file, int line)
{
    const struct wn_error *e = &t->session.error;
    expect(t, wn_session_result(&t->session), WN_SESSION_FAILED, file, line);
    if (e->code != code || strstr(e->text, words) == NULL) {
        print_error("error %d: %s\nexpected %d with: %s\n", e->code, e->text, code, words);
        _fail(file, line);
    }
    if (strncmp(e->text, "tester on /dev/bench: ", 22) != 0) {
        print_error("error names no port: %s\n", e->text);
        _fail(file, line);
    }
}

uint64_t talk_seed(uint64_t otherwise)
{
    const char *text = getenv("SEED");
    int64_t seed = (int64_t)otherwise;
    if (text != NULL) {
        assert_int_equal(wn_num_parse_int(text, strlen(text), &seed), WN_OK);
    }
    print_message("SEED=%lld\n", (long long)seed);
    return (uint64_t)seed;
}

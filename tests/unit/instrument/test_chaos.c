/* The session on a line that loses, damages and delays: what it says is done has been done.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The damage is of kinds that can be noticed at all (test_garbled.c measures the others). First
 * anything may fail and nothing wrong may be believed; then the faults end and everything must
 * succeed. SEED=n repeats a run. */
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "support/near.h"
#include "talk.h"

enum { CHUNKS = 256, CHUNK_SIZE = 80, REQUESTS = 4000 };

struct chunk {
    wn_ns due_ns;
    char text[CHUNK_SIZE];
    size_t len;
};

struct instrument {
    bool on;
    char mode[8];
    double current_a, voltage_v;
    int errors;
    char line[512]; /* what has come of the present command */
    size_t len;
    bool lost; /* its beginning or more is lost */
};

struct world {
    struct talk talk;
    struct instrument ins;
    struct wn_prng rng;
    bool faults;
    struct chunk chunk[CHUNKS]; /* on their way to the session, in order */
    int first, chunks;
    wn_ns last_due_ns, asked_ns;
    double tag; /* of the present reading */
    struct wn_setpoints want;
    long done[WN_REQUEST_READ + 1], failed[WN_REQUEST_READ + 1], preempted;
};

static bool chance(struct world *w, uint64_t in)
{
    return w->faults && wn_prng_below(&w->rng, in) == 0;
}

static void put_chunk(struct world *w, wn_ns due_ns, const char *text, size_t len)
{
    assert_true(w->chunks < CHUNKS && len <= CHUNK_SIZE);
    struct chunk *c = &w->chunk[(w->first + w->chunks++) % CHUNKS];
    w->last_due_ns = due_ns > w->last_due_ns ? due_ns : w->last_due_ns; /* nothing overtakes */
    c->due_ns = w->last_due_ns;
    c->len = len;
    memcpy(c->text, text, len);
}

/* A reply sets out. */
static void reply(struct world *w, const char *text)
{
    char out[CHUNK_SIZE];
    int n = snprintf(out, sizeof out, "%s\n", text);
    size_t len = (size_t)n, at = wn_prng_below(&w->rng, len - 1);
    assert_true(n > 1 && len < sizeof out);
    wn_ns ms = 1 + (wn_ns)wn_prng_below(&w->rng, 20);
    ms = chance(w, 25) ? 100 + (wn_ns)wn_prng_below(&w->rng, 1400) : ms;
    if (chance(w, 30)) {
        return;
    }
    if (chance(w, 30)) {
        static const char damage[] = {'#', '\x80', '\0', '\r'};
        out[at] = damage[wn_prng_below(&w->rng, sizeof damage)];
    }
    wn_ns due = w->talk.now_ns + ms * WN_NS_PER_MS;
    put_chunk(w, due, out, at);
    wn_ns pause = chance(w, 10) ? (wn_ns)wn_prng_below(&w->rng, 700) * WN_NS_PER_MS : 0;
    put_chunk(w, due + pause, out + at, len - at);
    if (chance(w, 60)) {
        put_chunk(w, due + pause, "\xff\xff", wn_prng_below(&w->rng, 3)); /* noise behind it */
    }
}

static double value_behind(const char *line, size_t header)
{
    double v = -1;
    (void)wn_num_parse(line + header, strlen(line + header), &v);
    return v;
}

static void answer_number(struct world *w, double value)
{
    char text[WN_NUM_SIZE];
    reply(w, wn_num_format(value, 9, text, sizeof text));
}

static bool set(struct instrument *i, const char *line)
{
    if (strcmp(line, "OUT 0") == 0 || strcmp(line, "OUT 1") == 0) {
        i->on = line[4] == '1';
    } else if (strcmp(line, "CLS") == 0) {
        i->errors = 0;
    } else if (strncmp(line, "MODE ", 5) == 0 && line[5] != '\0' &&
               strlen(line) < 5 + sizeof i->mode) {
        memcpy(i->mode, line + 5, strlen(line + 5) + 1);
    } else if (strncmp(line, "CURR ", 5) == 0) {
        i->current_a = value_behind(line, 5);
    } else if (strncmp(line, "VOLT ", 5) == 0) {
        i->voltage_v = value_behind(line, 5);
    } else {
        return strncmp(line, "HIGH ", 5) == 0 || strncmp(line, "LIM ", 4) == 0 || line[0] == '\0';
    }
    return true;
}

static void obey(struct world *w, const char *line)
{
    struct instrument *i = &w->ins;
    char text[CHUNK_SIZE];
    if (set(i, line)) {
        return;
    }
    if (strcmp(line, "ID?") == 0) {
        reply(w, "maker,model,17");
    } else if (strcmp(line, "ERR?") == 0) {
        reply(w, i->errors > 0 ? "-113,\"Undefined header\"" : "0,\"No error\"");
        i->errors -= i->errors > 0;
    } else if (strcmp(line, "MODE?") == 0) {
        reply(w, i->mode);
    } else if (strcmp(line, "CURR?") == 0) {
        answer_number(w, i->current_a);
    } else if (strcmp(line, "VOLT?") == 0) {
        answer_number(w, i->voltage_v);
    } else if (strcmp(line, "OUT?") == 0) {
        reply(w, i->on ? "1" : "0");
    } else if (strncmp(line, "ALL? ", 5) == 0) {
        /* time: the tag of the question; temperature: when it was measured */
        (void)snprintf(text, sizeof text, "%s,3.7,0,%lld,23,%d", line + 5,
                       (long long)(w->talk.now_ns / WN_NS_PER_MS), i->on);
        reply(w, text);
    } else {
        i->errors++;
    }
}

/* Bytes arrive at the instrument. */
static void receive(struct world *w, const char *data, size_t len)
{
    struct instrument *i = &w->ins;
    for (size_t k = 0; k < len; k++) {
        if (data[k] == '\n' && chance(w, 80)) {
            continue; /* a lost line end: two commands become none */
        }
        if (data[k] != '\n') {
            assert_true(i->len + 1 < sizeof i->line);
            i->line[i->len++] = chance(w, 800) ? '#' : data[k];
            continue;
        }
        i->line[i->len] = '\0';
        i->len = 0;
        if (!chance(w, 100)) {
            obey(w, i->line);
        }
    }
}

static void write_out(struct world *w)
{
    struct wn_session *s = &w->talk.session;
    size_t len;
    const char *out = wn_session_output(s, &len);
    if (len == 0) {
        return;
    }
    if (chance(w, 10)) {
        len = 1 + wn_prng_below(&w->rng, len);
    }
    char copy[WN_SESSION_OUT_MAX];
    memcpy(copy, out, len);
    wn_session_wrote(s, len, w->talk.now_ns);
    w->asked_ns = w->talk.now_ns;
    receive(w, copy, len);
}

/* Goes to the next thing that happens. */
static void step(struct world *w)
{
    struct wn_session *s = &w->talk.session;
    wn_ns next = wn_session_deadline(s);
    size_t len;
    (void)wn_session_output(s, &len);
    if (len > 0 && w->talk.now_ns + 5 * WN_NS_PER_MS < next) {
        next = w->talk.now_ns + 5 * WN_NS_PER_MS; /* the port takes more */
    }
    bool arrives = w->chunks > 0 && w->chunk[w->first].due_ns <= next;
    if (arrives) {
        struct chunk *c = &w->chunk[w->first];
        next = c->due_ns > w->talk.now_ns ? c->due_ns : w->talk.now_ns;
        w->first = (w->first + 1) % CHUNKS;
        w->chunks--;
        w->talk.now_ns = next;
        (void)wn_session_input(s, c->text, c->len, next);
    } else {
        w->talk.now_ns = next;
        (void)wn_session_tick(s, next);
    }
    write_out(w);
}

static void check_done(struct world *w, enum wn_request request)
{
    const struct wn_session *s = &w->talk.session;
    const struct instrument *i = &w->ins;
    switch (request) {
    case WN_REQUEST_CHARGE:
        assert_string_equal(i->mode, "CHAR");
        assert_near(i->voltage_v, w->want.voltage_v, 0.001001);
        assert_near(i->current_a, w->want.current_a, 0.001001);
        break;
    case WN_REQUEST_DISCHARGE:
        assert_string_equal(i->mode, "DISC");
        assert_near(i->current_a, w->want.current_a, 0.001001);
        break;
    case WN_REQUEST_ON:
        assert_true(i->on);
        break;
    case WN_REQUEST_OFF:
        assert_false(i->on);
        break;
    case WN_REQUEST_READ:
        assert_int_equal(s->reading.time_ns,
                         wn_ns_from_s(w->tag)); /* the answer to this question */
        assert_true(s->reading.temperature_c >=
                    (double)(w->asked_ns / WN_NS_PER_MS)); /* and a fresh one */
        assert_int_equal(s->reading.host_ns, w->talk.now_ns);
        break;
    case WN_REQUEST_IDENTIFY:
        assert_string_equal(s->identity, "maker,model,17");
        break;
    case WN_REQUEST_SETUP:
    case WN_REQUEST_POWER:
    case WN_REQUEST_NONE:
        break;
    }
}

static void ask(struct world *w, enum wn_request request)
{
    w->want = talk_values();
    w->want.current_a = (double)(1 + wn_prng_below(&w->rng, 10000)) / 1000;
    w->want.voltage_v = (double)(2500 + wn_prng_below(&w->rng, 1700)) / 1000;
    w->tag += 1;
    w->want.interval_s = w->tag;
    wn_session_begin(&w->talk.session, request, &w->want, w->talk.now_ns);
}

static bool perform(struct world *w, enum wn_request request)
{
    struct wn_session *s = &w->talk.session;
    ask(w, request);
    write_out(w);
    for (int n = 0; wn_session_result(s) == WN_SESSION_PENDING; n++) {
        assert_true(n < 10000); /* every request has an end */
        step(w);
        if (request != WN_REQUEST_OFF && wn_session_result(s) == WN_SESSION_PENDING &&
            chance(w, 30)) {
            request = WN_REQUEST_OFF;
            w->preempted++;
            ask(w, request);
            write_out(w);
        }
    }
    bool done = wn_session_result(s) == WN_SESSION_DONE;
    if (done) {
        check_done(w, request);
        w->done[request]++;
    } else {
        assert_true(s->error.code == WN_ETIMEOUT || s->error.code == WN_EFRAME ||
                    s->error.code == WN_EREADBACK || s->error.code == WN_EINSTRUMENT ||
                    s->error.code == WN_EIDENTITY);
        w->failed[request]++;
    }
    return done;
}

static void idle(struct world *w, wn_ns ms)
{
    wn_ns until = w->talk.now_ns + ms * WN_NS_PER_MS;
    while (w->chunks > 0 && w->chunk[w->first].due_ns <= until) {
        step(w);
    }
    w->talk.now_ns = until > w->talk.now_ns ? until : w->talk.now_ns;
}

static const enum wn_request menu[] = {WN_REQUEST_READ,      WN_REQUEST_READ,    WN_REQUEST_CHARGE,
                                       WN_REQUEST_ON,        WN_REQUEST_READ,    WN_REQUEST_OFF,
                                       WN_REQUEST_DISCHARGE, WN_REQUEST_ON,      WN_REQUEST_OFF,
                                       WN_REQUEST_SETUP,     WN_REQUEST_IDENTIFY};

static void live_again(struct world *w)
{
    w->faults = false;
    idle(w, 11000);
    (void)perform(
        w,
        WN_REQUEST_IDENTIFY); /* ends what the instrument holds of a command whose end was lost */
    assert_true(perform(w, WN_REQUEST_IDENTIFY));
    assert_true(perform(w, WN_REQUEST_OFF));
    assert_true(perform(w, WN_REQUEST_SETUP));
    assert_true(perform(w, WN_REQUEST_CHARGE));
    assert_true(perform(w, WN_REQUEST_ON));
    assert_true(perform(w, WN_REQUEST_READ));
    assert_true(perform(w, WN_REQUEST_OFF));
    w->faults = true;
}

static void whatever_is_done_has_been_done(void **state)
{
    (void)state;
    static struct world w;
    memset(&w, 0, sizeof w);
    wn_prng_init(&w.rng, talk_seed(20260501));
    memcpy(w.ins.mode, "CHAR", 5);
    talk_begin(&w.talk);
    for (int round = 0; round < 20; round++) {
        w.faults = true;
        for (int n = 0; n < REQUESTS / 20; n++) {
            bool done = perform(&w, menu[wn_prng_below(&w.rng, sizeof menu / sizeof menu[0])]);
            /* A caller whose instrument fell silent comes back later; sometimes at once. */
            idle(&w, !done && wn_prng_below(&w.rng, 2) == 0 ? 11000
                                                            : (wn_ns)wn_prng_below(&w.rng, 300));
        }
        live_again(&w);
    }
    long done = 0, failed = 0;
    for (int i = 0; i <= WN_REQUEST_READ; i++) {
        done += w.done[i];
        failed += w.failed[i];
    }
    print_message(
        "%ld requests done, %ld failed, %ld pre-empted by off; %llu bad replies, %llu time-outs\n",
        done, failed, w.preempted, (unsigned long long)w.talk.session.bad_replies,
        (unsigned long long)w.talk.session.timeouts);
    assert_true(w.done[WN_REQUEST_READ] > 100 && w.done[WN_REQUEST_OFF] > 100 &&
                w.done[WN_REQUEST_ON] > 100);
    assert_true(w.talk.session.bad_replies > 100 && w.talk.session.timeouts > 100 &&
                w.preempted > 100);
}

/* Bytes without any sense: nothing is believed, nothing crashes, every request ends. */
static void pure_noise(void **state)
{
    (void)state;
    struct wn_prng rng;
    struct talk t;
    wn_prng_init(&rng, talk_seed(42));
    talk_begin(&t);
    for (int n = 0; n < 3000; n++) {
        talk_request(&t, menu[wn_prng_below(&rng, sizeof menu / sizeof menu[0])]);
        while (wn_session_result(&t.session) == WN_SESSION_PENDING) {
            char noise[64];
            size_t len;
            (void)wn_session_output(&t.session, &len);
            wn_session_wrote(&t.session, wn_prng_below(&rng, len + 1), t.now_ns);
            for (size_t i = 0; i < sizeof noise; i++) {
                static const char likely[] = "0123456789+-.,eE\n\n\"aID?|";
                noise[i] = wn_prng_below(&rng, 8) == 0
                               ? (char)wn_prng_below(&rng, 256)
                               : likely[wn_prng_below(&rng, sizeof likely - 1)];
            }
            (void)wn_session_input(&t.session, noise, wn_prng_below(&rng, sizeof noise), t.now_ns);
            t.now_ns += (wn_ns)wn_prng_below(&rng, 200) * WN_NS_PER_MS;
            (void)wn_session_tick(&t.session, t.now_ns);
        }
        assert_int_equal(t.session.reading.has, 0);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(whatever_is_done_has_been_done),
        cmocka_unit_test(pure_noise),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

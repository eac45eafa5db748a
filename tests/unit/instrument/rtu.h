/* A session and an instrument that speaks MODBUS, in simulated time: what is damaged, late or
 * refused on the way is up to the test.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_RTU_H
#define WN_TESTS_RTU_H

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include "config/config.h"
#include "instrument/session.h"

enum { RTU_FRAME = 300, RTU_LOG = 64, RTU_LINE = 24 };

struct rtu;
/** What becomes of the reply number n (from 0) on its way; NULL: nothing. */
typedef void rtu_way(struct rtu *t, int n, uint8_t *reply, size_t *len, wn_ns *delay_ns);

struct rtu {
    struct wn_dialect dialect;
    struct wn_session session;
    wn_ns now_ns;
    /* the instrument: input registers, holding registers, coils */
    uint16_t input[32], hold[32];
    bool coil[4], clamps; /* clamps: holds no more than 2 A */
    int32_t serial;       /* of its replies to the reading: it is the voltage, in 0.1 mV */
    uint8_t exception;    /* it answers so, exceptions times */
    int exceptions;
    bool echoes, deaf, stuck; /* stuck: off is confirmed and not done */
    rtu_way *way;
    void *ctx;
    int replies;
    /* what is on the line to us, in order */
    struct {
        uint8_t byte[RTU_FRAME];
        size_t len;
        wn_ns at_ns;
    } line[RTU_LINE];
    int lines;
    /* what was written: function and address, and when */
    struct {
        uint8_t frame[RTU_FRAME];
        size_t len;
        wn_ns at_ns;
    } sent[RTU_LOG];
    int sents;
    wn_ns heard_ns; /* last byte that came to us */
    long too_early; /* requests without silence before them */
};

/** The dialect of the test (a tester; unit 7, 9600 baud, 200 ms, 2 retries) with one line of its
 * text replaced: the one that begins with `key`; NULL: none. */
void rtu_dialect(struct wn_dialect *d, const char *key, const char *line);
/** Session and instrument, not identified. */
void rtu_init(struct rtu *t, const char *key, const char *line);
/** The same, identified and set up. */
void rtu_begin(struct rtu *t);
/** Begins a request with usual set-points: 1.5 A, 4.2 V, 10 W, 1 s and protections. */
void rtu_request(struct rtu *t, enum wn_request request);
/** Goes on until the session has an outcome. */
enum wn_session_result rtu_run(struct rtu *t);
/** Goes on until `sents` frames have been written, or an outcome. */
void rtu_run_to(struct rtu *t, int sents);
/** Lets time go by, the session idle or not. */
void rtu_wait(struct rtu *t, double ms);
/** Puts bytes on the line to us, so many ms from now. */
void rtu_say(struct rtu *t, const uint8_t *bytes, size_t len, double ms);
/** Request and outcome in one. */
enum wn_session_result rtu_do(struct rtu *t, enum wn_request request);
/** The session has failed with the code, and its text holds the words. */
#define rtu_failed(t, code, words) rtu_failed_at((t), (code), (words), __FILE__, __LINE__)
void rtu_failed_at(const struct rtu *t, int code, const char *words, const char *file, int line);

#endif

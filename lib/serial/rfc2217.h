/* The client's side of RFC 2217, a serial port behind a telnet server: bytes and negotiation only.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure: no I/O, no clock, no allocation. What has come goes through rfc2217_take(), which leaves
 * the instrument's bytes and answers the rest into out; whoever owns the connection sends out.
 *
 * Strict where it matters: both directions binary (else CR would be changed on its way), every
 * setting confirmed with the value that was asked for, and an answer with another one is a fault
 * whenever it comes. Reports of line and modem state are turned off, so that on the connection the
 * instrument's bytes are all there is: the guard reads there too, and knows nothing of telnet. */
#ifndef WN_SERIAL_RFC2217_H
#define WN_SERIAL_RFC2217_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "serial/serial.h"

enum { RFC2217_OUT_SIZE = 512, RFC2217_SUB_SIZE = 16 };

struct rfc2217 {
    struct wn_port_settings want; /* path not used */
    int state;                    /* of the decoder */
    uint8_t verb;                 /* WILL, WONT, DO, DONT that waits for its option */
    uint8_t sub[RFC2217_SUB_SIZE];
    size_t sub_len;            /* counts on beyond the buffer: such a message is none of ours */
    unsigned agreed;           /* options */
    unsigned waiting;          /* settings that are not confirmed yet */
    unsigned lines_waiting[2]; /* by enum wn_line: how often set and not confirmed */
    bool lines_differ[2];      /* the last word about it was another one */
    unsigned purges;           /* asked for and not confirmed: what comes before that is old */
    uint8_t out[RFC2217_OUT_SIZE];
    size_t out_len;
    char fault[160]; /* empty: none */
};

/** Starts over and offers the options. */
void rfc2217_begin(struct rfc2217 *t, const struct wn_port_settings *want);
/** Takes what came, in place: the instrument's bytes are left in buf, their number is returned.
 * None are left while the port is not set up and while a purge is on its way. */
size_t rfc2217_take(struct rfc2217 *t, uint8_t *buf, size_t len);
/** Everything is agreed on and confirmed. */
bool rfc2217_ready(const struct rfc2217 *t);
/** What is not confirmed yet, for a message; NULL nothing. */
const char *rfc2217_waits_for(const struct rfc2217 *t);
/** Asks the server to throw away what it holds in both directions. */
void rfc2217_purge(struct rfc2217 *t);
/** A modem line, now or as soon as that is possible. */
void rfc2217_set_line(struct rfc2217 *t, enum wn_line line, bool on);

/** The instrument's bytes as they must stand on the connection (0xff twice): as much of data as
 * fits into out; *used of data, returns bytes written. */
size_t rfc2217_escape(const uint8_t *data, size_t len, uint8_t *out, size_t size, size_t *used);
enum { RFC2217_LINE_SIZE = 7 };
/** The bytes that set a modem line, for who has nothing but the descriptor. */
size_t rfc2217_line_bytes(enum wn_line line, bool on, uint8_t out[RFC2217_LINE_SIZE]);

#endif

/* The client's side of RFC 2217.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "serial/rfc2217.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

/* RFC 854 */
enum { SE = 240, SB = 250, WILL = 251, WONT = 252, DO = 253, DONT = 254, IAC = 255 };
/* Options: RFC 856, 858, 2217 */
enum { BINARY = 0, SUPPRESS_GO_AHEAD = 3, COM_PORT = 44 };

/* RFC 2217; what the server sends is 100 more. */
enum command {
    SET_BAUDRATE = 1,
    SET_DATASIZE = 2,
    SET_PARITY = 3,
    SET_STOPSIZE = 4,
    SET_CONTROL = 5,
    SET_LINESTATE_MASK = 10,
    SET_MODEMSTATE_MASK = 11,
    PURGE_DATA = 12,
    FROM_SERVER = 100
};
enum control {
    FLOW_NONE = 1,
    FLOW_XON = 2,
    FLOW_HARDWARE = 3,
    DTR_ON = 8,
    DTR_OFF = 9,
    RTS_ON = 11,
    RTS_OFF = 12,
    FLOW_DCD = 17,
    FLOW_DSR = 19
};
enum { PURGE_BOTH = 3 };

enum state { DATA, AFTER_IAC, AFTER_VERB, IN_SUB, IN_SUB_AFTER_IAC };

enum agreed { BINARY_OUT = 1, BINARY_IN = 2, PORT_OUT = 4, ALL_AGREED = 7 };

enum setting { BAUD = 1, BITS = 2, PARITY = 4, STOP = 8, FLOW = 16 };

static void fail(struct rfc2217 *t, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

static void fail(struct rfc2217 *t, const char *fmt, ...)
{
    va_list args;
    if (t->fault[0] == '\0') {
        va_start(args, fmt);
        (void)vsnprintf(t->fault, sizeof t->fault, fmt, args);
        va_end(args);
    }
}

static void put(struct rfc2217 *t, const uint8_t *bytes, size_t len)
{
    if (len > sizeof t->out - t->out_len) {
        fail(t, "it talks and does not listen"); /* asks without end, and takes no answer */
        return;
    }
    memcpy(t->out + t->out_len, bytes, len);
    t->out_len += len;
}

static void say(struct rfc2217 *t, int verb, int option)
{
    const uint8_t bytes[] = {IAC, (uint8_t)verb, (uint8_t)option};
    put(t, bytes, sizeof bytes);
}

size_t rfc2217_escape(const uint8_t *data, size_t len, uint8_t *out, size_t size, size_t *used)
{
    size_t n = 0, i = 0;
    for (; i < len; i++) {
        size_t need = data[i] == IAC ? 2 : 1;
        if (need > size - n) {
            break;
        }
        out[n] = out[n + need - 1] = data[i];
        n += need;
    }
    *used = i;
    return n;
}

static size_t write_command(enum command command, const uint8_t *value, size_t len, uint8_t *out,
                            size_t size)
{
    const uint8_t begin[] = {IAC, SB, COM_PORT, (uint8_t)command};
    size_t used;
    wn_assert(size >= sizeof begin + 2 * len + 2);
    memcpy(out, begin, sizeof begin);
    size_t n = sizeof begin + rfc2217_escape(value, len, out + sizeof begin, 2 * len, &used);
    out[n++] = IAC;
    out[n++] = SE;
    return n;
}

static void tell(struct rfc2217 *t, enum command command, int value)
{
    uint8_t bytes[16];
    const uint8_t one = (uint8_t)value;
    put(t, bytes, write_command(command, &one, 1, bytes, sizeof bytes));
}

static enum control line_control(enum wn_line line, bool on)
{
    if (line == WN_LINE_DTR) {
        return on ? DTR_ON : DTR_OFF;
    }
    return on ? RTS_ON : RTS_OFF;
}

size_t rfc2217_line_bytes(enum wn_line line, bool on, uint8_t out[RFC2217_LINE_SIZE])
{
    uint8_t bytes[16];
    const uint8_t control = (uint8_t)line_control(line, on);
    size_t n = write_command(SET_CONTROL, &control, 1, bytes, sizeof bytes);
    wn_assert(n == RFC2217_LINE_SIZE);
    memcpy(out, bytes, n);
    return n;
}

void rfc2217_begin(struct rfc2217 *t, const struct wn_port_settings *want)
{
    memset(t, 0, sizeof *t);
    t->want = *want;
    t->want.path = NULL;
    say(t, WILL, BINARY);
    say(t, DO, BINARY);
    say(t, WILL, SUPPRESS_GO_AHEAD);
    say(t, DO, SUPPRESS_GO_AHEAD);
    say(t, WILL, COM_PORT);
}

static int parity_code(char parity)
{
    return parity == 'N' ? 1 : parity == 'O' ? 2 : 3;
}

static void send_line(struct rfc2217 *t, enum wn_line line, enum wn_line_policy policy)
{
    if (policy != WN_LINE_LEAVE) {
        tell(t, SET_CONTROL, (int)line_control(line, policy == WN_LINE_ON));
        t->lines_waiting[line]++;
    }
}

/* The lines first: a relay that is to be open must not wait for the rest. */
static void set_up(struct rfc2217 *t)
{
    uint8_t bytes[16], baud[4];
    for (int i = 0; i < 4; i++) {
        baud[i] = (uint8_t)((unsigned)t->want.baud >> (24 - 8 * i) & 0xffu);
    }
    send_line(t, WN_LINE_DTR, t->want.dtr);
    send_line(t, WN_LINE_RTS, t->want.rts);
    tell(t, SET_LINESTATE_MASK, 0);
    tell(t, SET_MODEMSTATE_MASK, 0);
    put(t, bytes, write_command(SET_BAUDRATE, baud, sizeof baud, bytes, sizeof bytes));
    tell(t, SET_DATASIZE, t->want.bits);
    tell(t, SET_PARITY, parity_code(t->want.parity));
    tell(t, SET_STOPSIZE, t->want.stop_bits);
    tell(t, SET_CONTROL, FLOW_NONE);
    t->waiting |= BAUD | BITS | PARITY | STOP | FLOW;
}

void rfc2217_set_line(struct rfc2217 *t, enum wn_line line, bool on)
{
    enum wn_line_policy policy = on ? WN_LINE_ON : WN_LINE_OFF;
    *(line == WN_LINE_DTR ? &t->want.dtr : &t->want.rts) = policy;
    if ((t->agreed & PORT_OUT) != 0) {
        send_line(t, line, policy);
    }
}

void rfc2217_purge(struct rfc2217 *t)
{
    if (rfc2217_ready(t)) {
        tell(t, PURGE_DATA, PURGE_BOTH);
        t->purges++;
    }
}

bool rfc2217_ready(const struct rfc2217 *t)
{
    return t->agreed == ALL_AGREED && t->waiting == 0 && t->fault[0] == '\0';
}

const char *rfc2217_waits_for(const struct rfc2217 *t)
{
    if ((t->agreed & PORT_OUT) == 0) {
        return "that it speaks RFC 2217 at all (use tcp:// if it only hands bytes through)";
    }
    if (t->agreed != ALL_AGREED) {
        return "binary transmission";
    }
    for (int line = WN_LINE_DTR; line <= WN_LINE_RTS; line++) {
        if (t->lines_waiting[line] > 0 || t->lines_differ[line]) {
            return line == WN_LINE_DTR ? "DTR as it was set: no interlock there"
                                       : "RTS as it was set: no interlock there";
        }
    }
    if (t->waiting != 0) {
        return (t->waiting & BAUD) != 0     ? "the baud rate"
               : (t->waiting & FLOW) != 0   ? "working without flow control"
               : (t->waiting & PARITY) != 0 ? "the parity"
                                            : "the number of data or stop bits";
    }
    return t->purges > 0 ? "that its queues are empty" : NULL;
}

/* The server offers, asks for, or refuses an option. Only a change is answered, so that two polite
 * programs do not thank each other for ever. */
static void negotiate(struct rfc2217 *t, int verb, int option)
{
    unsigned before = t->agreed;
    bool refused = verb == DONT || verb == WONT;
    if (refused && option == COM_PORT) {
        fail(t, "it does not know RFC 2217: use tcp:// and set the baud rate at the server");
    } else if (refused && option == BINARY) {
        fail(t, "it changes bytes on their way (no binary transmission): set it to binary or raw");
    } else if (verb == DO && option == BINARY) {
        t->agreed |= BINARY_OUT;
    } else if (verb == WILL && option == BINARY) {
        t->agreed |= BINARY_IN;
    } else if (verb == DO && option == COM_PORT) {
        t->agreed |= PORT_OUT;
        if (before != t->agreed) {
            set_up(t);
        }
    } else if (!refused && option != SUPPRESS_GO_AHEAD && !(verb == WILL && option == COM_PORT)) {
        say(t, verb == DO ? WONT : DONT, option);
    }
}

/* A setting as the server has it now. */
static void confirm(struct rfc2217 *t, enum setting which, bool as_wanted, const char *what,
                    unsigned has)
{
    if (as_wanted) {
        t->waiting &= ~(unsigned)which;
    } else {
        fail(t, "%s is not taken: the server has %u instead; use one that it knows", what, has);
    }
}

/* Answers come in the order of the questions, so the last one counts; a report that nobody asked
 * for may come between. One that differs is waited out: the answer may be behind it. */
static void confirm_line(struct rfc2217 *t, enum wn_line line, bool on)
{
    enum wn_line_policy want = line == WN_LINE_DTR ? t->want.dtr : t->want.rts;
    t->lines_waiting[line] -= t->lines_waiting[line] > 0 ? 1 : 0;
    t->lines_differ[line] = t->lines_waiting[line] == 0 && want == (on ? WN_LINE_OFF : WN_LINE_ON);
}

static void confirm_control(struct rfc2217 *t, int value)
{
    switch (value) {
    case FLOW_NONE:
        confirm(t, FLOW, true, "", 0);
        break;
    case FLOW_XON:
    case FLOW_HARDWARE:
    case FLOW_DCD:
    case FLOW_DSR:
        confirm(t, FLOW, false, "working without flow control", (unsigned)value);
        break;
    case DTR_ON:
    case DTR_OFF:
        confirm_line(t, WN_LINE_DTR, value == DTR_ON);
        break;
    case RTS_ON:
    case RTS_OFF:
        confirm_line(t, WN_LINE_RTS, value == RTS_ON);
        break;
    default:
        break; /* break and inbound flow control, which nobody asked about */
    }
}

static void take_message(struct rfc2217 *t)
{
    const uint8_t *value = t->sub + 2;
    if (t->sub_len < 3 || t->sub_len > sizeof t->sub || t->sub[0] != COM_PORT) {
        return;
    }
    switch (t->sub[1]) {
    case FROM_SERVER + SET_BAUDRATE:
        if (t->sub_len == 6) {
            unsigned has = (unsigned)value[0] << 24 | (unsigned)value[1] << 16 |
                           (unsigned)value[2] << 8 | value[3];
            confirm(t, BAUD, has == (unsigned)t->want.baud, "the baud rate", has);
        }
        break;
    case FROM_SERVER + SET_DATASIZE:
        confirm(t, BITS, value[0] == t->want.bits, "the number of data bits", value[0]);
        break;
    case FROM_SERVER + SET_PARITY:
        confirm(t, PARITY, value[0] == parity_code(t->want.parity), "the parity", value[0]);
        break;
    case FROM_SERVER + SET_STOPSIZE:
        confirm(t, STOP, value[0] == t->want.stop_bits, "the number of stop bits", value[0]);
        break;
    case FROM_SERVER + SET_CONTROL:
        confirm_control(t, value[0]);
        break;
    case FROM_SERVER + PURGE_DATA:
        t->purges -= t->purges > 0 ? 1 : 0;
        break;
    default:
        break;
    }
}

static void collect(struct rfc2217 *t, uint8_t c)
{
    if (t->sub_len < sizeof t->sub) {
        t->sub[t->sub_len] = c;
    }
    t->sub_len += t->sub_len <= sizeof t->sub ? 1 : 0;
}

static enum state after_iac(struct rfc2217 *t, uint8_t c)
{
    if (c >= WILL && c <= DONT) {
        t->verb = c;
        return AFTER_VERB;
    }
    t->sub_len = 0;
    return c == SB ? IN_SUB : DATA; /* anything else is a command of no meaning here */
}

/* True for a byte of the instrument. */
static bool take_byte(struct rfc2217 *t, uint8_t c)
{
    bool data = false;
    switch ((enum state)t->state) {
    case DATA:
        t->state = c == IAC ? AFTER_IAC : DATA;
        data = c != IAC;
        break;
    case AFTER_IAC:
        data = c == IAC;
        t->state = data ? DATA : (int)after_iac(t, c);
        break;
    case AFTER_VERB:
        t->state = DATA;
        negotiate(t, t->verb, c);
        break;
    case IN_SUB:
        if (c == IAC) {
            t->state = IN_SUB_AFTER_IAC;
        } else {
            collect(t, c);
        }
        break;
    case IN_SUB_AFTER_IAC:
        t->state = c == IAC ? IN_SUB : DATA;
        if (c == IAC) {
            collect(t, c);
        } else if (c == SE) {
            take_message(t);
        } else { /* cut off in the middle: what follows is a command of its own */
            t->state = (int)after_iac(t, c);
        }
        break;
    }
    return data && rfc2217_ready(t) && t->purges == 0;
}

size_t rfc2217_take(struct rfc2217 *t, uint8_t *buf, size_t len)
{
    size_t n = 0;
    for (size_t i = 0; i < len; i++) {
        uint8_t c = buf[i];
        if (take_byte(t, c)) {
            buf[n++] = c;
        }
    }
    return n;
}

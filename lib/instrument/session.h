/* Session: the conversation with one instrument, without I/O: requests in, bytes to write out; bytes read in, results out.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. One request at a time; a request is a list of exchanges (command, or query with reply), each with an absolute deadline in host
 * time. A query without reply, or with a garbled one, is asked again `retries` times; a partial line is thrown away and input is ignored
 * until the new reply. A late reply can never be taken for the answer of the next query: after a time-out the session resynchronises by
 * asking the identity and dropping every line until it answers. OFF may be requested at any moment and pre-empts what is under way. */
#ifndef WN_INSTRUMENT_SESSION_H
#define WN_INSTRUMENT_SESSION_H

#include "base/err.h"
#include "base/reading.h"
#include "instrument/dialect.h"
#include "wire/line.h"

enum wn_request {
    WN_REQUEST_NONE,
    WN_REQUEST_IDENTIFY,  /* identity query, checked against the prefix */
    WN_REQUEST_SETUP,     /* set-up sequence with the protections in the set-points, then error query */
    WN_REQUEST_CHARGE,    /* set-points, error query, read-back; output not switched */
    WN_REQUEST_DISCHARGE,
    WN_REQUEST_POWER,
    WN_REQUEST_ON,
    WN_REQUEST_OFF,       /* off sequence, then output query must answer off */
    WN_REQUEST_READ
};

enum wn_session_result {
    WN_SESSION_IDLE,    /* no request */
    WN_SESSION_PENDING, /* write what wn_session_output() gives; feed input; or call again at the deadline */
    WN_SESSION_DONE,    /* request fulfilled; reading or identity is there */
    WN_SESSION_FAILED   /* error is filled: WN_ETIMEOUT, WN_EFRAME, WN_EIDENTITY, WN_EREADBACK, WN_EINSTRUMENT */
};

struct wn_session {
    const struct wn_dialect *dialect; /* borrowed, outlives the session */
    char port[128];                   /* for messages */
    char role[32];
    struct wn_line_reader lines;
    enum wn_request request;
    struct wn_setpoints setpoints;
    int phase, index, attempt;        /* where in the request */
    bool awaiting_reply, resync;
    bool sent;                        /* output of the present exchange was handed out */
    bool stale;                       /* a reply nobody waits for may still come: resynchronise before the next query */
    enum wn_session_result result;
    wn_ns deadline_ns;                /* host time */
    char out[WN_COMMAND_MAX];
    size_t out_len, out_pos;
    char query[WN_COMMAND_MAX];       /* for messages */
    struct wn_reading reading;        /* last one read */
    char identity[256];
    uint64_t exchanges, bad_replies, timeouts;
    int consecutive_bad;
    struct wn_error error;
};

void wn_session_init(struct wn_session *s, const struct wn_dialect *d, const char *role,
                     const char *port);

/** Begins a request. Asserts that none is pending, except for WN_REQUEST_OFF, which replaces a pending one. sp may be NULL when the
 * request needs none. */
void wn_session_begin(struct wn_session *s, enum wn_request request, const struct wn_setpoints *sp,
                      wn_ns now_ns);

/** Bytes still to be written (borrowed); *len 0 when none. Tell how many were written with wn_session_wrote(). */
const char *wn_session_output(const struct wn_session *s, size_t *len);
void wn_session_wrote(struct wn_session *s, size_t n, wn_ns now_ns);

/** Feeds bytes as they arrive (any split). */
enum wn_session_result wn_session_input(struct wn_session *s, const char *data, size_t len,
                                        wn_ns now_ns);
/** To be called when deadline_ns has come. */
enum wn_session_result wn_session_tick(struct wn_session *s, wn_ns now_ns);
/** The present result; DONE and FAILED stay until the next wn_session_begin(). */
enum wn_session_result wn_session_result(const struct wn_session *s);
/** Next deadline; WN_NS_NEVER when idle. */
wn_ns wn_session_deadline(const struct wn_session *s);

#endif

/* Session: the conversation with one instrument, without I/O: bytes to write, bytes read, results.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. One request at a time; a request is a list of exchanges (command, or query with reply),
 * each with an absolute deadline in host time: a reply that comes at the deadline or later is late.
 * A query without reply, or with a garbled one, is asked again `retries` times; a partial line is
 * thrown away and input is ignored until the new reply. A late reply can never be taken for the
 * answer of the next query: after a time-out, a garbled reply, a line nobody asked for or a
 * pre-empted query the session resynchronises by asking the identity and dropping every line until
 * it answers; an identity that comes later still is known by its text and dropped. When older
 * identity queries are unanswered it is asked once more often than they are, and as many answers
 * are waited for: one of them is then certainly new, and replies do not overtake each other. OFF
 * may be requested at any moment and pre-empts what is under way.
 *
 * The commands of a request and the query behind them are handed out together. Where asking again
 * would prove nothing, the commands are sent again too: behind a lost answer of the error queue
 * (reading it has emptied it), and for OFF. OFF starts with a terminator, so that half a command on
 * its way to the instrument cannot spoil it. An error queue that may hold old errors is emptied
 * first.
 *
 * MODBUS goes by the same rules (session_modbus.c tells how); what follows is about lines. A tester
 * that prints records is asked nothing at all: session and caller go on as with any other
 * instrument, and session_records.c tells what each request means then.
 *
 * What is beyond this: a reply sent twice within its own exchange, when the second copy comes only
 * after the next query went out, a reply more than 20 time-outs late, or numbers garbled into other
 * numbers. They look right; the engine's plausibility rules stand behind. */
#ifndef WN_INSTRUMENT_SESSION_H
#define WN_INSTRUMENT_SESSION_H

#include "base/err.h"
#include "base/reading.h"
#include "instrument/dialect.h"
#include "instrument/records.h"
#include "wire/line.h"
#include "wire/modbus.h"

enum wn_request {
    WN_REQUEST_NONE,
    WN_REQUEST_IDENTIFY, /* identity query, checked against the prefix */
    WN_REQUEST_SETUP, /* set-up sequence with the protections in the set-points, then error query */
    WN_REQUEST_CHARGE, /* set-points, error query, read-back; output not switched */
    WN_REQUEST_DISCHARGE,
    WN_REQUEST_POWER,
    WN_REQUEST_ON,  /* on sequence, error query, then output query must not answer off */
    WN_REQUEST_OFF, /* off sequence, then output query must answer off */
    WN_REQUEST_READ
};

enum wn_session_result {
    WN_SESSION_IDLE,    /* no request */
    WN_SESSION_PENDING, /* write what wn_session_output() gives; feed input; or call again at the
                           deadline */
    WN_SESSION_DONE,    /* request fulfilled; reading or identity is there */
    WN_SESSION_FAILED   /* error is filled: WN_ETIMEOUT, WN_EFRAME, WN_EIDENTITY, WN_EREADBACK,
                           WN_EINSTRUMENT; WN_EINVAL: the   dialect cannot do this, or a value is
                           missing; WN_ERANGE: a command became too long */
};

enum {
    WN_SESSION_OUT_MAX =
        (WN_SEQUENCE_MAX + 2) * WN_COMMAND_MAX, /* a sequence and a query always fit */
    WN_SESSION_RECENT = 100,                    /* replies remembered as good or bad */
    WN_SESSION_HEARD_MAX = 64                   /* records that came before they were asked for */
};

/** MODBUS at a shared port: comes in the place of an answer that does not come. No unit's begins
 * so.
 */
#define WN_SESSION_NO_ANSWER '\0'

/** The part of a session that speaks MODBUS. */
struct wn_modbus_talk {
    enum {
        WN_TALK_REST,  /* no request */
        WN_TALK_HOLD,  /* until the line has been silent */
        WN_TALK_SEND,  /* output waits for the port */
        WN_TALK_AWAIT, /* the reply */
        WN_TALK_END    /* a good one is there: nothing may follow it */
    } state;
    struct wn_modbus_request ask;
    uint16_t values[2]; /* what ask writes */
    int write;          /* the one of its sequence; -1: ask reads */
    bool fetching;      /* ask reads the register of which a part is written next */
    bool fetched;       /* and it is in old, for that one write */
    uint16_t old[2];
    struct wn_modbus_span span;          /* what ask reads */
    uint8_t in[2 * WN_MODBUS_FRAME_MAX]; /* an echo and a reply */
    size_t in_len;
    wn_ns free_ns; /* no request before */
    wn_ns hold_ns; /* nor is silence waited for beyond this */
    wn_ns line_ns; /* what was written is on the line until then */
    wn_ns heard_ns;
    bool resync;                 /* ask is the probe */
    int probes_due;              /* answers to it that may still come */
    int probes_old;              /* of them: asked before something else was, and so no proof */
    int probes_needed;           /* answers until one is certainly newer than all else */
    wn_ns probe_ns;              /* when the last of them was written */
    int rounds;                  /* in a row in which something came out of step */
    int busy;                    /* answers in a row that it is busy */
    char part[256], before[256]; /* of the identity; as it came the last time */
    int identity_rounds;
    double written[WN_MAP_WRITES_MAX]; /* before a reading; NaN: not known */
    struct wn_error refusal;           /* of an off write: told when it is not off behind it */
};

struct wn_session {
    const struct wn_dialect *dialect; /* borrowed, outlives the session */
    char port[128];                   /* for messages */
    char role[32];
    int users; /* of a shared port, for the caller to set after wn_session_init(): each of the
                  others may be served first; the pauses between characters, and the silence of
                  MODBUS, are not made here, and echoes do not come; 0: alone */
    struct wn_line_reader lines; /* unused with MODBUS, as what else is about lines */
    struct wn_modbus_talk modbus;
    enum wn_request request;
    struct wn_setpoints setpoints;
    int phase, index, attempt;  /* where in the request */
    int from_phase, from_index; /* where what is handed out begins */
    int resyncs;                /* of the present exchange */
    int ids_due;                /* answers to identity queries that may still come */
    int ids_asked,
        ids_needed; /* identity queries in what is handed out; answers needed to be in step */
    wn_ns ids_ns;   /* when the last of them was written */
    bool awaiting_reply, resync;
    wn_ns next_ns; /* no further character before; for instruments that need pauses */
    bool waits;    /* so the output is held back until then */
    bool sent;     /* output of the present exchange was handed out */
    bool stale; /* a reply nobody waits for may still come: resynchronise before the next query */
    bool lead;  /* the instrument may hold half a command: send a terminator first */
    bool old_errors; /* the error queue may hold errors that are not of this request */
    enum wn_session_result result;
    wn_ns deadline_ns; /* host time */
    char out[WN_SESSION_OUT_MAX];
    size_t out_len, out_pos, echo_len;               /* echo: so much of out may still come back */
    char read_command[WN_READS_MAX][WN_COMMAND_MAX]; /* the read queries expanded, and for what */
    size_t read_command_len[WN_READS_MAX];
    struct wn_setpoints read_setpoints[WN_READS_MAX];
    char query[WN_COMMAND_MAX]; /* for messages */
    struct wn_reading part;     /* what has come of the one being read */
    struct wn_reading reading;  /* last one read */
    char identity[256];
    uint64_t exchanges, bad_replies, timeouts;
    int consecutive_bad;
    uint64_t recent[2]; /* bit set: that reply was bad or missing */
    int recent_pos, recent_n, recent_bad;
    /* a tester that runs its own program: see listened.h */
    struct wn_records records;
    struct wn_reading heard[WN_SESSION_HEARD_MAX];
    int heards;
    uint64_t unheard; /* records nobody came for in time */
    uint64_t good_before, garbled_before;
    bool named;        /* its identity line came, or it has none */
    char differs[128]; /* the last answer that was well-formed but not the expected one */
    struct wn_error error;
    struct wn_error
        complaint; /* the last bad or missing reply, also when asking again helped: to
                      be logged, with the tally, when bad_replies or timeouts has grown */
};

enum { WN_SESSION_TALLY_SIZE = 64 };
/** "3 of the last 100 replies were bad or missing", in buf. */
const char *wn_session_tally(const struct wn_session *s, char *buf, size_t size);

void wn_session_init(struct wn_session *s, const struct wn_dialect *d, const char *role,
                     const char *port);

/** Begins a request; it may have failed at once. Asserts that none is pending, except for
 * WN_REQUEST_OFF, which replaces a pending one. sp may be NULL when the request needs none. */
void wn_session_begin(struct wn_session *s, enum wn_request request, const struct wn_setpoints *sp,
                      wn_ns now_ns);

/** Bytes still to be written (borrowed until the next call that is not const); *len 0 when none.
 * Tell how many were written with wn_session_wrote(); while some are left, wait for the port to
 * take more. */
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

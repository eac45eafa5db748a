/* Share: several askers at one port, without I/O: one instrument with several outputs, or several
 * instruments on one bus, each asker at its own channel.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. What follows is about lines; MODBUS goes by the same rules, share_frames.c tells how.
 *
 * An asker hands in packets: commands and the queries behind them, which belong together. One
 * packet at a time is with the instrument, until as many reply lines have come as it has queries;
 * exactly these, without echo and prompt, are its answer. What is a query the dialect knows, so the
 * bytes need no mark, and whoever holds nothing but an asker's descriptor (the guard) asks like
 * everybody.
 *
 * Askers take turns. A packet that switches off, or asks whether it is off, goes ahead of all that
 * waits. Off cancels what waits for the same channel, so that nothing older can switch it on
 * behind; and its commands go out at once, in front of the reply that is being waited for, and
 * again in their turn. When the last asker of a channel has gone the channel is switched off.
 *
 * A reply never reaches another asker than the one it is for: after a missing or garbled reply, or
 * a line nobody asked for, nothing is asked but the identity, once more often than it is
 * unanswered, until so many have come (session.h has the reasons). When too few come, what waits
 * for that instrument is dropped, so that its askers find their time-out, and it is left alone
 * until it has been quiet for four time-outs more. Off alone is told it all the time.
 *
 * What is beyond this: beside what session.h names, a reply more than four time-outs late; and on a
 * bus that of one instrument, if it comes while another one with replies of the same form is asked.
 */
#ifndef WN_INSTRUMENT_SHARE_H
#define WN_INSTRUMENT_SHARE_H

#include "instrument/session.h"

enum {
    WN_SHARE_CHANNELS_MAX = 16,
    WN_SHARE_ASKERS_MAX = 40, /* a channel's old asker stays until the new one is known */
    WN_SHARE_QUEUE = 4,       /* packets of one asker that wait */
    WN_SHARE_ANSWER_MAX = 4096,
    WN_SHARE_VALUES_MAX = WN_MODBUS_WRITE_REGISTERS_MAX, /* of one request */
    WN_SHARE_PROBES_MAX = 20
};

struct wn_share_packet {
    char data[WN_SESSION_OUT_MAX];
    size_t len;
    int lines, queries;
    uint64_t identities; /* bit k: query k asks for the identity */
    bool off;            /* switches off, and nothing else */
    bool urgent;         /* off, or asks only whether it is off */
    bool told;           /* off: its commands have gone out once */
    size_t at;           /* of frames: the next one, behind its length */
};

struct wn_share_asker {
    bool used, gone; /* gone: it is kept until off has been told in its place */
    bool unanswered; /* MODBUS: to be told */
    int channel;
    int n;
    struct wn_share_packet queue[WN_SHARE_QUEUE]; /* the oldest in front */
};

enum wn_share_state { WN_SHARE_IDLE, WN_SHARE_ASKING, WN_SHARE_RESYNC };

/** What may still come of a unit. */
struct wn_share_unit {
    bool fresh, stale;
    wn_ns probe_ns[WN_SHARE_PROBES_MAX]; /* probes that may still be answered, the oldest first */
    int due;                             /* so many */
    wn_ns other_ns;                      /* when something else was asked last */
    int misses;                          /* replies in a row that did not come, or came spoilt */
};

/** The part that passes frames on. */
struct wn_share_frames {
    enum {
        WN_FRAMES_IDLE,
        WN_FRAMES_HOLD,  /* until the line has been silent */
        WN_FRAMES_SEND,  /* the frame waits for the port */
        WN_FRAMES_AWAIT, /* the reply */
        WN_FRAMES_END,   /* a good one is there: nothing may follow it */
        WN_FRAMES_SPOILT /* what came is none: until the line is quiet */
    } state;
    struct wn_modbus_request ask;
    uint16_t values[WN_SHARE_VALUES_MAX];
    bool probing, probe; /* the share asks the probe by itself; what is under way is one */
    uint8_t in[2 * WN_MODBUS_FRAME_MAX];
    size_t in_len;
    bool cut;       /* the reply has less time than it may need, as an off waits */
    wn_ns noise_ns; /* of SPOILT: at the latest */
    wn_ns free_ns, hold_ns, line_ns, heard_ns; /* as in struct wn_modbus_talk; hold_ns 0: none */
    struct wn_share_unit unit[WN_SHARE_CHANNELS_MAX]; /* by instrument */
};

struct wn_share {
    const struct wn_dialect *dialect[WN_SHARE_CHANNELS_MAX]; /* borrowed; unit, channel put in */
    int instrument[WN_SHARE_CHANNELS_MAX]; /* first channel with the same identity query, or unit */
    bool framed;                           /* MODBUS: lines and what is about them is not used */
    struct wn_share_frames frames;
    int channels;
    struct wn_share_asker asker[WN_SHARE_ASKERS_MAX];
    int last; /* asker served last */
    enum wn_share_state state;
    int current;                   /* asker of the packet under way; -1: it has gone */
    int channel;                   /* of what is under way */
    struct wn_share_packet packet; /* under way */
    int answered, echoed;          /* its replies and echoes so far */
    struct wn_line_reader lines;
    char out[3 * WN_SESSION_OUT_MAX]; /* what is under way, and offs that go ahead */
    size_t out_len, out_pos;
    bool sent;     /* all of the packet is with the port */
    bool waits;    /* between two characters, for instruments that need pauses */
    wn_ns next_ns; /* until then */
    wn_ns deadline_ns;
    bool stale; /* something may come that nobody waits for: resynchronise before the next packet */
    bool lead;  /* the instrument may hold half a command */
    int ids_due[WN_SHARE_CHANNELS_MAX];   /* by instrument: identities that may still come */
    wn_ns rest_ns[WN_SHARE_CHANNELS_MAX]; /* by instrument: it is told only off until then; 0 */
    int ids_needed;                       /* to be in step */
    char part[WN_SHARE_ANSWER_MAX], answer[WN_SHARE_ANSWER_MAX]; /* coming; complete */
    size_t part_len, answer_len;
    int answer_to; /* asker; -1: none */
    uint64_t packets, timeouts, garbled, dropped;
};

/** All dialects talk over one line: protocol, terminator, baud rate, echo, prompt and pauses of the
 * first count. */
void wn_share_init(struct wn_share *s, const struct wn_dialect *const *dialect, int channels);

/** A new asker at a channel (from 0): its number, -1 when there are too many. */
int wn_share_join(struct wn_share *s, int channel);
/** It has gone; its number is used again only when off has been told, where that is due. */
void wn_share_leave(struct wn_share *s, int asker, wn_ns now_ns);
/** A packet of an asker. False: dropped, as it is too long, or too many wait; off never is. */
bool wn_share_ask(struct wn_share *s, int asker, const char *data, size_t len, wn_ns now_ns);
/** Every channel off, as at the start; what waits is dropped. */
void wn_share_all_off(struct wn_share *s, wn_ns now_ns);

/** As wn_session_output() and wn_session_wrote(). */
const char *wn_share_output(const struct wn_share *s, size_t *len);
void wn_share_wrote(struct wn_share *s, size_t n, wn_ns now_ns);
/** Bytes as they arrive (any split). */
void wn_share_input(struct wn_share *s, const char *data, size_t len, wn_ns now_ns);
/** To be called when the deadline has come. */
void wn_share_tick(struct wn_share *s, wn_ns now_ns);
wn_ns wn_share_deadline(const struct wn_share *s);
/** The answer that has become complete (borrowed until the next call that is not const): to be
 * taken after each of the calls above, until there is none (false). */
bool wn_share_take(struct wn_share *s, int *asker, const char **data, size_t *len);
/** Nothing is under way, and nothing waits. */
bool wn_share_is_idle(const struct wn_share *s);

#endif

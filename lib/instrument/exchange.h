/* Instrument internals: placeholders, texts, and the steps a request is made of.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_INSTRUMENT_EXCHANGE_H
#define WN_INSTRUMENT_EXCHANGE_H

#include "instrument/dialect.h"
#include "instrument/session.h"

/* Values that may be sent with each kind of command; separated by blanks. */
#define WN_PROTECTION_VALUES                                                                       \
    "voltage_high_v voltage_low_v current_limit_a temperature_limit_c timeout_s"
#define WN_CURRENT_VALUES "current_a voltage_v"
#define WN_POWER_VALUES   "power_w voltage_v"
#define WN_READ_VALUES    "interval_s"
/** Is the name in such a list? */
bool wn_value_listed(const char *list, const char *name, size_t len);

/* Parts of a request, in the order in which they are gone through; which of them a request has is
 * in exchange.c. */
enum wn_phase {
    WN_PHASE_DRAIN,    /* empty an error queue that may hold old errors */
    WN_PHASE_COMMANDS, /* the sequence: no replies */
    WN_PHASE_ERROR,    /* what the instrument says to it */
    WN_PHASE_READBACK, /* queries whose answers must equal what was set */
    WN_PHASE_OUTPUT,   /* is the output as wanted? */
    WN_PHASE_IDENTITY,
    WN_PHASE_READ,
    WN_PHASE_END
};

enum wn_step_kind { WN_STEP_COMMAND, WN_STEP_QUERY, WN_STEP_END };

/** What a reply means for the request. */
enum wn_verdict {
    WN_VERDICT_GOOD,   /* go on with the next step */
    WN_VERDICT_SAME,   /* good, and the same query is asked again (error queue not yet empty) */
    WN_VERDICT_BAD,    /* garbled, or different from what it should be: ask again */
    WN_VERDICT_FAILED, /* certain: asking again cannot help */
    WN_VERDICT_STRAY   /* not an answer to this query: wait on */
};

/** The text of the present step, without terminator. */
enum wn_step_kind wn_exchange_step(struct wn_session *s, const char **tmpl);
/** Goes on to the next step. */
void wn_exchange_advance(struct wn_session *s);
/** The same query, or the whole request where repeating the query alone would prove nothing. */
void wn_exchange_again(struct wn_session *s);
/** Judges the reply to the present query. For BAD and FAILED err says why. */
enum wn_verdict wn_exchange_judge(struct wn_session *s, const char *line, size_t len, wn_ns now_ns,
                                  struct wn_error *err);
/** Is the line the identity of our instrument? */
bool wn_exchange_is_identity(const struct wn_session *s, const char *line, size_t len);

/** A field of a record nobody asked for, and where it stands. */
struct wn_field_at {
    const char *record; /* the whole one, for messages */
    size_t record_len;
    const char *text;
    size_t len;
    int number; /* counted from 1 */
};
/** Reads a field of text into r. WN_EFRAME with the record and the field. */
int wn_field_decode(const struct wn_dialect *d, const struct wn_field_at *at,
                    const struct wn_field_form *form, struct wn_reading *r, struct wn_error *err);
/** Takes a number that has been read already: its scale, its sign, its bounds. */
int wn_field_value(const struct wn_dialect *d, const struct wn_field_at *at,
                   const struct wn_field_form *form, double value, struct wn_reading *r,
                   struct wn_error *err);

/** Name of a field for messages. */
const char *wn_field_name(enum wn_field f);

/** Puts a value of a reply (in SI units) into a reading; what is no number there is passed over.
 * False: a time that cannot be. */
bool wn_dialect_take(const struct wn_dialect *d, enum wn_field what, double value,
                     struct wn_reading *r);

/** The end of a request. */
void wn_session_finish(struct wn_session *s, enum wn_session_result result);
void wn_session_fail(struct wn_session *s, const struct wn_error *err);
/** Remembers whether a reply or a record was bad or missing. */
void wn_session_note(struct wn_session *s, bool bad);
/** Tells a bad reply in s->complaint, and in *err that it was asked for s->attempt times. */
void wn_session_complain(struct wn_session *s, struct wn_error *err);

/* MODBUS: what is asked next, and what the answer means (modbus_steps.c). */
/** Puts the request of the present step into s->modbus.ask, going on to the first there is. *more
 * false: there is none. Errors: what cannot be written. */
int wn_modbus_step(struct wn_session *s, bool *more, struct wn_error *err);
/** Goes on behind the present step. */
void wn_modbus_advance(struct wn_session *s);
/** Judges the good reply to it; the identity is taken over when it is believed. */
enum wn_verdict wn_modbus_judge(struct wn_session *s, const struct wn_modbus_reply *reply,
                                struct wn_error *err);

/* MODBUS: the session's functions (session_modbus.c). */
/** s->request and s->setpoints are new; s->result tells whether another one was pending. */
void wn_modbus_begin(struct wn_session *s, wn_ns now_ns);
const char *wn_modbus_output(const struct wn_session *s, size_t *len);
void wn_modbus_wrote(struct wn_session *s, size_t n, wn_ns now_ns);
enum wn_session_result wn_modbus_input(struct wn_session *s, const char *data, size_t len,
                                       wn_ns now_ns);
enum wn_session_result wn_modbus_tick(struct wn_session *s, wn_ns now_ns);

/* Records: the session's functions (session_records.c). */
void wn_listened_begin(struct wn_session *s, wn_ns now_ns);
void wn_listened_wrote(struct wn_session *s);
void wn_listened_input(struct wn_session *s, const char *data, size_t len, wn_ns now_ns);
void wn_listened_tick(struct wn_session *s); /* the deadline has come */

#endif

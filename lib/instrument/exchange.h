/* Instrument internals: placeholders, texts, and the steps a request is made of.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_INSTRUMENT_EXCHANGE_H
#define WN_INSTRUMENT_EXCHANGE_H

#include "instrument/dialect.h"
#include "instrument/session.h"

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

#endif

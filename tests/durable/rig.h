/* A station in simulated time on a real campaign file: the real engine and the real store, with a
 * simple cell and an obedient instrument. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A rig lives in memory shared with a child process, so that a process that ends in the middle of a
 * write leaves the truth behind: what the cell has really taken and given, what was put, and what
 * was acknowledged. It asserts nothing itself: a child tells by its exit code. */
#ifndef WN_TESTS_DURABLE_RIG_H
#define WN_TESTS_DURABLE_RIG_H

#include "store/campaign.h"
#include "support/near.h"
#include "support/world.h"

enum { BOOK_STEPS = 96, BOOK_ROUNDS = 16, BOOK_EVENTS = 200 };

/* Where the engine and the cell were when a state was saved. */
struct mark {
    bool there;
    wn_ns time_ns;        /* campaign time */
    double in_ah, out_ah; /* true charge so far */
    bool open;            /* a cycle or a check-up was under way: which */
    bool in_check_up;
    int64_t number;
};

/* Everything recorded, in memory. */
struct book {
    struct wn_step_record step[BOOK_STEPS]; /* by number, from 1 */
    struct wn_cycle_record cycle[BOOK_ROUNDS];
    struct wn_check_up_record check_up[BOOK_ROUNDS];
    struct wn_event_record event[BOOK_EVENTS];
    int steps, cycles, check_ups, events, intents;
    int64_t readings; /* stored ones */
    struct mark state;
    struct mark now; /* of the round under way; becomes part of the next state */
};

struct rig {
    char path[256];
    struct world w; /* set-up, cell and instrument; its own engine and memory are not used */
    wn_ns host_ns;
    wn_utc_us utc_step_us; /* the wall clock is so far from the truth */
    wn_utc_us committed_utc;
    wn_ns offset_ns; /* campaign time = host time - offset */
    struct book book, acknowledged;
    bool committing;
    int outputs; /* switched on so often */
    long commits, unsafe_outputs;
    double unsafe_ah; /* flowed while recording was known to fail */
    bool store_failed;
    double commit_s, maintain_s;
    wn_ns commit_ns, maintain_ns;
    /* of the process that runs it */
    struct wn_campaign *campaign;
    struct wn_engine *engine;
    struct wn_error error;
    const char *status; /* word in the file; NULL: not known */
};

/** In shared memory: `cycles` cycles, a check-up every `check_up_every`, on DIR/cell-1.wane. */
struct rig *rig_make(const char *dir, int cycles, int check_up_every);
void rig_unmake(struct rig *r);

/** A new campaign, started. */
int rig_create(struct rig *r);
/** As the station does it after a restart: opens the file, restores the state, tells a session and
 * goes on where the campaign was running. */
int rig_reopen(struct rig *r);
/** State of an engine restored from the file. */
enum wn_engine_state rig_saved_state(struct rig *r, struct wn_campaign *c);
/** Until the engine neither runs, prepares nor switches off, at most limit_s: true when so. */
bool rig_run(struct rig *r, double limit_s);
/** Until the engine has recorded so many cycles, or does not run. */
void rig_run_cycles(struct rig *r, int cycles);
void rig_turn(struct rig *r);
void rig_command(struct rig *r, enum wn_event_kind kind);
/** The process has ended without a word; the tester goes on for tail_s and stops by itself, then
 * nobody is there for outage_s. */
void rig_power_lost(struct rig *r, double tail_s, double outage_s);
/** Frees what a process holds, as an orderly end or (abandon) without writing anything. */
void rig_close(struct rig *r);

/** Asserts that the file holds just what was acknowledged, or that and the whole batch that was
 * under way; adopts it as the book. Returns the state that it holds. */
struct mark rig_audit(struct rig *r, struct wn_campaign *c, bool batch_allowed);

/** Recorded charge of all steps of the book. */
void rig_recorded(const struct rig *r, double *in_ah, double *out_ah);

/** 2026-03-29 00:30 UTC: half an hour before European clocks jump. */
#define RIG_UTC_US (INT64_C(1774744200) * 1000000)

#endif

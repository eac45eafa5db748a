/* A station process: one cell position, its instrument, its campaign file. Wiring only; decisions
 * live in lib/engine. SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANED_STATION_H
#define WANED_STATION_H

#include <stdbool.h>

#include "base/time.h"
#include "config/config.h"
#include "engine/engine.h"
#include "guard/client.h"
#include "instrument/session.h"
#include "port/clock.h"
#include "port/link.h"
#include "serial/serial.h"
#include "sock/control.h"
#include "store/campaign.h"

/* The kind of event that tells of it: a campaign remembers through it. */
#define INTERLOCK_LATCHED "interlock_latched"
/* Who resumes a campaign when nobody does. */
#define RESTART_POLICY "restart policy"

/* How far an instrument has come since its port was opened. */
enum instrument_stage {
    STAGE_CLOSED,   /* waiting to open the port again */
    STAGE_SETTLING, /* open; the instrument may still be starting */
    STAGE_IDENTIFYING,
    STAGE_FIRST_OFF,  /* whatever it was doing: off, before anything else */
    STAGE_SETTING_UP, /* its own protections, for the present campaign */
    STAGE_READY
};

/* What the pending request of its session is for. */
enum instrument_task { TASK_NONE, TASK_SET_MODE, TASK_SWITCH_ON, TASK_OFF, TASK_READ };

/* One device on one port. */
struct instrument {
    int n; /* its place in the station's configuration, and the guard's slot */
    struct wn_dialect dialect;
    struct wn_session session;
    struct wn_link *link; /* NULL: closed */
    enum instrument_stage stage;
    enum instrument_task task;
    wn_ns stage_until_ns; /* host time: settled, or next try to open */
    wn_ns back_off_ns;
    size_t blind_at; /* how far off has been told, in settling, to one that cannot be trusted */
    wn_ns blind_ns;  /* host time of its next piece; never: no more */
    bool off_wanted;
    bool off;          /* it confirmed off, and was told nothing since that could change it */
    bool read_wanted;  /* in the present round of readings */
    bool guarded;      /* the guard holds a duplicate */
    uint64_t told_bad; /* bad replies logged so far */
    wn_ns tell_bad_ns; /* host time: not before */
    char fault[400];   /* why it is not ready; "" when it is, or is only being opened */
    int early;         /* tries at a port whose share was not there yet, in a row */
    int told_code;     /* of the last failure logged since it was ready; 0: none. The same one is
                          not logged again */
    char first_identity[256];  /* of this campaign: another one of the same kind is not the same */
    struct wn_reading reading; /* its last */
    bool has_reading;          /* since it was opened */
};

/* All instruments of the station, as the engine sees them: one output, one reading. */
struct bench {
    struct instrument instrument[WN_INSTRUMENTS_MAX]; /* so many as the configuration has */
    bool output_wanted;
    bool other_off; /* of a pair: what is not to be switched on has confirmed off for this output */
    bool round;     /* of readings, under way */
    struct wn_output output;
    bool interlock_latched; /* opened in an emergency: an operator's start or resume alone closes it
                             */
    bool interlock_down;    /* dropped, or to be dropped as soon as the port is there */
    bool relay_closed;      /* the relay confirmed it */
    char fault[400];        /* current although nothing runs; "": none */
    int idle_flow;          /* readings in a row with current although nothing runs */
    bool clock_sure, has_guess; /* of the instrument's own clock */
    wn_ns clock_ns;             /* what it said last */
};

struct station {
    const struct wn_clock *clock;
    const struct wn_daemon_config *daemon;
    struct wn_station_config config; /* as configured, or as frozen in the campaign */
    struct bench bench;
    struct guard_client guard; /* without one nothing is ever switched on */
    struct wn_control_server *control;
    /* campaign; NULL without one */
    struct wn_campaign *campaign;
    struct wn_campaign_info info;
    struct wn_engine *engine;
    char campaign_path[WN_PATH_SIZE];
    struct wn_engine_setup setup;
    bool store_failed;
    bool uncommitted;
    int commits;                  /* since the last checkpoint */
    wn_ns tell_log_ns;            /* host time: not before */
    wn_ns commit_ns, maintain_ns; /* host time of the next one */
    wn_ns commit_campaign_ns;     /* campaign time of the next commit at the latest */
    double outage_s; /* since the state that was found had been saved, by the time of day */
    wn_utc_us certificates_utc; /* until then what ran out has been told */
    bool marked;                /* the marker of a halt stands beside the socket */
    const char *status_written; /* word in the campaign file; NULL: not known */
    bool looked;                /* for an unfinished campaign */
    /* One was found that cannot be gone on with, or, before looked, not read: nothing else is
     * started. "": none */
    char broken_text[400];
    wn_ns look_again_ns; /* host time: not before */
    wn_ns look_at_ns;    /* host time: look now even without an instrument */
    bool paused_by_end;  /* the pause is the end of the service, not the operator's */
    /* campaign clock: campaign time = source time - offset_ns; the source is the host or the
     * instrument */
    wn_ns offset_ns;
    bool offset_known;
    wn_ns resume_at_ns;    /* campaign time to go on from after a restart */
    wn_ns campaign_now_ns; /* latest */
    wn_ns read_due_ns;     /* host time */
    struct wn_reading reading;
    bool has_reading;
    wn_ns fresh_ns;     /* host time: of the last reading, or nothing was on then */
    wn_ns sleep_gap_ns; /* boottime - monotonic when last looked at */
    wn_ns sleep_look_ns;
    wn_utc_us clock_gap_us; /* time of day - boottime when last looked at */
    wn_ns clock_look_ns;
    bool stopping, ending; /* asked to end; loop is to end */
    wn_ns stop_deadline_ns;
    int exit_code;
};

/* log.c */
void station_log(const struct station *s, int priority, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

/* turn.c */
/** Before anything else, with the rest of s zeroed and the dialect still to be read. */
void station_init(struct station *s, const struct wn_clock *clock,
                  const struct wn_daemon_config *daemon, const struct wn_station_config *own);
/** First half of a turn: the instrument before everything else, and the beat. */
void station_turn_instrument(struct station *s, wn_ns now);
/** Second half, after commands were served and the guard and the signals were looked at. */
void station_turn_rest(struct station *s, wn_ns now);
/** Off and paused, then s->ending. */
void station_ask_end(struct station *s, wn_ns now);

/* guard_link.c */
void guard_open(struct station *s);
void guard_beat(struct station *s, wn_ns now);
/** A beat after which the next one may take up to grace_s, for a long look at a file with nothing
 * on. */
void guard_beat_grace(struct station *s, double grace_s);
/** Hands a duplicate to the guard and waits for its acknowledgement (at most one second). */
int guard_register(struct station *s, const struct instrument *i, struct wn_error *err);
void guard_release(struct station *s, const struct instrument *i);
/** Reads what the guard's socket has: end of file is the guard's death. */
void guard_look(struct station *s);

/* instrument.c */
void instrument_init(struct station *s, int n);
/** What it is configured as. */
const struct wn_instrument_config *instrument_config(const struct station *s,
                                                     const struct instrument *i);
/** Opens, talks, reads what has come; hands results to the bench. */
void instrument_turn(struct station *s, struct instrument *i, wn_ns now);
/** Host time of its next turn at the latest. */
wn_ns instrument_deadline(const struct station *s, const struct instrument *i, wn_ns now);
void instrument_begin(struct instrument *i, enum instrument_task task, enum wn_request request,
                      const struct wn_setpoints *sp, wn_ns now);
/** Off, ahead of whatever is under way, its first bytes at once; or as soon as it can be told. */
void instrument_off_now(struct instrument *i, wn_ns now);
/** Nothing can be on: it said off and was not told anything since. Not what is lost. */
bool instrument_is_off(const struct instrument *i);
/** Does it run its own program, and is only listened to? */
bool instrument_listens(const struct instrument *i);
/** From off on, as after an opening; from identification on. */
void instrument_set_up_again(struct instrument *i, wn_ns now);
void instrument_identify_again(struct station *s, struct instrument *i, wn_ns now);
void instrument_close(struct station *s, struct instrument *i);
/** Are there bytes its port has not taken yet? */
bool instrument_has_output(const struct instrument *i);

/* bench.c: what an instrument tells */
/** Ready and without a task: something to do from this host time on; WN_NS_NEVER: nothing. */
wn_ns bench_due(const struct station *s, const struct instrument *i, wn_ns now);
/** Begins it. */
void bench_choose(struct station *s, struct instrument *i, wn_ns now);
void bench_task_done(struct station *s, struct instrument *i, enum instrument_task task, wn_ns now);
void bench_first_off_done(struct station *s);
/** It is lost, by this error; news: for another reason than at the last try. */
void bench_lost(struct station *s, struct instrument *i, const struct wn_error *error, bool news);
/** It answers, but did not do what was asked. */
void bench_task_failed(struct station *s, const struct instrument *i, enum instrument_task task,
                       const struct wn_error *error);
/** How an instrument's port is to be opened as far as the interlock goes. */
void bench_port_lines(const struct station *s, const struct instrument *i,
                      struct wn_port_settings *settings);
/** The protections of instruments themselves, for the present campaign. */
struct wn_setpoints bench_protections(const struct station *s);
/** Is there nothing running, and nothing being switched? */
bool bench_watching(const struct station *s);

/* bench.c: what the station wants */
void bench_init(struct station *s);
/** The first instrument that is not ready; NULL: all are. */
const struct instrument *bench_not_ready(const struct station *s);
/** Is all that can be switched ready? A thermometer is not waited for. */
bool bench_switches_ready(const struct station *s);
/** Is a part of it simulated, by its dialect or by its own word? Then all results are. */
bool bench_is_simulated(const struct station *s);
/** Is a part of it not said to be simulated? Then the caution counts. */
bool bench_is_real(const struct station *s);
/** Off, now: ahead of whatever is under way, and before anything is recorded. */
void bench_off_now(struct station *s);
void bench_turn(struct station *s, wn_ns now);
wn_ns bench_deadline(const struct station *s, wn_ns now);
/** The relay between instrument and cell opens, and stays so until off has been confirmed anew.
 * False: there is none that could. */
bool bench_open_interlock(struct station *s);
/** The same, until an operator starts or resumes, also after a restart: told when it is new. */
void bench_latch_interlock(struct station *s, const char *why);
bool bench_off_confirmed(const struct station *s);
/** The computer slept: what thermometers told before is old, though our clock stood still. */
void bench_slept(struct station *s);
void bench_close(struct station *s);
/** From identification on, as after an opening: a campaign was found, with an identity and limits
 * of its own. */
void bench_identify_again(struct station *s);
void bench_set_up_again(struct station *s); /* a new campaign has new protections */
/** Why it is not ready, or what else is wrong; "": nothing. */
const char *bench_fault(const struct station *s);

/** It closes, or may: the lines at once, a relay when its turn comes. */
void bench_close_interlock(struct station *s);

/* listen.c: a tester that runs its own program */
/** Has a campaign let it run, and not been seen off since? */
bool listen_is_let_run(const struct station *s);
/** May it be stopped now? Only while a campaign has let it run: else what it does is no affair of
 * ours. Other instruments always. */
bool listen_may_stop(const struct station *s);
/** It may run: first the guard knows what stops it, then the interlock closes. */
void listen_let_run(struct station *s, struct instrument *i);
/** In each turn: is what the guard knows still right? */
void listen_tell_guard(struct station *s);
/** Is there nothing to wait for before the station ends? */
bool listen_is_over(const struct station *s);

/** An instrument's failure, for the engine. */
void bench_tell_fault(struct station *s, const struct wn_error *error);

/* measure.c */
/** All instruments have been read: put together, dated, judged, given to the engine. */
void measure_take(struct station *s, wn_ns now);

/* campaign.c */
/** unstopped: somebody knows that nothing on this station stops the tester. */
int campaign_start(struct station *s, const char *cell, const char *procedure, const char *name,
                   bool unstopped, const char *who, struct wn_error *err);
int campaign_find_unfinished(struct station *s, struct wn_error *err);
/** Is a failure to read a campaign file one that may pass: a disk that fails now, not a file that
 * is none? Then looking is tried again, and nothing is started meanwhile. */
bool campaign_may_come_right(int code);
void campaign_close(struct station *s);
/** Is there one that has not ended? */
bool campaign_is_live(const struct station *s);

/* certificates.c */
/** Corrects what instrument n read. */
void certificates_correct(const struct station *s, int n, struct wn_reading *r);
/** The accuracy the engine is set up with: of the certificates that are valid now, else of the data
 * sheet. */
void certificates_apply(struct station *s);
/** At the start of a campaign: what the standard asks for and the bench does not meet, and what is
 * out of date, as warnings among its events. */
void certificates_begin(struct station *s);
/** Tells of a certificate that has run out since the last call, and goes on with the data sheet. */
void certificates_look(struct station *s);

/* keep.c */
void campaign_housekeeping(struct station *s, wn_ns now);
/** Remembers outside the campaign file that it is halted, in case the file cannot be written. */
void halt_marker_set(const struct station *s, bool halted);
bool halt_marker_is_set(const struct station *s);
/** Has a service that crashes again and again gone on by itself as often as it may? */
bool campaign_resumed_too_often(struct station *s);
/** Keeps the interlock open that was latched before the campaign was found again. */
void interlock_remember(struct station *s);

/* perform.c */
/** Gives an event to the engine and performs its actions, and so on until nothing follows. */
void station_event(struct station *s, const struct wn_event *ev);
void station_command(struct station *s, enum wn_event_kind kind, const char *who);
/** A warning of the station's own among the campaign's events, which the engine knows nothing of.
 */
void station_warn(struct station *s, const char *kind, const char *text);
/** The same, for nobody to be told of. */
void station_note(struct station *s, const char *kind, const char *text);
void station_commit(struct station *s);
/** Commits what waits and writes the status; false when the disk does not take it. */
bool station_settle(struct station *s);
/** Campaign time now. */
wn_ns station_campaign_time(const struct station *s, wn_ns host_now);
wn_ns station_time(const struct station *s);

/* control.c */
json_t *station_answer(void *ctx, const json_t *request, const struct wn_peer *peer);

#endif

/* What is told to whom, and when: the decisions of the herald, without clock, file or process.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Facts go in (events of campaign files, how campaigns are, what became of a delivery), messages
 * come out. Times are the herald's own: UTC at its start plus what has passed since, so that a step
 * of the wall clock neither silences nor floods; a time from before a restart that lies ahead is
 * taken for the present.
 *
 * Rules:
 *  - An alarm is told at once. While it is not acknowledged it is told again after 1 h, 4 h, then
 *    daily.
 *  - One message for each station, kind and type in 15 min; what comes in between is one message at
 * the end, the newest, with the count of those it stands for. An acknowledgement ends the waiting.
 *  - At most 20 warnings an hour; the rest waits its turn. Alarms and recoveries do not count.
 *  - Recoveries (acknowledged, resumed, finished, ...) are never dropped.
 *  - A failed delivery is tried again after 10 s, 20 s, ... at most 1 h; each target for itself.
 *    Warnings are given up after 7 days, alarms never.
 *  - The failure of a target is told through the others.
 *  - An alarm that a station could not record is told by its marker, after 10 s. */
#ifndef WANED_HERALD_POLICY_H
#define WANED_HERALD_POLICY_H

#include <stdbool.h>
#include <stdint.h>

#include "base/prng.h"
#include "base/time.h"
#include "config/config.h"

enum {
    POLICY_CAMPAIGNS_MAX = 256,
    POLICY_KEYS_MAX = 256,
    POLICY_MESSAGES_MAX = 256,
    POLICY_WARNINGS_PER_HOUR = 20,
    POLICY_NAME_SIZE = 64,
    POLICY_WHY_SIZE = 200,
    POLICY_DIGEST_SIZE = 4096
};

/* In the order they are sent. The words stand in messages and in the herald's file. */
#define POLICY_TYPE_LIST(X)                                                                        \
    X(HALT, "halt")                                                                                \
    X(RECOVERY, "recovery")                                                                        \
    X(TARGET, "target")                                                                            \
    X(WARNING, "warning")                                                                          \
    X(DIGEST, "digest")                                                                            \
    X(TEST, "test")

enum policy_type {
#define POLICY_TYPE_ENUM(name, word) POLICY_##name,
    POLICY_TYPE_LIST(POLICY_TYPE_ENUM)
#undef POLICY_TYPE_ENUM
        POLICY_TYPES
};

/** What happened. */
struct policy_fact {
    enum policy_type type;
    enum wn_severity severity;
    bool simulated;
    char station[POLICY_NAME_SIZE], campaign[POLICY_NAME_SIZE], cell[POLICY_NAME_SIZE];
    char target[POLICY_NAME_SIZE]; /* of alerts, when it is about one */
    wn_utc_us created_utc;         /* of the campaign */
    wn_utc_us utc;
    int64_t number; /* of the event; of the herald's own facts, counted by itself */
    int64_t cycle;
    char kind[WN_EVENT_KIND_SIZE];
    char text[WN_EVENT_TEXT_SIZE];
};

struct policy_message {
    bool live;
    struct policy_fact fact;
    int64_t serial;     /* order */
    int64_t suppressed; /* further facts it stands for */
    int repeat;         /* how often it was told before, because nobody acknowledged */
    wn_utc_us queued_utc;
    unsigned delivered; /* bit of each target that has it, or need not get it */
    unsigned running;   /* bit of each target whose hook runs with it now */
    struct {
        int tries;
        wn_utc_us due_utc;
    } to[WN_HOOKS_MAX];
};

struct policy_target {
    char name[POLICY_NAME_SIZE];
    enum wn_severity severity;
    int failures; /* in a row */
    bool failing; /* told through the others */
    wn_utc_us success_utc, failure_utc;
    char failure[POLICY_WHY_SIZE]; /* the last one */
    char missing[POLICY_WHY_SIZE]; /* what its program lacks; "" nothing */
};

struct policy_campaign {
    char name[POLICY_NAME_SIZE];
    wn_utc_us created_utc;
    int64_t seen; /* number of the last event taken in */
    bool met;     /* looked into before, by this herald or one before it */
    bool there;   /* at the last look */
    bool newest;  /* of its station */
    bool simulated;
    bool not_off; /* an output that is not off was told: that it is off must be told as well */
    char station[POLICY_NAME_SIZE], status[16];
    int64_t open_alarms;
    wn_utc_us state_utc;    /* as the file tells it */
    wn_utc_us progress_utc; /* when it was last seen to change */
    wn_ns quiet_max_us;
    struct policy_fact alarm; /* the last one; number 0: none that waits */
    wn_utc_us alarm_utc;
    int repeats;
};

/* A station that says by its marker that an alarm is latched. When the campaign file knows of none,
 * it could not be recorded: the marker is the only messenger then. */
struct policy_station {
    char name[POLICY_NAME_SIZE];
    bool marked;
    wn_utc_us since_utc; /* not recorded; 0: it is */
    wn_utc_us told_utc;
    int repeats;
};

struct policy_key {
    bool used, held;
    struct policy_fact fact; /* names the key; held: to be told at the end of the window */
    wn_utc_us sent_utc, held_utc;
    int64_t suppressed;
};

struct policy {
    int targets, campaigns, stations;
    struct policy_station station[WN_STATIONS_MAX];
    struct policy_target target[WN_HOOKS_MAX];
    struct policy_campaign campaign[POLICY_CAMPAIGNS_MAX];
    struct policy_key key[POLICY_KEYS_MAX];
    struct policy_message message[POLICY_MESSAGES_MAX];
    wn_utc_us warned_utc[POLICY_WARNINGS_PER_HOUR]; /* ring of the last ones */
    int warned_at;
    int64_t serial, own_number;
    int64_t digest_day; /* day of the last one; -1 none */
    int digest_minute;
    char digest[POLICY_DIGEST_SIZE];
    wn_utc_us ping_utc;
    int64_t ping_every_us; /* 0: no ping */
    struct wn_prng prng;
    bool dirty; /* something that must outlive a restart has changed */
};

enum policy_outcome { POLICY_DELIVERED, POLICY_TEMPORARY, POLICY_FAILED };

void policy_init(struct policy *p, const struct wn_alert_config *alert, uint64_t seed);
const char *policy_type_word(enum policy_type type);

/** The campaign of that file, made on demand; one that was created anew under an old name begins
 * afresh. NULL when there are too many. */
struct policy_campaign *policy_campaign(struct policy *p, const char *name, wn_utc_us created_utc);

/** How a campaign is now: to be told before its events. */
struct policy_view {
    const char *station, *status;
    bool simulated;
    int64_t open_alarms;
    wn_utc_us state_utc;
    int64_t quiet_max_us; /* a station that commits nothing for longer is not well */
};
void policy_look(struct policy *p, struct policy_campaign *c, const struct policy_view *v,
                 wn_utc_us now);
/** An event of a campaign; fact->type is filled in here. False: there is no room for it now, and it
 * must be told again later. */
bool policy_event(struct policy *p, struct policy_campaign *c, const struct policy_fact *fact,
                  bool acknowledged, wn_utc_us now);
/** The file of that campaign is there, changed or not. */
void policy_there(struct policy *p, const char *name);
/** All files have been looked for: forgets the campaigns whose file is gone. */
void policy_looked(struct policy *p);

/** Does the marker of a station say that an alarm is latched? After the files have been looked at.
 */
void policy_marker(struct policy *p, const char *station, bool marked, wn_utc_us now);

/** Lets go what has waited long enough; gives up what is too old. */
void policy_turn(struct policy *p, wn_utc_us now);
/** The message a target is to get now, marked as running; NULL when there is none. */
struct policy_message *policy_next(struct policy *p, int target, wn_utc_us now);
void policy_done(struct policy *p, struct policy_message *m, int target,
                 enum policy_outcome outcome, const char *why, wn_utc_us now);
/** What the program of a target lacks; "" nothing. */
void policy_check(struct policy *p, int target, const char *missing, wn_utc_us now);
/** How many messages wait for a target. */
int policy_waiting(const struct policy *p, int target);
/** Is there a target that is not known to fail? */
bool policy_channel_works(const struct policy *p);
/** The campaign a fact is about, as it is now; NULL when it is about none. */
const struct policy_campaign *policy_present(const struct policy *p, const struct policy_fact *f);

/** Days and minutes are local. Before the first digest: none for a time of the day that was over
 * when the herald was first started. */
void policy_first_day(struct policy *p, int64_t day, int minute);
bool policy_digest_due(const struct policy *p, int64_t day, int minute);
void policy_digest(struct policy *p, const char *text, int64_t day, wn_utc_us now);

/** The ping is due when readings are being committed and no alarm is latched: then only. */
bool policy_ping_due(const struct policy *p, wn_utc_us now);
void policy_pinged(struct policy *p, wn_utc_us now);

/** After a restart: times that lie ahead become the present. */
void policy_clamp(struct policy *p, wn_utc_us now);

#endif

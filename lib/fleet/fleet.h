/* Fleet: finished cycles, check-ups and events of campaign files, copied into a PostgreSQL database
 * that many benches share. The one module that uses libpq; no part of the service does.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Where one is in the copying is told by what the server holds, never by notes of our own: each
 * time the server computes digests of its rows, block by block, and what differs from the file is
 * sent. So a copy that was cut off anywhere, a restored backup of the server, a row changed by hand
 * on either side: all are the same to it, and running it again changes nothing.
 *
 * Connections go where the given text says and nowhere else: the environment (PG...) is not used.
 * Every wait has a limit: 10 s for connecting (or connect_timeout), STATEMENT_LIMIT_S for a
 * statement, and the end given for the whole. Looking up a host name is libpq's and the system's
 * resolver's, and has theirs. Not for several threads. */
#ifndef WN_FLEET_FLEET_H
#define WN_FLEET_FLEET_H

#include <stdbool.h>
#include "base/err.h"
#include "base/time.h"
#include "store/campaign.h"

enum { WN_FLEET_SCHEMA = 1 };

/** What a connection text (a libpq connection string or URI) says. */
struct wn_fleet_target {
    char where[300];         /* "host, database name", for messages */
    char host[256];          /* "" when a service names it */
    char database[64];       /* "" when a service names it */
    char service[64];        /* of the connection service file; "" for none */
    char password_file[256]; /* the one it would look into; "" when there is no home directory */
    bool over_network;       /* at least one host is not this computer */
    bool verified;           /* sslmode=verify-full */
    bool service_password;   /* the service file holds a password; known once connected */
};

/** Looks at a connection text. WN_EINVAL when libpq cannot read it, when it holds a password, or
 * when it leaves host or database to chance. */
int wn_fleet_target(const char *connection, struct wn_fleet_target *out, struct wn_error *err);

/** Takes everything out of the environment that libpq would look at; calls told() with the name of
 * each. */
void wn_fleet_ignore_environment(void (*told)(const char *name, void *ctx), void *ctx);

struct wn_fleet;

/** Connects; all has to be over by end_ns (monotonic). *out is NULL when it fails.
 *  WN_EUNREACHABLE  no answer, or none in time
 *  WN_EACCESS, WN_ENOENT, WN_EINVAL  the server refuses, the text says why */
int wn_fleet_open(struct wn_fleet **out, const char *connection, wn_ns end_ns,
                  struct wn_error *err);
/** Once connected: the target with what a service of the service file has added to it. */
void wn_fleet_reached(const struct wn_fleet *f, struct wn_fleet_target *target);
/** NULL is fine. */
void wn_fleet_close(struct wn_fleet *f);

/** A step of the schema, from version to - 1 to version to. */
struct wn_fleet_step {
    int to;
    const char *sql;
};
/** Makes the tables and views, or brings those of an older version up to date, in one transaction;
 * *from becomes the version that was there (0: none). Two at once wait for each other. */
int wn_fleet_prepare(struct wn_fleet *f, int *from, struct wn_error *err);
/** The same with other steps, for its test. */
int wn_fleet_prepare_steps(struct wn_fleet *f, const struct wn_fleet_step *steps, int n,
                           const char *views, int *from, struct wn_error *err);
/** Are the tables there, in our version? WN_ENOENT, WN_ENEWER, WN_ESTATE (older). */
int wn_fleet_check(struct wn_fleet *f, struct wn_error *err);

struct wn_fleet_order {
    const char *bench; /* who publishes */
    bool dry_run;      /* compare, change nothing */
    bool take_over;    /* also what another bench has published before */
    bool replace;      /* also where the server holds more than the file: that is deleted */
};

struct wn_fleet_outcome {
    char id[37];
    struct wn_campaign_info info;
    int64_t cycles, check_ups, events; /* in the file */
    int64_t differing;                 /* rows in blocks that differ from the file's */
    int64_t changed;                   /* rows inserted or changed; 0 in a dry run */
    int64_t deleted;
    int64_t namesakes;   /* other campaigns of this bench with the same name */
    char taken_from[64]; /* bench whose it was; "" */
};

/** Publishes one campaign, opened for reading, and compares again at the end. A campaign that goes
 * on meanwhile is published as it was at the beginning. Sets what it can of *out also when it
 * fails:
 *  WN_ESTATE        refused, nothing was changed: another bench's, the server holds more, the file
 *                   was not imported to its end
 *  WN_EUNREACHABLE  the connection is lost: what was committed stays
 *  others           as the server says */
int wn_fleet_publish(struct wn_fleet *f, struct wn_campaign *c, const struct wn_fleet_order *order,
                     struct wn_fleet_outcome *out, struct wn_error *err);

#endif

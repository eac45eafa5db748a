/* The campaign file: one SQLite database per campaign, with one writer (its station) and any number
 * of readers.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * WAL, synchronous FULL, STRICT tables, application_id "wane", user_version = schema version with
 * migrations. Never touch the file, its -wal or -shm except through SQLite (POSIX locks would
 * vanish); never through a link. What was committed survives a power cut. `SELECT * FROM about`
 * explains the file to whoever finds it.
 *
 * A handle belongs to the process that opened it: open after fork, never before. Every error text
 * names the file and the remedy; free space is told where a disk may be full. After WN_EIO and
 * WN_ECORRUPT nothing the connection says is believed: the next commit makes a new one, looks the
 * file through and moves its log into it before it writes. */
#ifndef WN_STORE_CAMPAIGN_H
#define WN_STORE_CAMPAIGN_H

#include <stdbool.h>
#include "metrology/calibration.h"
#include "port/store.h"
#include "procedure/cell.h"
#include "procedure/intake.h"

enum { WN_CAMPAIGN_SCHEMA = 3 };

/** What a campaign starts from; strings are copied. */
struct wn_campaign_info {
    char name[64]; /* file name without .wane */
    char station[64];
    char procedure[64];
    char procedure_title[128];
    bool simulated; /* shown wherever results are shown */
    bool imported;  /* from a recorded log, not measured by a station */
    int64_t cycles_planned;
    wn_utc_us created_utc;
    struct wn_cell cell;
    struct wn_campaign_thresholds {
        /* a reading is stored when one of them moved so far since the stored one before: 0 stores
         * each reading; the temperature is that of the cell or of the ambient */
        double voltage_v, current_a, temperature_c, time_s;
    } store_on_change;
    struct wn_accuracy_record {
        /* _reading: part of the reading (0.001 is 0.1 %), added to the fixed part */
        double voltage_reading, voltage_fixed_v, current_reading, current_fixed_a, temperature_c,
            time_reading;
    } accuracy;
    double retention_threshold; /* of rated, that the projection uses by default (e.g. 0.7) */
    char program_version[32];
};

struct wn_instrument_record {
    char role[32]; /* "tester", "thermometer", ... */
    char dialect[64];
    char port[256];
    char identity[256];
};

/** What a certificate says of one quantity of one instrument. */
struct wn_calibration_record {
    char role[32], identity[256]; /* of the instrument, as in its record */
    char quantity[32];            /* wn_quantity_name() */
    char unit[4];                 /* of offset, expanded and drift: "V", "A", "K" */
    struct wn_calibration_line line;
};

/** Messages of SQLite itself (recovered logs, misuse, errors of the disk), for the daemon's log. */
typedef void (*wn_store_log_fn)(void *ctx, int code, const char *text);
/** To be called once, before the first file is opened; WN_ESTATE after it: messages are lost then,
 * nothing else. */
int wn_store_log_to(wn_store_log_fn fn, void *ctx, struct wn_error *err);

struct wn_campaign; /* begins with struct wn_store: cast with wn_campaign_store() */

/* Opening sets *out to NULL when it fails. Errors all three may give:
 *  WN_ENOENT   no such file or directory: give another name
 *  WN_EACCESS  not permitted, on the file, its -wal or its -shm: the text says whose they are
 *  WN_EINVAL   a link, a directory, an SQLite file of another program: give a campaign file
 *  WN_ENEWER   made by a newer version: update the program
 *  WN_ECORRUPT damaged: keep the file as it is, go on from a backup
 *  WN_EIO, WN_ENOSPACE, WN_ENOMEM, WN_EBUSY (another writer) */

/** Creates a new file (mode 0640 less umask), stores info and the frozen configuration text with
 * its SHA-256, leaves it open for writing; the status is "new". The file gets its name when it is
 * whole and on the disk: an interrupted attempt leaves at most NAME.new, which the next removes.
 * WN_EEXIST when there is a file: nothing is overwritten. */
int wn_campaign_create(struct wn_campaign **out, const char *path,
                       const struct wn_campaign_info *info, const char *frozen_config,
                       struct wn_error *err);

/** Creates a file that gets its name only with wn_campaign_publish(): for what is made in one go,
 * from a recorded log. Until then it is PATH.new, and commit makes nothing durable, which is fast.
 * Whatever ends it before leaves no campaign: wn_campaign_close() removes PATH.new, after a kill
 * the next attempt does. WN_EEXIST when there is a file of this name, WN_EBUSY when another program
 * makes it just now. */
int wn_campaign_create_whole(struct wn_campaign **out, const char *path,
                             const struct wn_campaign_info *info, const char *frozen_config,
                             struct wn_error *err);
/** Sets the status, brings all of it to the disk and gives it its name, never over another file.
 * Nothing can be put afterwards: close it. */
int wn_campaign_publish(struct wn_campaign *c, const char *status, wn_utc_us now,
                        struct wn_error *err);

/** Opens an existing file for writing (by its station): migrates an older version in one
 * transaction, looks through a file that was not closed cleanly. */
int wn_campaign_open(struct wn_campaign **out, const char *path, struct wn_error *err);

/** Opens read-only for the command line; explains itself when the file cannot be read while the
 * service is down. A file of an older version is read as a copy in memory, brought up to date:
 * what is written to it later is not seen through this handle. */
int wn_campaign_open_read(struct wn_campaign **out, const char *path, struct wn_error *err);

/** Called now and then by what takes its time, with how much of how much is done. */
struct wn_progress {
    void (*fn)(void *ctx, int64_t done, int64_t total);
    void *ctx;
};

/** What a copy is. */
struct wn_copy_facts {
    char file[4096]; /* directory resolved */
    int64_t bytes;
    char sha256[65];
    int64_t steps, cycles, readings, events; /* in it */
};

/** Copies a campaign while its station writes: everything that was committed when the copying
 * began, and nothing of what came later. The station is never made to wait; its log grows while the
 * copying lasts. The copy is of the same version, is one file (no log beside it), is looked through
 * from end to end, is on the disk when this returns, and until then has the name `temporary` (on
 * the same disk; what an interrupted attempt left under it is taken over). Mode 0640 less umask.
 * progress may be NULL.
 *
 * Errors as opening; WN_EEXIST when there is a file `to`: nothing is overwritten; WN_ENOSPACE with
 * how much is needed; WN_EBUSY when another copy has been begun under the same name. */
int wn_campaign_copy(const char *path, const char *to, const char *temporary,
                     const struct wn_progress *progress, struct wn_copy_facts *facts,
                     struct wn_error *err);

/** The same for an archive: rewritten without gaps, for nobody to write (mode 0444 less umask), and
 * `to`.sha256 beside it as sha256sum writes it; both or none. WN_ESTATE when the campaign is not
 * over ("finished" or "stopped"), unless `unfinished`. */
int wn_campaign_archive(const char *path, const char *to, const char *temporary, bool unfinished,
                        const struct wn_progress *progress, struct wn_copy_facts *facts,
                        struct wn_error *err);

/** A correction of what a campaign tells of its cell, and its trace. */
struct wn_amendment {
    const char *kind; /* of the events: "intake" */
    const struct wn_intake_words *words;
    const char *who;
    wn_ns time_ns; /* campaign time; not after the last event's: that */
    int64_t cycle; /* below 0: that of the last event */
};
/** Writes the cell anew, and an event for each of the words, durably: all of it or nothing. */
int wn_campaign_amend(struct wn_campaign *c, const struct wn_cell *cell,
                      const struct wn_amendment *a, wn_utc_us now, struct wn_error *err);

/** Opens a file that no other program has open, for wn_campaign_amend() only. WN_EBUSY when one
 * has. */
int wn_campaign_open_alone(struct wn_campaign **out, const char *path, struct wn_error *err);

/** When writing: marks a clean end and moves the log into the file. Closes, frees. What was put and
 * not committed is gone, as after a kill. NULL is fine. */
void wn_campaign_close(struct wn_campaign *c);

/** The store port of a campaign opened for writing; lives as long as c.
 *
 * put remembers (no SQL, nothing is written); a WN_RECORD_READING only when it moved by a
 * threshold, when what it has changed, or when it is the first or the last of its step. WN_ENOMEM
 * when 64 MB wait for a disk that takes nothing: that record is lost.
 *
 * commit writes all that waits in one transaction, labelled with now_utc, and returns when the disk
 * has it. WN_ENOSPACE, WN_EIO, WN_EACCESS, WN_EBUSY, WN_ECORRUPT: recording failed, switch the
 * output off. What waits is kept, and the next commit tries it again: nothing is lost or doubled.
 * (A failure to move the log into the file is told as well; the records are durable then.) */
struct wn_store *wn_campaign_store(struct wn_campaign *c);

/** To be called now and then (each minute or so): moves the log into the file and tells its errors,
 * looks at the free space. WN_ENOSPACE below space_min_bytes; a reader in the way is no error. */
int wn_campaign_maintain(struct wn_campaign *c, int64_t space_min_bytes, struct wn_error *err);

/** What a file is at one moment, to be told apart from every other. */
struct wn_fingerprint {
    char sha256[65]; /* of the file with its log moved into it: what sha256sum says of it then */
    int64_t bytes;
    bool log_pending;         /* the log held something at this moment */
    int64_t readings, events; /* up to these numbers it held at this moment */
};
/** Of a file of any version and size, while its station may write: of one committed state, page by
 * page. progress may be NULL. WN_EBUSY: the log cannot be seen. Other errors as opening. */
int wn_campaign_fingerprint(const char *path, struct wn_fingerprint *out,
                            const struct wn_progress *progress, struct wn_error *err);

/** Number of the last reading: near enough how many there are, at once. */
int wn_campaign_readings(struct wn_campaign *c, int64_t *out, struct wn_error *err);

/** Bytes of the log beside the file. Many megabytes: a reader keeps it from being moved. */
int64_t wn_campaign_log_bytes(const struct wn_campaign *c);

/* Reading. Every call fills caller's memory; texts are copied. */
int wn_campaign_info(struct wn_campaign *c, struct wn_campaign_info *out, struct wn_error *err);
/** Frozen configuration text; malloc'ed, caller frees. hash: 65 bytes. */
int wn_campaign_frozen_config(struct wn_campaign *c, char **text, char *hash, struct wn_error *err);
/** Last committed state; out->size 0 when there is none. */
/** When the last state was committed: since then nobody has looked at the cell. *out 0 when there
 * is none. */
int wn_campaign_state_utc(struct wn_campaign *c, wn_utc_us *out, struct wn_error *err);
int wn_campaign_state(struct wn_campaign *c, struct wn_state_record *out, struct wn_error *err);
/** Sets or gets the life-cycle word: "running", "paused", "halted", "finished", "stopped".
 * Committed at once. */
int wn_campaign_set_status(struct wn_campaign *c, const char *status, wn_utc_us now,
                           struct wn_error *err);
int wn_campaign_status(struct wn_campaign *c, char *status, size_t size, struct wn_error *err);
/** Identity of the instrument of this role the campaign was begun with; "" when none was recorded.
 */
int wn_campaign_first_identity(struct wn_campaign *c, const char *role, char *identity, size_t size,
                               struct wn_error *err);
int wn_campaign_put_instrument(struct wn_campaign *c, const struct wn_instrument_record *r,
                               struct wn_error *err);
/** Every known line of a calibration, for the instrument it belongs to. One that is there already
 * stays as it is: readings were corrected by it. */
int wn_campaign_put_calibration(struct wn_campaign *c, const struct wn_instrument_record *r,
                                const struct wn_calibration *calibration, struct wn_error *err);
/** What the file holds of certificates; a line is not known where it holds none. */
int wn_campaign_calibration(struct wn_campaign *c, struct wn_calibration *out,
                            struct wn_error *err);
/** A session row: one run of the station on this file (boot id, both clocks at its start). */
int wn_campaign_begin_session(struct wn_campaign *c, wn_utc_us utc, wn_ns monotonic,
                              wn_ns campaign_ns, const char *boot_id, struct wn_error *err);

/** Event as read back, with its number and time of day. */
struct wn_event_row {
    int64_t number;
    wn_utc_us utc;
    struct wn_event_record event;
    bool acknowledged;
    char acknowledged_by[64];
    wn_utc_us acknowledged_utc;
};
/** Latched alarms: severity alarm and not acknowledged. Returns their count in *count. */
int wn_campaign_open_alarms(struct wn_campaign *c, int64_t *count, struct wn_error *err);
/** Acknowledges all open alarms; *count how many. Committed at once. */
int wn_campaign_acknowledge(struct wn_campaign *c, const char *who, wn_utc_us now, int64_t *count,
                            struct wn_error *err);

/* Row by row, fetched by the page: however long a callback takes, the writer is not in its way. A
 * reading comes back without host_ns and WN_HAS_TIME, which are not kept. The callback returns 0 to
 * go on, anything else ends the reading and is returned. */
typedef int (*wn_cycle_row_fn)(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx);
typedef int (*wn_check_up_row_fn)(const struct wn_check_up_record *r, wn_utc_us end_utc, void *ctx);
typedef int (*wn_step_row_fn)(const struct wn_step_record *r, wn_utc_us start_utc, void *ctx);
typedef int (*wn_event_row_fn)(const struct wn_event_row *r, void *ctx);
typedef int (*wn_reading_row_fn)(const struct wn_reading *r, int64_t step_number, wn_utc_us utc,
                                 void *ctx);
int wn_campaign_each_cycle(struct wn_campaign *c, wn_cycle_row_fn fn, void *ctx,
                           struct wn_error *err);
int wn_campaign_each_check_up(struct wn_campaign *c, wn_check_up_row_fn fn, void *ctx,
                              struct wn_error *err);
int wn_campaign_each_step(struct wn_campaign *c, wn_step_row_fn fn, void *ctx,
                          struct wn_error *err);
/** The small tables; they are short, and read in one go. */
typedef int (*wn_instrument_row_fn)(const struct wn_instrument_record *r, void *ctx);
typedef int (*wn_calibration_row_fn)(const struct wn_calibration_record *r, void *ctx);
typedef int (*wn_session_row_fn)(wn_utc_us start_utc, wn_ns campaign_ns, void *ctx);
int wn_campaign_each_instrument(struct wn_campaign *c, wn_instrument_row_fn fn, void *ctx,
                                struct wn_error *err);
int wn_campaign_each_calibration(struct wn_campaign *c, wn_calibration_row_fn fn, void *ctx,
                                 struct wn_error *err);
int wn_campaign_each_session(struct wn_campaign *c, wn_session_row_fn fn, void *ctx,
                             struct wn_error *err);
/** Events with number > after. */
int wn_campaign_each_event(struct wn_campaign *c, int64_t after, wn_event_row_fn fn, void *ctx,
                           struct wn_error *err);
/** Readings of steps step_from..step_to (inclusive; 0,0 for all). */
int wn_campaign_each_reading(struct wn_campaign *c, int64_t step_from, int64_t step_to,
                             wn_reading_row_fn fn, void *ctx, struct wn_error *err);
/** The reading that was stored last, and when that was. *found false: there is none. */
int wn_campaign_last_reading(struct wn_campaign *c, struct wn_reading *out, wn_utc_us *utc,
                             bool *found, struct wn_error *err);

/** What is wrong in a file itself: damaged pages, rows that are missing or out of order, a changed
 * configuration. Strings of `check` and `table` are static. */
struct wn_file_finding {
    const char *check; /* stable word */
    const char *table; /* "" when it is of the whole file */
    bool has_row;
    int64_t row; /* number of the reading, step, cycle, check-up, event */
    char text[240];
};
typedef void (*wn_file_finding_fn)(const struct wn_file_finding *f, void *ctx);
/** Hands out all of them; of the same kind at most 20, then that there are more. WN_OK, or the
 * error of a check that could not be made (handed out too). progress may be NULL. */
int wn_campaign_verify(struct wn_campaign *c, wn_file_finding_fn fn, void *ctx,
                       const struct wn_progress *progress);

#endif

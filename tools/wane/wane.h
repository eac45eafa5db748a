/* The wane command: what its verbs share.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The result goes to standard output, all talk to standard error. A verb is one row of the table in
 * main.c and one function; its options are a table too, from which they are parsed and the help is
 * printed. */
#ifndef WANE_WANE_H
#define WANE_WANE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include <jansson.h>
#include "base/err.h"
#include "config/config.h"
#include "store/campaign.h"

enum wane_exit {
    WANE_DONE = 0,
    WANE_FAILED = 1, /* refused or failed */
    WANE_USAGE = 2,
    WANE_UNREACHABLE = 3, /* no service answers */
    WANE_ALARM = 4        /* an alarm is active */
};

enum wane_kind {
    WANE_FLAG,
    WANE_TEXT,
    WANE_LIST,   /* a text; the option may be given several times */
    WANE_NUMBER, /* above zero */
    WANE_COUNT   /* whole, from 1 */
};

enum { WANE_OPTIONS_MAX = 16, WANE_LIST_MAX = 16 };

struct wane_option {
    const char *name;
    char letter; /* 0: none */
    enum wane_kind kind;
    const char *value; /* what the help calls it; NULL for a flag */
    const char *help;
};

struct wane_value {
    bool given;
    const char *text; /* WANE_LIST: the last one */
    const char *list[WANE_LIST_MAX];
    int n;         /* WANE_LIST: how many */
    double number; /* WANE_NUMBER; NaN when not given */
    int64_t count; /* WANE_COUNT; 0 when not given */
};

struct wane_args {
    struct wane_value value[WANE_OPTIONS_MAX]; /* as the verb's table numbers them */
    char **operand;
    int operands;
};

struct wane;

struct wane_command {
    const char *name;
    const char *synopsis; /* what stands behind "wane NAME " */
    const char *summary;  /* for the list of commands */
    const char *text;     /* what it does, for its help; lines end in \n */
    const char *examples; /* lines */
    const struct wane_option *options;
    int options_n;
    int operands_min, operands_max;
    int (*run)(struct wane *w, const struct wane_args *a); /* returns enum wane_exit */
};

struct wane {
    const struct wane_command *command;
    const char *config_file;
    bool config_told; /* by an option, so that it belongs to every command */
    bool json;
    bool colour;                     /* of standard output */
    struct wn_daemon_config *daemon; /* read when first asked for */
};

/* main.c */
/** All commands, sorted by name. */
const struct wane_command *const *wane_commands(int *n);
const struct wane_command *wane_find_command(const char *name);

/* options.c */
/** Parses the arguments behind the verb; *help is set by --help. WANE_DONE or WANE_USAGE (told
 * already). */
int wane_parse(struct wane *w, int argc, char **argv, struct wane_args *out, bool *help);
/** Tells a usage error, with the way to the help; returns WANE_USAGE. */
int wane_usage(const struct wane *w, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
/** Tells an error on standard error; returns WANE_FAILED, or WANE_UNREACHABLE for WN_EUNREACHABLE.
 */
int wane_fail(const struct wane *w, const struct wn_error *err);

/* help.c */
void wane_help_all(FILE *f);
void wane_help_command(const struct wane_command *c, FILE *f);
/** Those that every command has. */
const struct wane_option *wane_global_options(int *n);

/* service/first_words.c */
/** Without a command: how things stand, and what to do next. */
void wane_first_words(struct wane *w, FILE *f);

/* complete.c */
/** Prints what may stand in place of the last of these words, behind "wane". */
int wane_complete(struct wane *w, int words, char **word);

/* output.c */
/** A number, or null when it is not finite. */
json_t *wane_number(double x);
void wane_put(json_t *o, const char *key, json_t *value);
/** Prints and releases a JSON document; returns WANE_DONE or WANE_FAILED. */
int wane_print_json(json_t *o);
/** For a document too large to be held: one row, without a line end. */
void wane_dump_row(json_t *row, FILE *f);
/** The set of flags as a list of words. */
json_t *wane_flags_json(unsigned flags);
/** "gap, interrupted"; "" for none. Returns buf. */
const char *wane_flags_text(unsigned flags, char *buf, size_t size);
/** Escape sequence that begins bold red, or nothing without colour; and the one that ends it. */
const char *wane_red(const struct wane *w);
const char *wane_bold(const struct wane *w);
const char *wane_plain(const struct wane *w);
/** Number of instances of fixed decimals for a message; "unknown" for NaN. Returns buf
 * (WN_NUM_SIZE). */
const char *wane_fixed(double x, int decimals, char *buf, size_t size);
/** Flushes standard output: a full disk behind it must not pass as success. */
int wane_flush(void);

/* campaign.c */
/** The daemon's configuration, read once; NULL with every problem told. */
const struct wn_daemon_config *wane_daemon(struct wane *w);

struct wane_campaign {
    char path[512];
    struct wn_campaign *file;
    struct wn_campaign_info info;
    char status[32];
};

/** Where CAMPAIGN is, as below. Told already when it fails. */
int wane_find_campaign(struct wane *w, const char *name, char *path, size_t size);
/** Opens CAMPAIGN: a path, or a name looked up in the configuration's data_dir. Told already when
 * it fails. */
int wane_open_campaign(struct wane *w, const char *name, struct wane_campaign *out);
void wane_close_campaign(struct wane_campaign *c);

/** Paths of the campaign files of a directory, sorted. */
struct wane_names {
    char **path;
    size_t n;
};
int wane_list_campaigns(const char *dir, struct wane_names *out, struct wn_error *err);
void wane_free_names(struct wane_names *names);

struct wane_cycles {
    struct wn_cycle_record *row;
    wn_utc_us *end_utc;
    size_t n, room;
};
int wane_read_cycles(struct wane_campaign *c, struct wane_cycles *out, struct wn_error *err);
void wane_free_cycles(struct wane_cycles *c);
/** "SIMULATED  demo: cell ..., procedure ..., 137 of 300 cycles, running": the line above every
 * table. */
void wane_print_heading(const struct wane *w, const struct wane_campaign *c);

/* station.c */
enum { WANE_PATIENCE_MS = 5000 }; /* with a station that has something else to do */
/** Asks a station; on success *reply is a new reference with "ok": true. Told already when it
 * fails; returns enum wane_exit. */
int wane_ask(struct wane *w, const char *station, json_t *request, json_t **reply);
/** The same, silently: for several stations at once. */
int wane_ask_quietly(struct wane *w, const char *station, json_t *request, int patience_ms,
                     json_t **reply, struct wn_error *err);
/** The station meant: the one named, or the only one there is. NULL: told already. */
const struct wn_station_config *wane_station(struct wane *w, const struct wane_args *a);

/* The verbs. */
extern const struct wane_command cmd_ack;
extern const struct wane_command cmd_backup;
extern const struct wane_command cmd_campaigns;
extern const struct wane_command cmd_check;
extern const struct wane_command cmd_claim;
extern const struct wane_command cmd_compare;
extern const struct wane_command cmd_cycles;
extern const struct wane_command cmd_events;
extern const struct wane_command cmd_export;
extern const struct wane_command cmd_help;
extern const struct wane_command cmd_identify;
extern const struct wane_command cmd_intake;
extern const struct wane_command cmd_import;
extern const struct wane_command cmd_pause;
extern const struct wane_command cmd_plot;
extern const struct wane_command cmd_ports;
extern const struct wane_command cmd_project;
extern const struct wane_command cmd_publish;
extern const struct wane_command cmd_report;
extern const struct wane_command cmd_resume;
extern const struct wane_command cmd_start;
extern const struct wane_command cmd_status;
extern const struct wane_command cmd_stop;
extern const struct wane_command cmd_test_alert;
extern const struct wane_command cmd_try;
extern const struct wane_command cmd_verify;
extern const struct wane_command cmd_watch;

#endif

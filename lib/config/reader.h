/* Reader: tables of keys turn a libconfig tree into a plain structure, with every problem told by
 * file and line. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Internal to lib/config. A file is read into memory once, looked at raw (what libconfig 1.5
 * swallows or explains badly: byte order mark, missing final newline, open comment, wrapped
 * integers), then parsed from that same memory: the file name for messages is kept here, and
 * @include is refused, so that a frozen configuration is whole. libconfig's own get_int/get_float
 * are never used: they turn 4 into 0.0 and 3e9 into a negative number without a word. */
#ifndef WN_CONFIG_READER_H
#define WN_CONFIG_READER_H

#include <stdbool.h>
#include <stddef.h>
#include <libconfig.h>
#include "base/qty.h"
#include "config/config.h"

enum { WN_CONFIG_FILE_MAX = 256 * 1024, WN_CONFIG_PATH_MAX = 160 };
enum { SOCKET_PATH_MAX = 107 }; /* sun_path of Linux without its zero */

struct wn_reader {
    config_t config;
    char file[WN_PATH_SIZE];      /* for messages */
    struct wn_problems *problems; /* borrowed */
    int problems_before;
    const char *dir;        /* what relative paths of a daemon file are relative to */
    const char *run_dir;    /* takes the place of the file's run_dir, when not NULL */
    const double *rated_ah; /* resolves It; NULL or NaN behind it: It has no meaning here */
    const struct wn_cell
        *cell; /* resolves "datasheet" and "claim"; NULL: these words are not known */
};

enum wn_key_kind {
    WN_KEY_QUANTITY, /* double at offset: "4 A" */
    WN_KEY_COUNT,    /* int at offset: bare integer */
    WN_KEY_COUNT64,  /* int64_t at offset */
    WN_KEY_COUNT8,   /* unsigned char at offset */
    WN_KEY_NUMBER,   /* double at offset: bare number, for values that have no unit by nature */
    WN_KEY_TEXT,     /* char[size] at offset */
    WN_KEY_BOOL,     /* bool at offset */
    WN_KEY_WORD,     /* int at offset: one of the words */
    WN_KEY_GROUP,    /* structure at offset, read against its own table */
    WN_KEY_OTHER     /* read() does it */
};

/** A word that may stand instead of a value. */
struct wn_key_word {
    const char *word;
    double value;       /* what it means, when cell_offset is 0 */
    size_t cell_offset; /* else: of the value inside struct wn_cell */
};

struct wn_key;
typedef void wn_key_reader(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target);

/** One row: everything there is to know about a key. A table ends with a row without name. */
struct wn_key {
    const char *name;
    enum wn_key_kind kind;
    bool required;
    size_t offset;
    enum wn_dim dim;
    double min, max; /* both allowed; quantities and counts */
    size_t size;     /* texts: bytes with the terminating zero */
    bool control;    /* texts: control characters (\n) are allowed */
    const char
        *example; /* a right-hand side that would do, as it is written: "4.2 V" with its quotes */
    const char *fallback; /* optional quantities: value when the key is absent; NULL: leave the
                             target as it is */
    const struct wn_key_word *words; /* ends with a NULL word */
    const struct wn_key *group;      /* WN_KEY_GROUP */
    wn_key_reader *read;             /* WN_KEY_OTHER */
};

/** Reads a whole file into malloc'ed, zero-terminated memory. NULL with a problem. */
char *wn_config_load(const char *path, size_t *len, struct wn_problems *problems);

/** Looks at the raw text; false when it must not be parsed. */
bool wn_config_look(const char *text, size_t len, const char *file, struct wn_problems *problems);

/** Raw look and parse. True: r->config is there and wn_reader_close() must be called; false:
 * problems tell why, nothing to close. */
bool wn_reader_open(struct wn_reader *r, const char *text, size_t len, const char *file,
                    struct wn_problems *problems);
/** Frees the tree. WN_OK, or WN_EINVAL when problems were found since wn_reader_open(). */
int wn_reader_close(struct wn_reader *r);

/** Reads a group: unknown keys, missing keys and every value. `group` may be any setting; what is
 * no group becomes a problem. */
void wn_reader_group(struct wn_reader *r, const config_setting_t *group, const struct wn_key *keys,
                     void *target);
/** A problem when a group has no such key: for keys whose need depends on others. */
void wn_reader_need(struct wn_reader *r, const config_setting_t *group, const struct wn_key *keys,
                    const char *name);
/** Reads one value of a table. */
void wn_reader_value(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                     void *target);
/** Compares two targets field by field as a table describes them (WN_KEY_OTHER is passed over).
 * Name of the first key that differs, NULL when none does. */
const char *wn_key_differs(const struct wn_key *keys, const void *a, const void *b);

/** Reads a path, relative to the daemon file's directory, into key->size bytes. */
void wn_reader_path(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                    void *target);
/** The alerts of a daemon file (alerts.c). */
void wn_reader_alerts(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target);
/** Where a daemon file publishes campaigns (publish.c). */
wn_key_reader wn_reader_publish;

/** Adds "file:line: path: text". */
void wn_reader_fail(struct wn_reader *r, const config_setting_t *s, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));
/** The member of a group for messages: the group itself when it has no such member. */
const config_setting_t *wn_reader_at(const config_setting_t *group, const char *name);
/** Adds a problem as it stands. */
void wn_problem_add(struct wn_problems *problems, const char *fmt, ...)
    __attribute__((format(printf, 2, 3)));

/** Is it a list (or array) of at least `min` and at most `max` elements? Otherwise a problem that
 * shows `example`. */
bool wn_reader_list(struct wn_reader *r, const config_setting_t *s, int min, int max,
                    const char *example);

/** The name nearest to `word` among keys, or among words; NULL when none is near. */
const char *wn_nearest_key(const struct wn_key *keys, const char *word);
const char *wn_nearest_word(const struct wn_key_word *words, const char *word);
/** Edits (insert, delete, replace, swap neighbours) between two words; longer than 31 characters
 * counts as far. */
int wn_word_distance(const char *a, const char *b);

/** A name that may become part of a file name: letters, digits, '.', '_', '-'; no leading '.' or
 * '-'. */
bool wn_name_is_plain(const char *name);
/** Joins with '/', unless name is absolute; "." and ".." are taken out of an absolute result. False
 * when it does not fit into size. */
bool wn_path_join(const char *dir, const char *name, char *out, size_t size);
/** conf_dir/kind/NAME.conf, or the path itself when name holds '/'. Problem when the name is not
 * possible. */
bool wn_config_file(const char *conf_dir, const char *kind, const char *name, char *out,
                    size_t size, struct wn_problems *problems);
/** File name without directory and without ".conf". */
void wn_config_name(const char *path, char *out, size_t size);
/** Loads the file of wn_config_file(); when it is missing the problem names those that are there.
 */
char *wn_config_load_named(const char *conf_dir, const char *kind, const char *name, char *path,
                           size_t path_size, size_t *len, struct wn_problems *problems);

/* The four kinds of files, from text (public functions and thawing share these). */
/** dir: what relative paths are relative to; run_dir: instead of the one in the text, when not
 * NULL. */
int wn_config_parse_daemon(const char *text, size_t len, const char *file, const char *dir,
                           const char *run_dir, struct wn_daemon_config *out,
                           struct wn_problems *problems);
int wn_config_parse_cell(const char *text, size_t len, const char *file, const char *name,
                         struct wn_cell *out, struct wn_problems *problems);
int wn_config_parse_procedure(const char *text, size_t len, const char *file, const char *name,
                              const struct wn_cell *cell, struct wn_procedure *out,
                              struct wn_problems *problems);
int wn_config_parse_dialect(const char *text, size_t len, const char *file, const char *name,
                            struct wn_dialect *out, struct wn_problems *problems);
/** The accuracy group of a station, into struct wn_data_sheet. */
extern const struct wn_key wn_accuracy_keys[];
/** Adds up the parts of the data sheet into c->accuracy; a part that is missing is a problem. */
void wn_config_complete_accuracy(struct wn_reader *r, const config_setting_t *station,
                                 struct wn_station_config *c);
/** The same of one of several instruments, for its row in struct wn_instrument_config. */
wn_key_reader wn_config_read_own_accuracy;
/** An instrument about which its station says everything. */
void wn_config_own_nothing(struct wn_instrument_config *i);
/** A threshold finer than the instrument is accurate would trip without cause; a limit beyond its
 * range is one it cannot see. */
void wn_config_check_accuracy(struct wn_reader *r, const config_setting_t *station,
                              const struct wn_station_config *c);
/** The calibration group of a station: a reader for its row. */
wn_key_reader wn_config_read_calibration;
/** The same of one of several instruments, for its row in struct wn_instrument_config. */
wn_key_reader wn_config_read_own_calibration;
/** An instrument of a station (instruments.c): a reader for rows whose size is its enum wn_role. */
wn_key_reader wn_reader_instrument;
/** All keys of a station have been read: its instruments in their order, what is missing told. */
void wn_reader_arrange(struct wn_reader *r, const config_setting_t *s,
                       const struct wn_key *station_keys, struct wn_station_config *c);
bool wn_config_same_instruments(const struct wn_station_config *a,
                                const struct wn_station_config *b);
/** Is it a dialect for instrument n of the station? Then its channel is put in; else a problem. */
bool wn_config_fit_dialect(const struct wn_station_config *station, int n, struct wn_dialect *d,
                           struct wn_problems *problems);
/** A problem when the port of instrument k of station n (at s) was somebody's before and cannot be
 * shared with him. */
void wn_reader_check_port(struct wn_reader *r, const config_setting_t *s,
                          const struct wn_daemon_config *out, int n, int k);
/** All stations have been read: may the ports that are shared be so? */
void wn_reader_check_shares(struct wn_reader *r, const config_setting_t *list,
                            const struct wn_daemon_config *out);
/** First station key whose value differs, NULL when the two are the same. */
const char *wn_config_station_differs(const struct wn_station_config *a,
                                      const struct wn_station_config *b);

#endif

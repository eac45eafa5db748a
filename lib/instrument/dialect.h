/* Dialects: how to talk to one kind of instrument, as data read from a dialect file.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A command is a template; {current_a}, {voltage_v}, {power_w}, {interval_s}, {voltage_high_v},
 * {voltage_low_v}, {current_limit_a}, {temperature_limit_c}, {timeout_s} are replaced by numbers,
 * {channel} by the number of the output the station has been given of several. A reading is made of
 * the replies to one or a few queries; a reply is a list of fields split by one separator; each
 * field is a name out of enum wn_field or is ignored, and may stand between a prefix and a suffix,
 * in another unit, or with a decimal comma where that is declared.
 *
 * A tester that runs a program of its own is asked nothing: its records are described instead, and
 * the one thing it may be told is to stop. */
#ifndef WN_INSTRUMENT_DIALECT_H
#define WN_INSTRUMENT_DIALECT_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "base/err.h"
#include "base/reading.h"
#include "instrument/modbus_map.h"
#include "wire/checksum.h"

enum { WN_TEMPLATE_SIZE = 160, WN_SEQUENCE_MAX = 12, WN_FIELDS_MAX = 12, WN_COMMAND_MAX = 256 };
enum { WN_READS_MAX = 4, WN_AFFIX_SIZE = 16 };
enum { WN_MARK_MAX = 8, WN_SKIPS_MAX = 4, WN_FRAME_MAX = 256 };

/** How it is spoken to. */
enum wn_protocol {
    WN_PROTOCOL_LINES,  /* commands and replies as text */
    WN_PROTOCOL_MODBUS, /* MODBUS RTU: registers are written and read */
    WN_PROTOCOL_RECORDS /* not at all: it prints records by itself */
};

/** What an instrument is for. */
enum wn_role {
    WN_ROLE_TESTER, /* charges and discharges */
    WN_ROLE_SUPPLY, /* charges */
    WN_ROLE_LOAD,   /* discharges */
    WN_ROLE_RELAY,  /* the contact between the cell and everything: on closes it */
    WN_ROLE_THERMOMETER
};

/** "tester", "supply", "load", "relay", "thermometer". */
const char *wn_role_name(enum wn_role role);

enum wn_field {
    WN_FIELD_IGNORE,
    WN_FIELD_TIME_S,
    WN_FIELD_VOLTAGE_V,
    WN_FIELD_CURRENT_A, /* positive when it charges; see current_sign */
    WN_FIELD_TEMPERATURE_C,
    WN_FIELD_AMBIENT_C,
    WN_FIELD_OUTPUT /* 0, 1, OFF, ON; of a relay its contact */
};

/** One field of a reply. */
struct wn_field_form {
    enum wn_field what;
    char prefix[WN_AFFIX_SIZE], suffix[WN_AFFIX_SIZE]; /* as sent, blanks included; "": none */
    double scale;                                      /* to the SI unit: 0.001 for mV; 0 is 1 */
    int places;         /* so many digits behind the point, always; 0: as it likes */
    bool decimal_comma; /* the comma is the decimal sign, and no point is accepted */
};

/** A query of a reading and the fields of its reply. */
struct wn_read {
    char query[WN_TEMPLATE_SIZE];
    char separator; /* between the fields; 0 with one field */
    struct wn_field_form field[WN_FIELDS_MAX];
    int fields;
};

/** Commands sent in turn; an empty template ends the list. */
struct wn_sequence {
    char line[WN_SEQUENCE_MAX][WN_TEMPLATE_SIZE];
    int n;
};

/** A query whose reply must equal a number that was set. */
struct wn_readback {
    char query[WN_TEMPLATE_SIZE];
    char expect[32];  /* placeholder name without braces, e.g. "current_a"; or a literal text */
    double tolerance; /* absolute, for numbers */
};
enum { WN_READBACKS_MAX = 6 };

/** What one output mode needs. */
struct wn_mode {
    struct wn_sequence set; /* set-points, output still as it was */
    struct wn_readback readback[WN_READBACKS_MAX];
    int readbacks;
};

enum wn_checksum_form {
    WN_CHECKSUM_HEX_UPPER, /* two digits a byte */
    WN_CHECKSUM_HEX_LOWER,
    WN_CHECKSUM_DECIMAL,       /* without leading zeros */
    WN_CHECKSUM_DECIMAL_PADDED /* three digits, or five of two bytes */
};

/** What stands around each reply of an instrument that sends checksums: "START REPLY SEPARATOR
 * CHECKSUM", without the blanks. */
struct wn_reply_checksum {
    bool used;
    struct wn_checksum how;
    char start[WN_AFFIX_SIZE];     /* not summed; "": none */
    char separator[WN_AFFIX_SIZE]; /* "": none */
    bool with_separator;           /* summed, too */
    enum wn_checksum_form form;
};

enum wn_records_format {
    WN_RECORDS_DELIMITED, /* lines of fields with a separator between them */
    WN_RECORDS_COLUMNS,   /* lines of fields at fixed columns */
    WN_RECORDS_FRAMES     /* bytes behind a start mark */
};

enum wn_records_type {
    WN_RECORDS_U8,
    WN_RECORDS_U16,
    WN_RECORDS_U24,
    WN_RECORDS_U32,
    WN_RECORDS_I8,
    WN_RECORDS_I16,
    WN_RECORDS_I24,
    WN_RECORDS_I32,
    WN_RECORDS_F32 /* IEEE 754, binary32 */
};

/** One field of a record. Columns and bytes are counted from 0 here. */
struct wn_records_field {
    struct wn_field_form form; /* prefix, suffix, places and decimal comma: of text only */
    int at, width;             /* first column and how many; of a frame: first byte */
    int sign_at;               /* column with +, - or a blank; -1: the number has its own sign */
    char none[WN_AFFIX_SIZE];  /* what text says without a value; "": there always is one */
    enum wn_records_type type; /* of a frame */
    bool low_first;            /* its byte order */
    bool has_none;             /* none_bits: its bytes without a value */
    uint32_t none_bits;
};

/** A checksum: at the end of a text, in hexadecimal digits; in a frame, as bytes. */
struct wn_records_sum {
    char name[24];            /* one of lib/wire/checksum.h; "": there is none */
    int from;                 /* it covers the bytes from this one on, up to mark or at */
    char mark[WN_AFFIX_SIZE]; /* text: stands before it, and is not covered */
    int at;                   /* frame: its first byte; negative: counted from the end */
    bool low_first;
};

/** The records of a tester that runs its own program. */
struct wn_records_form {
    enum wn_records_format format;
    char separator; /* delimited */
    int columns;    /* columns: of the whole line, the checksum with it */
    struct wn_records_field field[WN_FIELDS_MAX];
    int fields;
    char skip[WN_SKIPS_MAX][WN_AFFIX_SIZE]; /* lines that begin so are no records */
    int skips;
    unsigned char mark[WN_MARK_MAX]; /* frame: what it begins with */
    int mark_len;
    int length; /* frame: all bytes; 0: as the byte at length_at tells, and length_plus more */
    int length_at, length_plus, length_max;
    struct wn_records_sum sum;
    double silence_s;         /* no record for longer than this: it does not talk any more */
    double identity_within_s; /* so long the identity line may take to come */
};

struct wn_dialect {
    char name[64];
    char title[128];
    char file[256]; /* where it was read from, for messages */
    enum wn_protocol protocol;
    enum wn_role kind;      /* a tester's may also serve as supply or as load */
    bool simulated;         /* results are labelled simulated */
    bool has_clock;         /* replies carry time_s and the instrument's time drives the campaign */
    char terminator[4];     /* appended to every command: "\n" or "\r\n" */
    double reply_timeout_s; /* for one reply */
    int retries;     /* of a query without or with a garbled reply, before silence is declared */
    double settle_s; /* after opening the port */
    int baud;
    int parity;    /* 'N', 'E', 'O' */
    int stop_bits; /* 1 or 2 */
    char identity_query[WN_TEMPLATE_SIZE];
    char identity_prefix[128]; /* the reply must begin with this */
    struct wn_sequence setup;  /* once after identification: own protection settings and the like */
    struct wn_mode charge, discharge, power;
    struct wn_sequence on, off;          /* output */
    char output_query[WN_TEMPLATE_SIZE]; /* read-back of the output state */
    char output_off_reply[32];           /* its reply when off */
    struct wn_read read[WN_READS_MAX];   /* asked in turn; together they make one reading */
    int reads;
    bool echo;                  /* it sends each command back before the reply */
    char prompt[WN_AFFIX_SIZE]; /* it sends this when it is ready: dropped from replies; "": none */
    double character_delay_s;   /* pause it needs between two characters; 0: none */
    struct wn_reply_checksum checksum;
    int current_sign;                   /* +1 when the instrument counts charge positive, else -1 */
    char error_query[WN_TEMPLATE_SIZE]; /* empty: none; its reply starts with 0: no error */
    double overload; /* magnitude from which a number means "no valid value" (SCPI: 9.9e37) */
    /* Bytes the guard writes: lines with their terminators; MODBUS: frames, each behind a byte that
     * tells its length; of records: what stops the tester, or none. */
    char safe_off[WN_COMMAND_MAX];
    size_t safe_off_len;
    struct wn_modbus_map modbus; /* WN_PROTOCOL_MODBUS; nothing else of commands, queries and reads
                                    is used then */
    struct wn_records_form records; /* WN_PROTOCOL_RECORDS: the same */
};

/** Values for placeholders; NaN where not given. */
struct wn_setpoints {
    double current_a, voltage_v, power_w, interval_s;
    double voltage_high_v, voltage_low_v, current_limit_a, temperature_limit_c, timeout_s;
};

/** None is given. */
struct wn_setpoints wn_setpoints_none(void);

/** The value a placeholder name (without braces) stands for, inside *sp; NULL for a name that is
 * none. */
const double *wn_setpoint_find(const struct wn_setpoints *sp, const char *name, size_t len);

/** Puts in where at a port the instrument is that is meant: the number of an output where the
 * dialect has {channel}, or a channel_step (0: it is no instrument with several, or the only one is
 * meant), and the unit of a MODBUS instrument (0: the file's own). WN_EINVAL: the dialect needs a
 * number, or takes none; WN_ERANGE: a command became too long, an address too high. */
int wn_dialect_place(struct wn_dialect *d, int unit, int channel, struct wn_error *err);

/** Has an instrument of this kind an output or a contact to be switched? */
bool wn_role_switches(enum wn_role role);
bool wn_role_charges(enum wn_role role);
bool wn_role_discharges(enum wn_role role);
/** Can it do one of the two? */
bool wn_role_sources(enum wn_role role);

/** Replaces placeholders and adds the terminator. WN_EINVAL: unknown placeholder or one without a
 * value; WN_ERANGE: too long. */
int wn_dialect_expand(const struct wn_dialect *d, const char *tmpl, const struct wn_setpoints *sp,
                      char *out, size_t size, size_t *len, struct wn_error *err);

/** Splits and reads the reply of d->read[index] into *out, which keeps what it has of other replies
 * (cleared by the caller before the first). Strict: the number of fields must match, every number
 * must be a number. WN_EFRAME with the reply and the field at fault: *out is as it was; overload
 * values leave their has-bit unset. time_ns is set from time_s. */
int wn_dialect_decode(const struct wn_dialect *d, int index, const char *reply, size_t len,
                      struct wn_reading *out, struct wn_error *err);
/** Prompts come without a line end, in front of whatever comes next. */
void wn_reply_skip_prompts(const struct wn_dialect *d, const char **line, size_t *len);
/** Takes what stands around a reply off it, its checksum checked; nothing where the dialect has
 * none. WN_EFRAME: wrong or missing; the text goes on behind "reply '...' to QUERY". */
int wn_reply_strip(const struct wn_dialect *d, const char **line, size_t *len,
                   struct wn_error *err);
/** The whole line, without its end, in which the instrument answers text. WN_ENOSPACE. */
int wn_reply_wrap(const struct wn_dialect *d, const char *text, char *out, size_t size, size_t *len,
                  struct wn_error *err);
/** What of safe_off is written in one go, from *at on (first 0); NULL: nothing more. Behind each
 * piece of MODBUS the instrument must have answered, and the line been silent, before the next. */
const char *wn_dialect_safe_off(const struct wn_dialect *d, size_t *at, size_t *len);

/** Can it discharge at constant power? */
bool wn_dialect_has_power(const struct wn_dialect *d);
/** Does a reading hold this field? */
bool wn_dialect_reports(const struct wn_dialect *d, enum wn_field field);

/** Checks a dialect read from a file: required commands, placeholders known, safe_off present.
 * Texts name d->file. */
int wn_dialect_validate(const struct wn_dialect *d, struct wn_error *err);

/** Copies a reply for a message: bytes outside printable ASCII become '?', a long one ends in
 * "...". Returns buf. */
const char *wn_reply_text(const char *reply, size_t len, char *buf, size_t size);
/** The standard's text of an error number. */
const char *wn_scpi_error_text(int64_t number);

#endif

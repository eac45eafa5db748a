/* Configuration: what the files of all dialects have in common.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Internal to lib/config: rows of the tables of dialect.c, dialect_modbus.c and dialect_records.c.
 */
#ifndef WN_CONFIG_DIALECT_KEYS_H
#define WN_CONFIG_DIALECT_KEYS_H

#include "config/reader.h"

#define MEMBER(type, member)  .offset = offsetof(struct type, member)
#define SIZE_OF(type, member) sizeof(((struct type *)0)->member)
#define TEXT(key, needed, type, member, text)                                                      \
    {                                                                                              \
        .name = key, .kind = WN_KEY_TEXT, .required = needed, MEMBER(type, member),                \
        .size = SIZE_OF(type, member), .example = text                                             \
    }
#define COUNT(key, needed, type, member, low, high, text)                                          \
    {                                                                                              \
        .name = key, .kind = WN_KEY_COUNT, .required = needed, MEMBER(type, member), .min = low,   \
        .max = high, .example = text                                                               \
    }
#define WORD(key, needed, type, member, table, text)                                               \
    {                                                                                              \
        .name = key, .kind = WN_KEY_WORD, .required = needed, MEMBER(type, member),                \
        .words = table, .example = text                                                            \
    }
#define TIME(key, member, low, high, text)                                                         \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = true, MEMBER(wn_dialect, member),        \
        .dim = WN_DIM_TIME, .min = low, .max = high, .example = text                               \
    }
#define BOOL(key, needed, member, text)                                                            \
    {                                                                                              \
        .name = key, .kind = WN_KEY_BOOL, .required = needed, MEMBER(wn_dialect, member),          \
        .example = text                                                                            \
    }
#define GROUP(key, needed, table, text)                                                            \
    {                                                                                              \
        .name = key, .kind = WN_KEY_GROUP, .required = needed, .group = table, .example = text     \
    }
#define OTHER(key, needed, reader, text)                                                           \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .required = needed, .read = reader, .example = text     \
    }
#define SEPARATOR(type, text)                                                                      \
    {                                                                                              \
        .name = "separator", .kind = WN_KEY_OTHER, MEMBER(type, separator),                        \
        .read = wn_dialect_separator, .example = text                                              \
    }
#define TERMINATOR(needed)                                                                         \
    {                                                                                              \
        .name = "terminator", .kind = WN_KEY_TEXT, .required = needed,                             \
        MEMBER(wn_dialect, terminator), .size = SIZE_OF(wn_dialect, terminator), .control = true,  \
        .example = "\"\\n\""                                                                       \
    }
#define OVERLOAD(needed)                                                                           \
    {                                                                                              \
        .name = "overload", .kind = WN_KEY_NUMBER, .required = needed,                             \
        MEMBER(wn_dialect, overload), .min = 1000, .max = 1e300, .example = "9.9e37"               \
    }

extern const struct wn_key_word wn_protocol_words[], wn_kind_words[], wn_sign_words[],
    wn_parity_words[], wn_order_words[], wn_field_words[];

/* format_needed: must parity and stop bits be said? */
#define DIALECT_COMMON_KEYS(format_needed)                                                         \
    WORD("protocol", false, wn_dialect, protocol, wn_protocol_words, "\"lines\""),                 \
        WORD("kind", false, wn_dialect, kind, wn_kind_words, "\"tester\""),                        \
        TEXT("title", true, wn_dialect, title, "\"maker and model\""),                             \
        BOOL("simulated", true, simulated, "false"), BOOL("has_clock", true, has_clock, "false"),  \
        TIME("reply_timeout", reply_timeout_s, 0.01, 30, "\"500 ms\""),                            \
        COUNT("retries", true, wn_dialect, retries, 0, 10, "2"),                                   \
        TIME("settle", settle_s, 0, 30, "\"200 ms\""),                                             \
        COUNT("baud", true, wn_dialect, baud, 50, 4000000, "115200"),                              \
        WORD("parity", format_needed, wn_dialect, parity, wn_parity_words, "\"none\""),            \
        COUNT("stop_bits", format_needed, wn_dialect, stop_bits, 1, 2, "1"),                       \
        BOOL("echo", false, echo, "false"),                                                        \
        WORD("current_sign", false, wn_dialect, current_sign, wn_sign_words,                       \
             "\"charge positive\"")

/** Reads the one character between two values, for SEPARATOR. */
wn_key_reader wn_dialect_separator;

/** Complains of what an instrument of its kind cannot do without, and fills in what was left out.
 */
void wn_dialect_complete(struct wn_reader *r, const config_setting_t *root,
                         const struct wn_key *keys, struct wn_dialect *d);

/** The whole file of a MODBUS instrument, into *d. */
void wn_config_read_modbus(struct wn_reader *r, const config_setting_t *root, struct wn_dialect *d);
/** The whole file of a tester that prints records. */
void wn_config_read_records(struct wn_reader *r, const config_setting_t *root,
                            struct wn_dialect *d);

#endif

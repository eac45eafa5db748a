/* Configuration: the dialect of a tester that runs its own program and prints records.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Columns are counted from 1, as a person counts them; bytes of a frame from 0, as manuals do. */
#include "config/dialect_keys.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "instrument/records.h"
#include "wire/checksum.h"
#include "wire/line.h"

static const struct wn_key_word field_words[] = {{"ignore", WN_FIELD_IGNORE, 0},
                                                 {"time_s", WN_FIELD_TIME_S, 0},
                                                 {"voltage_v", WN_FIELD_VOLTAGE_V, 0},
                                                 {"current_a", WN_FIELD_CURRENT_A, 0},
                                                 {"temperature_c", WN_FIELD_TEMPERATURE_C, 0},
                                                 {"ambient_c", WN_FIELD_AMBIENT_C, 0},
                                                 {NULL, 0, 0}};
static const struct wn_key_word decimal_words[] = {{"point", 0, 0}, {"comma", 1, 0}, {NULL, 0, 0}};
static const struct wn_key_word type_words[] = {
    {"u8", WN_RECORDS_U8, 0},   {"u16", WN_RECORDS_U16, 0},
    {"u24", WN_RECORDS_U24, 0}, {"u32", WN_RECORDS_U32, 0},
    {"i8", WN_RECORDS_I8, 0},   {"i16", WN_RECORDS_I16, 0},
    {"i24", WN_RECORDS_I24, 0}, {"i32", WN_RECORDS_I32, 0},
    {"f32", WN_RECORDS_F32, 0}, {NULL, 0, 0}};

/* A word that stands for true or false. */
static bool read_choice(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        const struct wn_key_word *words)
{
    struct wn_key word = *key;
    int chosen = 0;
    word.kind = WN_KEY_WORD;
    word.offset = 0;
    word.words = words;
    wn_reader_value(r, s, &word, &chosen);
    return chosen != 0;
}

static void read_decimal(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    struct wn_records_field *f = target;
    f->form.decimal_comma = read_choice(r, s, key, decimal_words);
}

static void read_order(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    ((struct wn_records_field *)target)->low_first = read_choice(r, s, key, wn_order_words);
}

static void read_sum_order(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target)
{
    ((struct wn_records_sum *)target)->low_first = read_choice(r, s, key, wn_order_words);
}

static int digit_of(char c)
{
    static const char digits[] = "0123456789ABCDEF----------abcdef";
    const char *at = c != '\0' && c != '-' ? strchr(digits, c) : NULL;
    return at != NULL ? (int)((at - digits) % 16) : -1;
}

/* "A5 5A": two digits a byte, blanks between them. Returns how many; 0 with a problem. */
static int read_bytes(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      unsigned char *out, int most)
{
    const char *text = config_setting_get_string(s);
    int n = 0;
    while (text != NULL && *text != '\0') {
        if (n > 0 && *text++ != ' ') {
            n = 0;
            break;
        }
        int high = digit_of(text[0]), low = high >= 0 ? digit_of(text[1]) : -1;
        if (low < 0 || n == most) {
            n = 0;
            break;
        }
        out[n++] = (unsigned char)(16 * high + low);
        text += 2;
    }
    if (text == NULL || *text != '\0' || n == 0) {
        wn_reader_fail(r, s, "must be 1 to %d bytes of two hexadecimal digits; write %s = %s;",
                       most, key->name, key->example);
        return 0;
    }
    return n;
}

static void read_mark(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    struct wn_records_form *form = target;
    form->mark_len = read_bytes(r, s, key, form->mark, WN_MARK_MAX);
}

/* The bytes as they are sent; field type and order are known when all of the field was read. */
static void read_none(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    struct wn_records_field *f = target;
    unsigned char bytes[4];
    int n = read_bytes(r, s, key, bytes, 4);
    f->has_none = true;
    f->width = n;
    f->none_bits = 0;
    for (int i = 0; i < n; i++) {
        f->none_bits = f->none_bits << 8 | bytes[i];
    }
}

static void read_columns(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    struct wn_records_field *f = target;
    const char *text = config_setting_get_string(s);
    const char *dash = text != NULL ? strchr(text, '-') : NULL;
    int64_t first = 0, last = 0;
    bool good = dash != NULL && wn_num_parse_int(text, (size_t)(dash - text), &first) == WN_OK &&
                wn_num_parse_int(dash + 1, strlen(dash + 1), &last) == WN_OK && first >= 1 &&
                last >= first && last <= WN_LINE_MAX;
    if (!good) {
        wn_reader_fail(r, s, "must be first and last column, counted from 1; write %s = %s;",
                       key->name, key->example);
        return;
    }
    f->at = (int)first - 1;
    f->width = (int)(last - first) + 1;
}

static void read_sign_column(struct wn_reader *r, const config_setting_t *s,
                             const struct wn_key *key, void *target)
{
    int column = 0;
    struct wn_key count = *key;
    count.kind = WN_KEY_COUNT;
    count.offset = 0;
    wn_reader_value(r, s, &count, &column);
    ((struct wn_records_field *)target)->sign_at = column - 1;
}

#define VALUE                                                                                      \
    {                                                                                              \
        .name = "value", .kind = WN_KEY_WORD, .required = true,                                    \
        MEMBER(wn_records_field, form.what), .words = field_words, .example = "\"voltage_v\""      \
    }
#define SCALE                                                                                      \
    {                                                                                              \
        .name = "scale", .kind = WN_KEY_NUMBER, MEMBER(wn_records_field, form.scale),              \
        .min = 1e-12, .max = 1e12, .example = "0.001"                                              \
    }
#define OF_TEXT                                                                                    \
    TEXT("prefix", false, wn_records_field, form.prefix, "\"U=\""),                                \
        TEXT("suffix", false, wn_records_field, form.suffix, "\" V\""),                            \
        TEXT("none", false, wn_records_field, none, "\"---\""),                                    \
        COUNT("places", false, wn_records_field, form.places, 1, 12, "4"),                         \
        OTHER("decimal", false, read_decimal, "\"comma\"")

static const struct wn_key delimited_field[] = {VALUE, SCALE, OF_TEXT, {.name = NULL}};
static const struct wn_key columns_field[] = {VALUE,
                                              SCALE,
                                              OF_TEXT,
                                              OTHER("columns", true, read_columns, "\"21-26\""),
                                              {.name = "sign_column",
                                               .kind = WN_KEY_OTHER,
                                               .min = 1,
                                               .max = WN_LINE_MAX,
                                               .read = read_sign_column,
                                               .example = "27"},
                                              {.name = NULL}};
static const struct wn_key frames_field[] = {
    VALUE,
    SCALE,
    COUNT("byte", true, wn_records_field, at, 0, WN_FRAME_MAX - 1, "14"),
    {.name = "type",
     .kind = WN_KEY_WORD,
     .required = true,
     MEMBER(wn_records_field, type),
     .words = type_words,
     .example = "\"u32\""},
    OTHER("order", false, read_order, "\"low first\""),
    OTHER("none", false, read_none, "\"FF FF FF FF\""),
    {.name = NULL}};

/* The bytes of none are as many as the value has, in the order they are sent. */
static void settle_none(struct wn_reader *r, const config_setting_t *s, struct wn_records_field *f)
{
    int width = wn_records_width(f->type);
    if (!f->has_none) {
        return;
    }
    if (f->width != width) {
        wn_reader_fail(r, wn_reader_at(s, "none"), "has %d bytes, the value has %d", f->width,
                       width);
    }
    uint32_t sent = f->none_bits, bits = 0;
    for (int i = 0; f->low_first && i < f->width; i++) {
        bits |= (sent >> 8 * i & 0xffu) << 8 * (f->width - 1 - i);
    }
    f->none_bits = f->low_first ? bits : sent;
}

static void read_field(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       const struct wn_records_form *form, struct wn_records_field *f)
{
    static const struct wn_key *const of[] = {[WN_RECORDS_DELIMITED] = delimited_field,
                                              [WN_RECORDS_COLUMNS] = columns_field,
                                              [WN_RECORDS_FRAMES] = frames_field};
    f->sign_at = -1;
    if (form->format == WN_RECORDS_DELIMITED && !config_setting_is_group(s)) {
        const struct wn_key word = {.name = key->name,
                                    .kind = WN_KEY_WORD,
                                    MEMBER(wn_records_field, form.what),
                                    .words = field_words,
                                    .example = "\"voltage_v\""};
        wn_reader_value(r, s, &word, f);
        return;
    }
    wn_reader_group(r, s, of[form->format], f);
    settle_none(r, s, f);
}

static void read_fields(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_records_form *form = target;
    if (!wn_reader_list(r, s, 1, WN_FIELDS_MAX, key->example)) {
        return;
    }
    form->fields = config_setting_length(s);
    for (int i = 0; i < form->fields; i++) {
        read_field(r, config_setting_get_elem(s, (unsigned)i), key, form, &form->field[i]);
    }
}

static void read_skips(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    struct wn_records_form *form = target;
    if (!wn_reader_list(r, s, 1, WN_SKIPS_MAX, key->example)) {
        return;
    }
    form->skips = config_setting_length(s);
    for (int i = 0; i < form->skips; i++) {
        const struct wn_key line = {.name = key->name,
                                    .kind = WN_KEY_TEXT,
                                    .required = true,
                                    .size = WN_AFFIX_SIZE,
                                    .example = "\"#\""};
        wn_reader_value(r, config_setting_get_elem(s, (unsigned)i), &line, form->skip[i]);
    }
}

static const struct wn_key length_keys[] = {
    COUNT("byte", true, wn_records_form, length_at, 0, WN_FRAME_MAX - 1, "2"),
    COUNT("plus", true, wn_records_form, length_plus, 0, WN_FRAME_MAX, "5"),
    COUNT("max", true, wn_records_form, length_max, 2, WN_FRAME_MAX, "64"),
    {.name = NULL}};

static void read_length(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    const struct wn_key count =
        COUNT(key->name, true, wn_records_form, length, 2, WN_FRAME_MAX, key->example);
    if (config_setting_is_group(s)) {
        wn_reader_group(r, s, length_keys, target);
    } else {
        wn_reader_value(r, s, &count, target);
    }
}

static void read_sum_name(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    struct wn_records_sum *sum = target;
    const char *text = config_setting_get_string(s);
    if (text != NULL && wn_checksum_named(text) != NULL && strlen(text) < sizeof sum->name) {
        (void)snprintf(sum->name, sizeof sum->name, "%s", text);
        return;
    }
    char known[400] = "";
    size_t n = 0;
    for (size_t i = 0; wn_checksum_name(i) != NULL && n < sizeof known; i++) {
        n += (size_t)snprintf(known + n, sizeof known - n, "%s%s", i > 0 ? ", " : "",
                              wn_checksum_name(i));
    }
    wn_reader_fail(r, s, "is none of the checksums known: %s; write %s = %s;", known, key->name,
                   key->example);
}

static const struct wn_key text_sum_keys[] = {
    OTHER("name", true, read_sum_name, "\"sum8\""),
    COUNT("from", false, wn_records_sum, from, 0, WN_LINE_MAX, "0"),
    TEXT("mark", false, wn_records_sum, mark, "\"*\""),
    OTHER("order", false, read_sum_order, "\"low first\""),
    {.name = NULL}};
static const struct wn_key frame_sum_keys[] = {
    OTHER("name", true, read_sum_name, "\"crc-16/modbus\""),
    COUNT("from", true, wn_records_sum, from, 0, WN_FRAME_MAX, "2"),
    COUNT("byte", true, wn_records_sum, at, -2, WN_FRAME_MAX, "27"),
    OTHER("order", false, read_sum_order, "\"high first\""),
    {.name = NULL}};

#define SILENCE                                                                                    \
    {                                                                                              \
        .name = "silence", .kind = WN_KEY_QUANTITY, .required = true,                              \
        MEMBER(wn_records_form, silence_s), .dim = WN_DIM_TIME, .min = 0.1, .max = 3600,           \
        .example = "\"10 s\""                                                                      \
    }
#define FIELDS(text)                                                                               \
    {                                                                                              \
        .name = "fields", .kind = WN_KEY_OTHER, .required = true, .read = read_fields,             \
        .example = text                                                                            \
    }
#define SUM(table)                                                                                 \
    {                                                                                              \
        .name = "checksum", .kind = WN_KEY_GROUP, MEMBER(wn_records_form, sum), .group = table,    \
        .example = "{ name = \"sum8\"; }"                                                          \
    }

static const struct wn_key_word format_words[] = {{"delimited", WN_RECORDS_DELIMITED, 0},
                                                  {"columns", WN_RECORDS_COLUMNS, 0},
                                                  {"frames", WN_RECORDS_FRAMES, 0},
                                                  {NULL, 0, 0}};
#define FORMAT                                                                                     \
    {                                                                                              \
        .name = "format", .kind = WN_KEY_WORD, .required = true, MEMBER(wn_records_form, format),  \
        .words = format_words, .example = "\"delimited\""                                          \
    }

/* The format stands first in each: what the others mean depends on it. */
static const struct wn_key delimited_keys[] = {
    FORMAT,
    SEPARATOR(wn_records_form, "\";\""),
    OTHER("skip", false, read_skips, "( \"#\" )"),
    FIELDS("( \"time_s\", \"voltage_v\", \"current_a\" )"),
    SUM(text_sum_keys),
    SILENCE,
    {.name = NULL}};
static const struct wn_key columns_keys[] = {
    FORMAT,
    COUNT("columns", true, wn_records_form, columns, 1, WN_LINE_MAX, "48"),
    OTHER("skip", false, read_skips, "( \"#\" )"),
    FIELDS("( { value = \"voltage_v\"; columns = \"21-26\"; scale = 0.0001; }, ... )"),
    SUM(text_sum_keys),
    SILENCE,
    {.name = NULL}};
static const struct wn_key frames_keys[] = {
    FORMAT,
    OTHER("mark", true, read_mark, "\"A5 5A\""),
    OTHER("length", true, read_length, "29"),
    FIELDS("( { value = \"voltage_v\"; byte = 14; type = \"u32\"; scale = 0.00001; }, ... )"),
    SUM(frame_sum_keys),
    SILENCE,
    {.name = NULL}};

static void read_records(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    static const struct wn_key *const of[] = {[WN_RECORDS_DELIMITED] = delimited_keys,
                                              [WN_RECORDS_COLUMNS] = columns_keys,
                                              [WN_RECORDS_FRAMES] = frames_keys};
    static const struct wn_key format = FORMAT;
    struct wn_records_form *form = &((struct wn_dialect *)target)->records;
    const config_setting_t *word =
        config_setting_is_group(s) ? config_setting_get_member(s, "format") : NULL;
    if (word == NULL) {
        wn_reader_fail(r, s, "must be a group with a format; write %s = %s;", key->name,
                       key->example);
        return;
    }
    int before = r->problems->n;
    wn_reader_value(r, word, &format, form);
    if (r->problems->n == before) {
        wn_reader_group(r, s, of[form->format], form);
    }
}

static const struct wn_key identity_keys[] = {
    TEXT("prefix", true, wn_dialect, identity_prefix, "\"maker,model,\""),
    TIME("within", records.identity_within_s, 0.1, 3600, "\"2 min\""),
    {.name = NULL}};

static const struct wn_key records_keys[] = {
    WORD("protocol", true, wn_dialect, protocol, wn_protocol_words, "\"records\""),
    TEXT("title", true, wn_dialect, title, "\"maker and model\""),
    BOOL("simulated", true, simulated, "false"),
    BOOL("has_clock", true, has_clock, "false"),
    TERMINATOR(false),
    TIME("settle", settle_s, 0, 30, "\"200 ms\""),
    COUNT("baud", true, wn_dialect, baud, 50, 4000000, "9600"),
    WORD("parity", false, wn_dialect, parity, wn_parity_words, "\"none\""),
    COUNT("stop_bits", false, wn_dialect, stop_bits, 1, 2, "1"),
    GROUP("identity", false, identity_keys, "{ prefix = \"maker,model,\"; within = \"2 min\"; }"),
    OTHER("records", true, read_records, "{ format = \"delimited\"; ... }"),
    WORD("current_sign", true, wn_dialect, current_sign, wn_sign_words, "\"charge positive\""),
    OVERLOAD(false),
    {.name = "stop",
     .kind = WN_KEY_TEXT,
     MEMBER(wn_dialect, safe_off),
     .size = WN_COMMAND_MAX,
     .control = true,
     .example = "\"STOP\\n\""},
    {.name = NULL}};

void wn_config_read_records(struct wn_reader *r, const config_setting_t *root, struct wn_dialect *d)
{
    struct wn_error err;
    (void)snprintf(d->terminator, sizeof d->terminator, "\n");
    d->overload = 9.9e37;
    d->reply_timeout_s = 1; /* for the stop command to be taken by the port */
    d->parity = 'N';
    d->stop_bits = 1;
    wn_reader_group(r, root, records_keys, d);
    d->safe_off_len = strlen(d->safe_off);
    if (r->problems->n != r->problems_before) {
        return;
    }
    if (strcmp(d->terminator, "\n") != 0 && strcmp(d->terminator, "\r\n") != 0 &&
        strcmp(d->terminator, "\r") != 0) {
        wn_reader_fail(r, wn_reader_at(root, "terminator"),
                       "must be \"\\n\", \"\\r\\n\" or \"\\r\"");
    } else if (wn_dialect_validate(d, &err) != WN_OK) {
        wn_problem_add(r->problems, "%s", err.text); /* names the file itself */
    }
}

/* Configuration: a dialect's file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/dialect_keys.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"

/* For hints only; wn_setpoint_find() decides. */
static const struct wn_key_word placeholders[] = {
    {"current_a", 0, 0},       {"voltage_v", 0, 0},
    {"power_w", 0, 0},         {"interval_s", 0, 0},
    {"voltage_high_v", 0, 0},  {"voltage_low_v", 0, 0},
    {"current_limit_a", 0, 0}, {"temperature_limit_c", 0, 0},
    {"timeout_s", 0, 0},       {NULL, 0, 0}};

/* Every {name} of a command must be a value the station has. */
static void check_placeholders(struct wn_reader *r, const config_setting_t *s, const char *command)
{
    static const struct wn_setpoints any;
    char name[32];
    for (const char *p = strchr(command, '{'); p != NULL; p = strchr(p + 1, '{')) {
        size_t n = strcspn(p + 1, "}");
        if (p[1 + n] == '}' &&
            (wn_setpoint_find(&any, p + 1, n) != NULL || strncmp(p, "{channel}", n + 2) == 0)) {
            continue;
        }
        (void)snprintf(name, sizeof name, "%.*s", (int)n, p + 1);
        if (p[1 + n] != '}') {
            wn_reader_fail(r, s, "{%s has no closing }", name);
            return;
        }
        const char *near = wn_nearest_word(placeholders, name);
        wn_reader_fail(r, s, "{%s} is no value that can be put in; %s{%s}%s", name,
                       near != NULL ? "did you mean " : "write for example ",
                       near != NULL ? near : "current_a", near != NULL ? "?" : "");
    }
}

static void read_sequence(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    struct wn_sequence *q = (struct wn_sequence *)(void *)((char *)target + key->offset);
    if (!wn_reader_list(r, s, 1, WN_SEQUENCE_MAX, key->example)) {
        return;
    }
    for (q->n = 0; q->n < config_setting_length(s); q->n++) {
        const struct wn_key line = {.name = key->name,
                                    .kind = WN_KEY_TEXT,
                                    .required = true,
                                    .size = WN_TEMPLATE_SIZE,
                                    .example = key->example};
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)q->n);
        wn_reader_value(r, at, &line, q->line[q->n]);
        check_placeholders(r, at, q->line[q->n]);
    }
}
#define SEQUENCE(key, needed, type, member, text)                                                  \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .required = needed, MEMBER(type, member),               \
        .read = read_sequence, .example = text                                                     \
    }

/* The dimension of a tolerance follows from what is expected; a literal text is compared as it is.
 */
static void read_tolerance(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target)
{
    static const struct {
        const char *suffix;
        enum wn_dim dim;
        const char *example;
    } of[] = {{"_a", WN_DIM_CURRENT, "\"2 mA\""},
              {"_v", WN_DIM_VOLTAGE, "\"2 mV\""},
              {"_w", WN_DIM_POWER, "\"50 mW\""},
              {"_c", WN_DIM_TEMPERATURE_DIFF, "\"1 K\""},
              {"_s", WN_DIM_TIME, "\"100 ms\""}};
    const struct wn_readback *rb = target;
    size_t n = strlen(rb->expect);
    for (size_t i = 0; i < sizeof of / sizeof of[0]; i++) {
        if (n > 2 && strcmp(rb->expect + n - 2, of[i].suffix) == 0) {
            struct wn_key row = *key;
            row.kind = WN_KEY_QUANTITY;
            row.dim = of[i].dim;
            row.example = of[i].example;
            wn_reader_value(r, s, &row, target);
            return;
        }
    }
    wn_reader_fail(r, s, "belongs to a number: expect is the text \"%s\"; remove it", rb->expect);
}

/* expect stands before tolerance, which needs it. */
static const struct wn_key readback_keys[] = {
    TEXT("query", true, wn_readback, query, "\"SOUR:CURR?\""),
    TEXT("expect", true, wn_readback, expect, "\"current_a\""),
    {.name = "tolerance",
     .kind = WN_KEY_OTHER,
     MEMBER(wn_readback, tolerance),
     .min = 0,
     .max = 100,
     .read = read_tolerance,
     .example = "\"2 mA\""},
    {.name = NULL}};

static void read_readbacks(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target)
{
    struct wn_mode *mode = target;
    if (!wn_reader_list(r, s, 1, WN_READBACKS_MAX, key->example)) {
        return;
    }
    mode->readbacks = config_setting_length(s);
    for (int i = 0; i < mode->readbacks; i++) {
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)i);
        const struct wn_readback *rb = &mode->readback[i];
        static const struct wn_setpoints any;
        wn_reader_group(r, at, readback_keys, &mode->readback[i]);
        if (wn_setpoint_find(&any, rb->expect, strlen(rb->expect)) != NULL &&
            config_setting_is_group(at) && config_setting_get_member(at, "tolerance") == NULL) {
            wn_reader_fail(r, at, "tolerance is missing: expect is a number; write tolerance = %s;",
                           strcmp(rb->expect, "voltage_v") == 0 ? "\"2 mV\"" : "\"2 mA\"");
        }
    }
}

static const struct wn_key mode_keys[] = {
    SEQUENCE("set", true, wn_mode, set, "( \"SOUR:CURR {current_a}\" )"),
    {.name = "readback",
     .kind = WN_KEY_OTHER,
     .required =
         true, /* what was set is always read back: a garbled set-point must never drive a cell */
     .read = read_readbacks,
     .example = "( { query = \"SOUR:CURR?\"; expect = \"current_a\"; tolerance = \"2 mA\"; } )"},
    {.name = NULL}};
#define MODE(key, needed, member)                                                                  \
    {                                                                                              \
        .name = key, .kind = WN_KEY_GROUP, .required = needed, MEMBER(wn_dialect, member),         \
        .group = mode_keys, .example = "{ set = ( ... ); readback = ( ... ); }"                    \
    }

static const struct wn_key identity_keys[] = {
    TEXT("query", true, wn_dialect, identity_query, "\"*IDN?\""),
    TEXT("prefix", true, wn_dialect, identity_prefix, "\"maker,model,\""),
    {.name = NULL}};

static const struct wn_key output_keys[] = {
    TEXT("query", true, wn_dialect, output_query, "\"OUTP?\""),
    TEXT("off_reply", true, wn_dialect, output_off_reply, "\"0\""),
    {.name = NULL}};

/* By the name it has in lib/wire/checksum.h. */
static void read_checksum_kind(struct wn_reader *r, const config_setting_t *s,
                               const struct wn_key *key, void *target)
{
    struct wn_reply_checksum *c = target;
    char name[32] = "";
    struct wn_key text = *key;
    text.kind = WN_KEY_TEXT;
    text.offset = 0;
    text.size = sizeof name;
    wn_reader_value(r, s, &text, name);
    const struct wn_checksum *how = wn_checksum_named(name);
    if (how != NULL) {
        c->how = *how;
        c->used = true;
        return;
    }
    if (name[0] != '\0') {
        wn_reader_fail(
            r, s,
            "\"%s\" is not known; write sum8, sum16, negated8, negated16, xor8 or a CRC by "
            "its name in catalogues, such as crc-16/modbus or crc-8/smbus",
            name);
    }
}

static const struct wn_key_word form_words[] = {{"HEX", WN_CHECKSUM_HEX_UPPER, 0},
                                                {"hex", WN_CHECKSUM_HEX_LOWER, 0},
                                                {"decimal", WN_CHECKSUM_DECIMAL, 0},
                                                {"padded decimal", WN_CHECKSUM_DECIMAL_PADDED, 0},
                                                {NULL, 0, 0}};

static const struct wn_key checksum_keys[] = {
    {.name = "kind",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_checksum_kind,
     .example = "\"xor8\""},
    {.name = "form",
     .kind = WN_KEY_WORD,
     .required = true,
     MEMBER(wn_reply_checksum, form),
     .words = form_words,
     .example = "\"HEX\""},
    TEXT("start", false, wn_reply_checksum, start, "\"$\""),
    TEXT("separator", false, wn_reply_checksum, separator, "\"*\""),
    {.name = "with_separator",
     .kind = WN_KEY_BOOL,
     MEMBER(wn_reply_checksum, with_separator),
     .example = "false"},
    {.name = NULL}};

const struct wn_key_word wn_field_words[] = {{"ignore", WN_FIELD_IGNORE, 0},
                                             {"time_s", WN_FIELD_TIME_S, 0},
                                             {"voltage_v", WN_FIELD_VOLTAGE_V, 0},
                                             {"current_a", WN_FIELD_CURRENT_A, 0},
                                             {"temperature_c", WN_FIELD_TEMPERATURE_C, 0},
                                             {"ambient_c", WN_FIELD_AMBIENT_C, 0},
                                             {"output", WN_FIELD_OUTPUT, 0},
                                             {NULL, 0, 0}};

static const struct wn_key_word decimal_words[] = {{"point", 0, 0}, {"comma", 1, 0}, {NULL, 0, 0}};

static void read_decimal(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    struct wn_key word = *key;
    int comma = 0;
    word.kind = WN_KEY_WORD;
    word.offset = 0;
    word.words = decimal_words;
    wn_reader_value(r, s, &word, &comma);
    ((struct wn_field_form *)target)->decimal_comma = comma != 0;
}

/* A field with something around its number. */
static const struct wn_key field_keys[] = {
    {.name = "value",
     .kind = WN_KEY_WORD,
     .required = true,
     MEMBER(wn_field_form, what),
     .words = wn_field_words,
     .example = "\"voltage_v\""},
    TEXT("prefix", false, wn_field_form, prefix, "\"V=\""),
    TEXT("suffix", false, wn_field_form, suffix, "\" V\""),
    {.name = "scale",
     .kind = WN_KEY_NUMBER,
     MEMBER(wn_field_form, scale),
     .min = 1e-12,
     .max = 1e12,
     .example = "0.001"},
    {.name = "places",
     .kind = WN_KEY_COUNT,
     MEMBER(wn_field_form, places),
     .min = 1,
     .max = 12,
     .example = "4"},
    {.name = "decimal", .kind = WN_KEY_OTHER, .read = read_decimal, .example = "\"comma\""},
    {.name = NULL}};

static void read_field(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       struct wn_field_form *f)
{
    const struct wn_key row = {.name = key->name,
                               .kind = WN_KEY_WORD,
                               MEMBER(wn_field_form, what),
                               .words = wn_field_words,
                               .example = "\"voltage_v\""};
    if (config_setting_is_group(s)) {
        wn_reader_group(r, s, field_keys, f);
    } else {
        wn_reader_value(r, s, &row, f);
    }
}

static void read_fields(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_read *read = target;
    if (!wn_reader_list(r, s, 1, WN_FIELDS_MAX, key->example)) {
        return;
    }
    read->fields = config_setting_length(s);
    for (int i = 0; i < read->fields; i++) {
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)i);
        read_field(r, at, key, &read->field[i]);
        enum wn_field what = read->field[i].what;
        for (int k = 0; k < i; k++) {
            if (what != WN_FIELD_IGNORE && read->field[k].what == what) {
                wn_reader_fail(r, at, "is in the reply twice; write \"ignore\" for one of them");
            }
        }
    }
}

/* What a reading cannot do without. */
static void check_fields(struct wn_reader *r, const config_setting_t *fields,
                         const struct wn_dialect *d)
{
    const struct {
        enum wn_field field;
        const char *word, *why;
        bool needed;
    } needed[] = {
        {WN_FIELD_VOLTAGE_V, "voltage_v", "", wn_role_sources(d->kind)},
        {WN_FIELD_CURRENT_A, "current_a", "", wn_role_sources(d->kind)},
        {WN_FIELD_OUTPUT, "output", ", which tells the contact", d->kind == WN_ROLE_RELAY},
        {WN_FIELD_TIME_S, "time_s", ", because has_clock is true", d->has_clock}};
    for (size_t k = 0; k < sizeof needed / sizeof needed[0]; k++) {
        if (needed[k].needed && !wn_dialect_reports(d, needed[k].field)) {
            wn_reader_fail(r, fields, "\"%s\" is missing%s; add it where the reply holds it",
                           needed[k].word, needed[k].why);
        }
    }
}

static const struct wn_key read_keys[] = {
    TEXT("query", true, wn_read, query, "\"MEAS:ALL? {interval_s}\""),
    SEPARATOR(wn_read, "\",\""),
    {.name = "fields",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_fields,
     .example = "( \"voltage_v\", \"current_a\" )"},
    {.name = NULL}};

static void read_one(struct wn_reader *r, const config_setting_t *s, struct wn_read *read)
{
    wn_reader_group(r, s, read_keys, read);
    check_placeholders(r, wn_reader_at(s, "query"), read->query);
    if (read->fields > 1 && read->separator == '\0') {
        wn_reader_fail(r, s,
                       "separator is missing: the reply has %d fields; write separator = "
                       "\",\";",
                       read->fields);
    }
}

/* One query as a group, or a list of them that together make a reading. */
static void read_reads(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    struct wn_dialect *d = target;
    if (config_setting_is_group(s)) {
        d->reads = 1;
        read_one(r, s, &d->read[0]);
    } else if (wn_reader_list(r, s, 1, WN_READS_MAX, key->example)) {
        d->reads = config_setting_length(s);
        for (int i = 0; i < d->reads; i++) {
            read_one(r, config_setting_get_elem(s, (unsigned)i), &d->read[i]);
        }
    }
}

const struct wn_key_word wn_protocol_words[] = {{"lines", WN_PROTOCOL_LINES, 0},
                                                {"modbus", WN_PROTOCOL_MODBUS, 0},
                                                {"records", WN_PROTOCOL_RECORDS, 0},
                                                {NULL, 0, 0}};
const struct wn_key_word wn_kind_words[] = {{"tester", WN_ROLE_TESTER, 0},
                                            {"supply", WN_ROLE_SUPPLY, 0},
                                            {"load", WN_ROLE_LOAD, 0},
                                            {"relay", WN_ROLE_RELAY, 0},
                                            {"thermometer", WN_ROLE_THERMOMETER, 0},
                                            {NULL, 0, 0}};
const struct wn_key_word wn_sign_words[] = {
    {"charge positive", 1, 0}, {"discharge positive", -1, 0}, {NULL, 0, 0}};
const struct wn_key_word wn_parity_words[] = {
    {"none", 'N', 0}, {"even", 'E', 0}, {"odd", 'O', 0}, {NULL, 0, 0}};
const struct wn_key_word wn_order_words[] = {
    {"high first", 0, 0}, {"low first", 1, 0}, {NULL, 0, 0}};

void wn_dialect_separator(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    const char *text = config_setting_get_string(s);
    if (text == NULL || strlen(text) != 1 || strchr("0123456789+-.eE\r\n", text[0]) != NULL) {
        wn_reader_fail(r, s, "must be one character that no number holds; write %s = %s;",
                       key->name, key->example);
        return;
    }
    ((char *)target)[key->offset] = text[0];
}

static const struct wn_key dialect_keys[] = {
    DIALECT_COMMON_KEYS(false),
    TERMINATOR(true),
    GROUP("identity", true, identity_keys, "{ query = \"*IDN?\"; prefix = \"maker,model,\"; }"),
    SEQUENCE("setup", false, wn_dialect, setup, "( \"*CLS\" )"),
    MODE("charge", false, charge),
    MODE("discharge", false, discharge),
    MODE("power", false, power),
    SEQUENCE("on", false, wn_dialect, on, "( \"OUTP ON\" )"),
    SEQUENCE("off", false, wn_dialect, off, "( \"OUTP OFF\" )"),
    GROUP("output", false, output_keys, "{ query = \"OUTP?\"; off_reply = \"0\"; }"),
    {.name = "read",
     .kind = WN_KEY_OTHER,
     .required = true,
     .read = read_reads,
     .example = "{ query = \"...\"; separator = \",\"; fields = ( ... ); }"},
    TEXT("prompt", false, wn_dialect, prompt, "\">\""),
    {.name = "checksum",
     .kind = WN_KEY_GROUP,
     MEMBER(wn_dialect, checksum),
     .group = checksum_keys,
     .example = "{ kind = \"xor8\"; separator = \"*\"; form = \"HEX\"; }"},
    {.name = "character_delay",
     .kind = WN_KEY_QUANTITY,
     MEMBER(wn_dialect, character_delay_s),
     .dim = WN_DIM_TIME,
     .min = 0,
     .max = 1,
     .example = "\"5 ms\""},
    TEXT("error_query", false, wn_dialect, error_query, "\"SYST:ERR?\""),
    OVERLOAD(true),
    {.name = "safe_off",
     .kind = WN_KEY_TEXT,
     MEMBER(wn_dialect, safe_off),
     .size = WN_COMMAND_MAX,
     .control = true,
     .example = "\"\\nOUTP OFF\\nOUTP OFF\\n\""},
    {.name = NULL}};

void wn_dialect_complete(struct wn_reader *r, const config_setting_t *root,
                         const struct wn_key *keys, struct wn_dialect *d)
{
    static const struct {
        const char *key;
        unsigned kinds; /* bits of enum wn_role */
    } needs[] = {
        {"charge", 1u << WN_ROLE_TESTER | 1u << WN_ROLE_SUPPLY},
        {"discharge", 1u << WN_ROLE_TESTER | 1u << WN_ROLE_LOAD},
        {"on", ~(1u << WN_ROLE_THERMOMETER)},
        {"off", ~(1u << WN_ROLE_THERMOMETER)},
        {"output", ~(1u << WN_ROLE_THERMOMETER)},
        {"current_sign", ~(1u << WN_ROLE_THERMOMETER | 1u << WN_ROLE_RELAY)},
    };
    for (size_t i = 0; i < sizeof needs / sizeof needs[0]; i++) {
        if ((needs[i].kinds & 1u << d->kind) != 0) {
            wn_reader_need(r, root, keys, needs[i].key);
        }
    }
    d->current_sign = d->current_sign == 0 ? 1 : d->current_sign;
    d->parity = d->parity == 0 ? 'N' : d->parity;
    d->stop_bits = d->stop_bits == 0 ? 1 : d->stop_bits;
}

static void check_dialect(struct wn_reader *r, const config_setting_t *root,
                          const struct wn_dialect *d)
{
    struct wn_error err;
    int before = r->problems->n;
    size_t n = strlen(d->terminator);
    const config_setting_t *reading = wn_reader_at(root, "read");
    check_fields(r, d->reads == 1 ? wn_reader_at(reading, "fields") : reading, d);
    if (strcmp(d->terminator, "\n") != 0 && strcmp(d->terminator, "\r\n") != 0 &&
        strcmp(d->terminator, "\r") != 0) {
        wn_reader_fail(r, wn_reader_at(root, "terminator"),
                       "must be \"\\n\", \"\\r\\n\" or \"\\r\"");
    } else if (wn_role_switches(d->kind) &&
               (d->safe_off_len < n ||
                strcmp(d->safe_off + d->safe_off_len - n, d->terminator) != 0)) {
        wn_reader_fail(r, wn_reader_at(root, "safe_off"),
                       "must end with the terminator, or the instrument waits for more");
    } else if (r->problems->n == before && wn_dialect_validate(d, &err) != WN_OK) {
        wn_problem_add(r->problems, "%s", err.text); /* names the file itself */
    }
}

static void read_lines(struct wn_reader *r, const config_setting_t *root, struct wn_dialect *d)
{
    wn_reader_group(r, root, dialect_keys, d);
    d->safe_off_len = strlen(d->safe_off);
    wn_dialect_complete(r, root, dialect_keys, d);
    if (wn_role_switches(d->kind)) {
        wn_reader_need(r, root, dialect_keys, "safe_off");
    }
    if (r->problems->n == r->problems_before) {
        check_dialect(r, root, d);
    }
}

/* Which keys there are depends on it: false when the word is none. */
static bool read_protocol(struct wn_reader *r, const config_setting_t *root, struct wn_dialect *d)
{
    static const struct wn_key row =
        WORD("protocol", false, wn_dialect, protocol, wn_protocol_words, "\"lines\"");
    const config_setting_t *s = config_setting_get_member(root, row.name);
    if (s != NULL) {
        wn_reader_value(r, s, &row, d);
    }
    return r->problems->n == r->problems_before;
}

int wn_config_parse_dialect(const char *text, size_t len, const char *file, const char *name,
                            struct wn_dialect *out, struct wn_problems *problems)
{
    struct wn_reader r;
    memset(out, 0, sizeof *out);
    wn_config_name(name, out->name, sizeof out->name);
    if (!wn_reader_open(&r, text, len, file, problems)) {
        return WN_ESYNTAX;
    }
    (void)snprintf(out->file, sizeof out->file, "%s", file);
    const config_setting_t *root = config_root_setting(&r.config);
    if (read_protocol(&r, root, out)) {
        switch (out->protocol) {
        case WN_PROTOCOL_LINES:
            read_lines(&r, root, out);
            break;
        case WN_PROTOCOL_MODBUS:
            wn_config_read_modbus(&r, root, out);
            break;
        case WN_PROTOCOL_RECORDS:
            wn_config_read_records(&r, root, out);
            break;
        }
    }
    return wn_reader_close(&r);
}

int wn_config_read_dialect(const char *conf_dir, const char *name, struct wn_dialect *out,
                           struct wn_problems *problems)
{
    char path[WN_PATH_SIZE];
    size_t len;
    memset(out, 0, sizeof *out);
    char *text =
        wn_config_load_named(conf_dir, "dialects", name, path, sizeof path, &len, problems);
    if (text == NULL) {
        return WN_ENOENT;
    }
    int rc = wn_config_parse_dialect(text, len, path, name, out, problems);
    free(text);
    return rc;
}

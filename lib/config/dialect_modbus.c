/* Configuration: a dialect's file for a MODBUS instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The registers come first, each under a name; whatever follows refers to these names. */
#include "config/dialect_keys.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"

enum { TEXT_REGISTERS_MAX = WN_MAP_TEXT_SIZE / 2 - 1 };

/* A register as the file has it. */
struct form {
    int function, address, type, write, word_order, byte_order, first_bit, bits, length, step;
    double scale, offset, tolerance, no_value;
    bool readback;
};

enum { NOT_SAID = -1 };

static const struct wn_key_word type_words[] = {
    {"bit", WN_MODBUS_BIT, 0},      {"u16", WN_MODBUS_U16, 0},
    {"i16", WN_MODBUS_I16, 0},      {"u32", WN_MODBUS_U32, 0},
    {"i32", WN_MODBUS_I32, 0},      {"f32", WN_MODBUS_F32, 0},
    {"text", WN_MODBUS_F32 + 1, 0}, {NULL, 0, 0}};

#define NUMBER(key, member, low, text)                                                             \
    {                                                                                              \
        .name = key, .kind = WN_KEY_NUMBER, MEMBER(form, member), .min = low, .max = 1e12,         \
        .example = text                                                                            \
    }

static const struct wn_key register_keys[] = {
    COUNT("function", true, form, function, 1, 4, "3"),
    COUNT("address", true, form, address, 0, 65535, "0"),
    WORD("type", false, form, type, type_words, "\"u16\""),
    COUNT("write_function", false, form, write, 5, 16, "16"),
    WORD("word_order", false, form, word_order, wn_order_words, "\"high first\""),
    WORD("byte_order", false, form, byte_order, wn_order_words, "\"high first\""),
    COUNT("first_bit", false, form, first_bit, 0, 31, "0"),
    COUNT("bits", false, form, bits, 1, 32, "1"),
    NUMBER("scale", scale, -1e12, "0.001"),
    NUMBER("offset", offset, -1e12, "0"),
    NUMBER("tolerance", tolerance, 0, "0.002"),
    NUMBER("no_value", no_value, -1e12, "0x8000"),
    {.name = "readback", .kind = WN_KEY_BOOL, MEMBER(form, readback), .example = "false"},
    COUNT("length", false, form, length, 1, TEXT_REGISTERS_MAX, "8"),
    COUNT("channel_step", false, form, step, 1, 10000, "1"),
    {.name = NULL}};

static bool is_group(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key)
{
    bool good = config_setting_is_group(s) != 0;
    if (!good) {
        wn_reader_fail(r, s, "must be a group; write %s = %s;", key->name, key->example);
    }
    return good;
}

static bool is_wide(enum wn_modbus_type t)
{
    return t == WN_MODBUS_U32 || t == WN_MODBUS_I32 || t == WN_MODBUS_F32;
}

/* What writes it when the file does not say so. */
static int usual_write(const struct wn_map_register *g)
{
    if (g->value.function == WN_MODBUS_READ_COILS) {
        return WN_MODBUS_WRITE_COIL;
    }
    if (g->value.function != WN_MODBUS_READ_HOLDING || g->text_length > 0) {
        return 0;
    }
    return is_wide(g->value.type) ? WN_MODBUS_WRITE_REGISTERS : WN_MODBUS_WRITE_REGISTER;
}

/* Manuals give it as a pattern of bits (0x8000); the number of a signed type is another one. */
static double no_value_of(const struct wn_modbus_value *v, double pattern)
{
    double range = v->type == WN_MODBUS_I16 ? 65536.0 : 4294967296.0;
    bool is_signed = v->type == WN_MODBUS_I16 || v->type == WN_MODBUS_I32;
    return is_signed && pattern >= range / 2 ? pattern - range : pattern;
}

static void take_form(const struct form *f, struct wn_map_register *g)
{
    bool bits = f->function <= WN_MODBUS_READ_INPUTS, text = f->type == WN_MODBUS_F32 + 1;
    enum wn_modbus_type type = f->type == NOT_SAID ? (bits ? WN_MODBUS_BIT : WN_MODBUS_U16)
                               : text              ? WN_MODBUS_U16
                                                   : (enum wn_modbus_type)f->type;
    wn_modbus_value_init(&g->value, (enum wn_modbus_function)f->function, (uint16_t)f->address,
                         type);
    g->value.low_word_first = f->word_order == 1;
    g->value.low_byte_first = f->byte_order == 1;
    g->value.first_bit = (uint8_t)f->first_bit;
    g->value.bits = (uint8_t)f->bits;
    g->value.scale = f->scale;
    g->value.offset = f->offset;
    g->text_length = (uint16_t)(text ? f->length : 0);
    g->channel_step = (uint16_t)f->step;
    g->write = (enum wn_modbus_function)(f->write == NOT_SAID ? usual_write(g) : f->write);
    g->no_readback = !f->readback;
    g->tolerance = f->tolerance;
    g->has_no_value = isfinite(f->no_value);
    g->no_value = g->has_no_value ? no_value_of(&g->value, f->no_value) : 0;
}

static void read_register(struct wn_reader *r, const config_setting_t *s, const struct form *usual,
                          struct wn_map_register *g)
{
    struct form f = *usual;
    struct wn_error err;
    const char *name = config_setting_name(s);
    int before = r->problems->n;
    (void)snprintf(g->name, sizeof g->name, "%s", name);
    wn_reader_group(r, s, register_keys, &f);
    if (r->problems->n != before) {
        return;
    }
    bool text = f.type == WN_MODBUS_F32 + 1;
    if (strlen(name) >= sizeof g->name) {
        wn_reader_fail(r, s, "its name is longer than %zu characters", sizeof g->name - 1);
    } else if (text != (f.length > 0)) {
        wn_reader_fail(r, s,
                       text ? "length is missing: how many registers has the text?"
                            : "length belongs to a text; remove it, or write type = \"text\";");
    } else if (f.bits == 0 && f.first_bit > 0) {
        wn_reader_fail(r, s, "bits is missing: how many are there from first_bit on?");
    } else {
        take_form(&f, g);
        if (wn_map_check_register(g, &err) != WN_OK) {
            wn_reader_fail(r, s, "%s", err.text);
        }
    }
}

/* word_order and byte_order of the file hold for every register that says nothing else. */
static void read_registers(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                           void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    struct form usual = {
        .type = NOT_SAID, .write = NOT_SAID, .scale = 1, .no_value = NAN, .readback = true};
    const config_setting_t *root = config_setting_parent(s);
    static const struct wn_key orders[] = {
        WORD("word_order", false, form, word_order, wn_order_words, "\"high first\""),
        WORD("byte_order", false, form, byte_order, wn_order_words, "\"high first\"")};
    for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++) {
        const config_setting_t *order = config_setting_get_member(root, orders[i].name);
        if (order != NULL) {
            wn_reader_value(r, order, &orders[i], &usual);
        }
    }
    if (!is_group(r, s, key)) {
        return;
    }
    int n = config_setting_length(s);
    if (n == 0 || n > WN_MAP_REGISTERS_MAX) {
        wn_reader_fail(r, s, "has %d registers; 1 to %d are possible", n, WN_MAP_REGISTERS_MAX);
        return;
    }
    for (m->regs = 0; m->regs < n; m->regs++) {
        read_register(r, config_setting_get_elem(s, (unsigned)m->regs), &usual, &m->reg[m->regs]);
    }
}

/* A name out of registers; false with a problem. */
static bool find(struct wn_reader *r, const config_setting_t *at, const struct wn_modbus_map *m,
                 const char *name, int *reg)
{
    const char *near = NULL;
    int best = 3; /* edits: more is another word */
    *reg = name != NULL ? wn_map_find(m, name) : -1;
    if (*reg >= 0) {
        return true;
    }
    for (int i = 0; name != NULL && i < m->regs; i++) {
        int d = wn_word_distance(name, m->reg[i].name);
        near = d < best ? m->reg[i].name : near;
        best = d < best ? d : best;
    }
    wn_reader_fail(r, at, "\"%.60s\" is no name out of registers%s%s%s",
                   name != NULL ? name : "(no text)", near != NULL ? "; did you mean " : "",
                   near != NULL ? near : ": add it there", near != NULL ? "?" : "");
    return false;
}

static bool get_number(struct wn_reader *r, const config_setting_t *s, double *number)
{
    const struct wn_key row = {.name = config_setting_name(s),
                               .kind = WN_KEY_NUMBER,
                               .min = -1e12,
                               .max = 1e12,
                               .example = "0"};
    int before = r->problems->n;
    wn_reader_value(r, s, &row, number);
    return r->problems->n == before;
}

/* { register = value; ... }, in the order in which it is written. */
static void read_writes(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    int n = is_group(r, s, key) ? config_setting_length(s) : -1;
    enum wn_map_when when = WN_MAP_SETUP;
    while (strcmp(wn_map_when_name(when), key->name) != 0) {
        when++;
    }
    struct wn_map_sequence *q = &m->when[when];
    if (n == 0 || n > WN_MAP_WRITES_MAX) {
        wn_reader_fail(r, s, "writes %d registers; 1 to %d are possible", n, WN_MAP_WRITES_MAX);
        return;
    }
    for (int i = 0; i < n; i++) {
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)i);
        const char *value = config_setting_get_string(at);
        struct wn_map_write *w = &q->write[q->writes];
        struct wn_error err;
        bool good = find(r, at, m, config_setting_name(at), &w->reg) &&
                    (value != NULL || get_number(r, at, &w->number));
        (void)snprintf(w->value, sizeof w->value, "%s", value != NULL ? value : "");
        if (good && wn_map_check_write(m, when, w, &err) != WN_OK) {
            wn_reader_fail(r, at, "%s", err.text);
            good = false;
        }
        q->writes += good;
    }
}

static void read_identity(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    int n = is_group(r, s, key) ? config_setting_length(s) : -1;
    if (n == 0 || n > WN_MAP_IDENTITY_MAX) {
        wn_reader_fail(r, s, "has %d registers; 1 to %d are possible", n, WN_MAP_IDENTITY_MAX);
        return;
    }
    for (int i = 0; i < n; i++) {
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)i);
        struct wn_map_identity *id = &m->identity[m->identities];
        const char *text = config_setting_get_string(at);
        id->any = text != NULL && strcmp(text, "any") == 0;
        if (!find(r, at, m, config_setting_name(at), &id->reg)) {
            continue;
        }
        bool is_text = m->reg[id->reg].text_length > 0;
        if (!id->any && is_text && (text == NULL || strlen(text) >= sizeof id->text)) {
            wn_reader_fail(r, at, "write how the text begins, or \"any\"");
        } else if (!id->any && !is_text && text != NULL) {
            wn_reader_fail(r, at, "write the number it must hold, or \"any\"");
        } else if (!id->any && !is_text && !get_number(r, at, &id->number)) {
            continue;
        }
        (void)snprintf(id->text, sizeof id->text, "%s", is_text && !id->any ? text : "");
        m->identities++;
    }
}

/* { field = "register"; ... } */
static void read_fields(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    int n = is_group(r, s, key) ? config_setting_length(s) : 0;
    for (int i = 0; i < n; i++) {
        const config_setting_t *at = config_setting_get_elem(s, (unsigned)i);
        const char *name = config_setting_name(at), *near = wn_nearest_word(wn_field_words, name);
        const struct wn_key_word *w = wn_field_words + 1; /* behind "ignore" */
        int reg;
        while (w->word != NULL && strcmp(w->word, name) != 0) {
            w++;
        }
        if (w->word == NULL) {
            wn_reader_fail(r, at, "is no value of a reading; %s%s%s",
                           near != NULL ? "did you mean " : "there are time_s, voltage_v, ",
                           near != NULL ? near : "current_a, temperature_c, ambient_c, output",
                           near != NULL ? "?" : "");
        } else if (find(r, at, m, config_setting_get_string(at), &reg)) {
            m->has_field[(int)w->value] = true;
            m->field[(int)w->value] = reg;
            if (m->reg[reg].text_length > 0) {
                wn_reader_fail(r, at, "\"%s\" is a text, not a number", m->reg[reg].name);
            }
        }
    }
}

struct single {
    char name[WN_MAP_NAME_SIZE];
    double off, mask;
};
static const struct wn_key output_keys[] = {TEXT("register", true, single, name, "\"output\""),
                                            {.name = "off",
                                             .kind = WN_KEY_NUMBER,
                                             .required = true,
                                             MEMBER(single, off),
                                             .min = -1e12,
                                             .max = 1e12,
                                             .example = "0"},
                                            {.name = NULL}};
static const struct wn_key fault_keys[] = {TEXT("register", true, single, name, "\"alarms\""),
                                           {.name = "mask",
                                            .kind = WN_KEY_NUMBER,
                                            MEMBER(single, mask),
                                            .min = 1,
                                            .max = 4294967295.0,
                                            .example = "0xFFFF"},
                                           {.name = NULL}};

static void read_output(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    struct single one = {.name = ""};
    struct wn_error err;
    (void)key;
    wn_reader_group(r, s, output_keys, &one);
    m->has_output = one.name[0] != '\0' && find(r, s, m, one.name, &m->output);
    m->output_off = one.off;
    if (m->has_output && wn_map_check_output(m, &err) != WN_OK) {
        wn_reader_fail(r, s, "%s", err.text);
    }
    m->output = m->has_output ? m->output : 0;
}

static void read_fault(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    struct wn_modbus_map *m = &((struct wn_dialect *)target)->modbus;
    struct single one = {.name = "", .mask = 4294967295.0};
    (void)key;
    wn_reader_group(r, s, fault_keys, &one);
    m->has_fault = one.name[0] != '\0' && find(r, s, m, one.name, &m->fault);
    m->fault_mask = (uint32_t)one.mask;
    if (m->has_fault &&
        (m->reg[m->fault].text_length > 0 || fabs(m->reg[m->fault].value.scale - 1) > 0)) {
        wn_reader_fail(r, s, "\"%s\" must be a plain number, without scale", one.name);
    }
    m->fault = m->has_fault ? m->fault : 0;
}

/* With the registers. */
static void read_later(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    (void)r;
    (void)s;
    (void)key;
    (void)target;
}

/* registers stand before what refers to them. */
static const struct wn_key modbus_keys[] = {
    DIALECT_COMMON_KEYS(true),
    {.name = "unit",
     .kind = WN_KEY_COUNT8,
     .required = true,
     .offset = offsetof(struct wn_dialect, modbus) + offsetof(struct wn_modbus_map, unit),
     .min = 1,
     .max = 247,
     .example = "1"},
    {.name = "read_gap",
     .kind = WN_KEY_COUNT,
     .offset = offsetof(struct wn_dialect, modbus) + offsetof(struct wn_modbus_map, gap_max),
     .min = 0,
     .max = 100,
     .example = "0"},
    OTHER("word_order", false, read_later, "\"high first\""),
    OTHER("byte_order", false, read_later, "\"high first\""),
    OTHER("registers", true, read_registers,
          "{ voltage = { function = 4; address = 0; scale = 0.001; }; ... }"),
    OTHER("identity", true, read_identity, "{ model = 1234; serial_number = \"any\"; }"),
    OTHER("setup", false, read_writes, "{ voltage_max = \"voltage_high_v\"; }"),
    OTHER("charge", false, read_writes, "{ mode = 0; current = \"current_a\"; }"),
    OTHER("discharge", false, read_writes, "{ mode = 1; current = \"current_a\"; }"),
    OTHER("power", false, read_writes, "{ mode = 2; power = \"power_w\"; }"),
    OTHER("on", false, read_writes, "{ output = 1; }"),
    OTHER("off", false, read_writes, "{ output = 0; }"),
    OTHER("before_read", false, read_writes, "{ interval = \"interval_s\"; }"),
    OTHER("output", false, read_output, "{ register = \"output\"; off = 0; }"),
    OTHER("read", true, read_fields, "{ voltage_v = \"voltage\"; current_a = \"current\"; }"),
    OTHER("fault", false, read_fault, "{ register = \"alarms\"; }"),
    {.name = NULL}};

void wn_config_read_modbus(struct wn_reader *r, const config_setting_t *root, struct wn_dialect *d)
{
    struct wn_error err;
    d->overload = 9.9e37; /* a single that is no number or beyond this is no value */
    wn_reader_group(r, root, modbus_keys, d);
    wn_dialect_complete(r, root, modbus_keys, d);
    if (r->problems->n != r->problems_before) {
        return;
    }
    if (wn_map_prepare(d, &err) != WN_OK) {
        wn_problem_add(r->problems, "%s: %s", r->file, err.text);
    } else if (wn_dialect_validate(d, &err) != WN_OK) {
        wn_problem_add(r->problems, "%s", err.text); /* names the file itself */
    }
}

/* Register maps: is what was read from a file possible, and in which reads is it asked for?
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/modbus_map.h"

#include <math.h>
#include <string.h>

#include "base/assert.h"
#include "instrument/dialect.h"
#include "instrument/exchange.h"

static const struct {
    const char *name, *values;
    bool proven; /* what is set must be read back, and how exactly */
} whens[WN_MAP_WHENS] = {
    [WN_MAP_SETUP] = {"setup", WN_PROTECTION_VALUES, false},
    [WN_MAP_CHARGE] = {"charge", WN_CURRENT_VALUES, true},
    [WN_MAP_DISCHARGE] = {"discharge", WN_CURRENT_VALUES, true},
    [WN_MAP_POWER] = {"power", WN_POWER_VALUES, true},
    [WN_MAP_ON] = {"on", "", false},
    [WN_MAP_OFF] = {"off", "", false},
    [WN_MAP_BEFORE_READ] = {"before_read", WN_READ_VALUES, false},
};

const char *wn_map_when_name(enum wn_map_when when)
{
    return whens[when].name;
}

int wn_map_find(const struct wn_modbus_map *m, const char *name)
{
    for (int i = 0; i < m->regs; i++) {
        if (strcmp(m->reg[i].name, name) == 0) {
            return i;
        }
    }
    return -1;
}

static bool can_write(const struct wn_map_register *r)
{
    switch (r->write) {
    case WN_MODBUS_WRITE_COIL:
    case WN_MODBUS_WRITE_COILS:
        return r->value.function == WN_MODBUS_READ_COILS;
    case WN_MODBUS_WRITE_REGISTER:
        return r->value.function == WN_MODBUS_READ_HOLDING && wn_modbus_value_width(&r->value) == 1;
    case WN_MODBUS_WRITE_REGISTERS:
        return r->value.function == WN_MODBUS_READ_HOLDING;
    case WN_MODBUS_READ_COILS:
    case WN_MODBUS_READ_INPUTS:
    case WN_MODBUS_READ_HOLDING:
    case WN_MODBUS_READ_INPUT_REGISTERS:
        break;
    }
    return r->write == 0;
}

int wn_map_check_register(const struct wn_map_register *r, struct wn_error *err)
{
    int rc = wn_modbus_value_check(&r->value, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (!can_write(r)) {
        return wn_error_set(err, WN_EINVAL,
                            "function %d does not write what function %d reads: coils (1) are "
                            "written by 5 or 15, holding registers (3) by 6 (one) or 16 (any)",
                            (int)r->write, (int)r->value.function);
    }
    if (r->text_length > 0 && (r->value.type != WN_MODBUS_U16 || r->write != 0 ||
                               2 * r->text_length >= WN_MAP_TEXT_SIZE)) {
        return wn_error_set(err, WN_EINVAL, "a text stands in 1 to %d registers that are only read",
                            WN_MAP_TEXT_SIZE / 2 - 1);
    }
    if (!(r->tolerance >= 0) || !isfinite(r->tolerance)) {
        return wn_error_set(err, WN_EINVAL, "tolerance must not be negative");
    }
    return WN_OK;
}

/* A part of a register is written by reading the whole first. */
static bool part_refused(enum wn_map_when when, const struct wn_map_register *r,
                         struct wn_error *err)
{
    const char *why = when == WN_MAP_OFF
                          ? "the guard writes off without reading it first; write the whole "
                            "register, under a name of its own"
                      : when == WN_MAP_BEFORE_READ
                          ? "what the instrument changes of the rest meanwhile (an output that it "
                            "has just switched off) would be undone; write the whole register"
                      : r->no_readback ? "it is always read back; remove readback = false"
                                       : NULL;
    if (why != NULL) {
        (void)wn_error_set(err, WN_EINVAL, "%s is a part of a register: %s", r->name, why);
    }
    return why != NULL;
}

int wn_map_check_write(const struct wn_modbus_map *m, enum wn_map_when when,
                       const struct wn_map_write *w, struct wn_error *err)
{
    const struct wn_map_register *r = &m->reg[w->reg];
    const char *values = whens[when].values;
    bool varies = w->value[0] != '\0';
    if (r->write == 0) {
        return wn_error_set(err, WN_EINVAL, "%s is only read: functions 2 and 4 have no writing",
                            r->name);
    }
    if (r->value.bits > 0 && part_refused(when, r, err)) {
        return WN_EINVAL;
    }
    if (varies && !wn_value_listed(values, w->value, strlen(w->value))) {
        return wn_error_set(err, WN_EINVAL,
                            "\"%s\" is not one of the values for it (%s); or write a number",
                            w->value, values[0] != '\0' ? values : "it takes numbers only");
    }
    if (varies && whens[when].proven && (r->no_readback || !(r->tolerance > 0))) {
        return wn_error_set(err, WN_EINVAL,
                            "%s: a garbled set-point must never drive a cell: %s needs a tolerance "
                            "above zero, and no readback = false",
                            w->value, r->name);
    }
    uint16_t registers[2] = {0, 0};
    struct wn_modbus_request q;
    return varies ? WN_OK : wn_map_write(m, w, w->number, registers, &q, err);
}

int wn_map_check_output(const struct wn_modbus_map *m, struct wn_error *err)
{
    const struct wn_map_register *r = &m->reg[m->output];
    uint16_t registers[2] = {0, 0};
    if (r->value.bits > 0 || r->text_length > 0) {
        return wn_error_set(err, WN_EINVAL,
                            "the guard compares whole replies: %s must be a coil or a whole "
                            "register (often the one that off writes can be read), not a part of "
                            "one, nor a text",
                            r->name);
    }
    return wn_modbus_value_write(&r->value, m->output_off, registers, NULL, err);
}

static size_t bytes_of(const struct wn_modbus_span *s)
{
    bool bits = s->function == WN_MODBUS_READ_COILS || s->function == WN_MODBUS_READ_INPUTS;
    return bits ? ((size_t)s->count + 7) / 8 : 2 * (size_t)s->count;
}

/* Could a late answer to one be taken for an answer to the other? */
static bool alike(const struct wn_modbus_span *a, const struct wn_modbus_span *b)
{
    return a->function == b->function && bytes_of(a) == bytes_of(b);
}

static bool alike_any(const struct wn_modbus_span *probe, const struct wn_modbus_span *list,
                      size_t n)
{
    for (size_t i = 0; i < n; i++) {
        if (alike(probe, &list[i])) {
            return true;
        }
    }
    return false;
}

static struct wn_modbus_span span_of(const struct wn_map_register *r)
{
    return (struct wn_modbus_span){r->value.function, r->value.address,
                                   r->text_length > 0 ? r->text_length
                                                      : wn_modbus_value_width(&r->value)};
}

/* Is one of the registers of which a part is written read like that? */
static bool fetches_alike(const struct wn_modbus_map *m, const struct wn_map_sequence *q,
                          const struct wn_modbus_span *probe)
{
    bool found = false;
    for (int i = 0; i < q->writes; i++) {
        const struct wn_map_register *r = &m->reg[q->write[i].reg];
        const struct wn_modbus_span fetch = span_of(r);
        found = found || (r->value.bits > 0 && alike(probe, &fetch));
    }
    return found;
}

/* Does it look like no other read there is? */
static bool is_probe(const struct wn_modbus_map *m, const struct wn_modbus_span *probe)
{
    const struct wn_modbus_span single[] = {span_of(&m->reg[m->output]),
                                            span_of(&m->reg[m->fault])};
    bool found = alike_any(probe, m->read_span, m->read_spans) ||
                 (m->has_output && alike_any(probe, &single[0], 1)) ||
                 (m->has_fault && alike_any(probe, &single[1], 1));
    for (int w = 0; w < WN_MAP_WHENS; w++) {
        found = found || alike_any(probe, m->when[w].back, m->when[w].backs) ||
                fetches_alike(m, &m->when[w], probe);
    }
    for (size_t i = 0; i < m->identity_spans; i++) { /* one of these it may be itself */
        const struct wn_modbus_span *s = &m->identity_span[i];
        bool same = s->address == probe->address && s->count == probe->count;
        found = found || (alike(probe, s) && !same);
    }
    return !found;
}

/* Would a read begin or end inside one of the values? */
static bool cuts(const struct wn_modbus_map *m, const struct wn_modbus_span *s)
{
    for (int i = 0; i < m->regs; i++) {
        struct wn_modbus_span v = span_of(&m->reg[i]);
        unsigned v_end = (unsigned)v.address + v.count, s_end = (unsigned)s->address + s->count;
        bool touches = v.function == s->function && v.address < s_end && s->address < v_end;
        if (touches && (v.address < s->address || v_end > s_end)) {
            return true;
        }
    }
    return false;
}

/* A part of one of these that can be asked for so that the answer is like no other, the longest
 * first: it tells that everything asked before is behind us. */
static bool choose_among(struct wn_modbus_map *m, const struct wn_modbus_span *spans, size_t n)
{
    for (size_t i = 0; i < n; i++) {
        const struct wn_modbus_span *whole = &spans[i];
        for (uint16_t count = whole->count; count > 0; count--) {
            for (uint16_t from = 0; from + count <= whole->count; from++) {
                m->probe = (struct wn_modbus_span){whole->function,
                                                   (uint16_t)(whole->address + from), count};
                if (!cuts(m, &m->probe) && is_probe(m, &m->probe)) {
                    return true;
                }
            }
        }
    }
    return false;
}

/* Of the identity, or else of whatever has a name and may be read. */
static int choose_probe(struct wn_modbus_map *m, struct wn_error *err)
{
    struct wn_modbus_value v[WN_MAP_REGISTERS_MAX];
    struct wn_modbus_span named[WN_MAP_REGISTERS_MAX];
    size_t n = 0, spans = 0;
    for (int i = 0; i < m->regs; i++) {
        if (!m->reg[i].no_readback && m->reg[i].text_length == 0) {
            v[n++] = m->reg[i].value;
        }
    }
    if (choose_among(m, m->identity_span, m->identity_spans) ||
        (wn_modbus_group(v, n, 0, named, WN_MAP_REGISTERS_MAX, &spans, err) == WN_OK &&
         choose_among(m, named, spans))) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EINVAL,
                        "identity: each of its reads looks like another read of this file (same "
                        "function, same length), so that a late answer could be taken for another: "
                        "add a register to identity that stands beside the others (\"any\" will do "
                        "as its value), or give a further register beside others a name");
}

static int group(const struct wn_modbus_map *m, const struct wn_modbus_value *v, size_t n,
                 struct wn_modbus_span *spans, size_t *count, struct wn_error *err)
{
    return wn_modbus_group(v, n, (uint16_t)m->gap_max, spans, WN_MAP_SPANS_MAX, count, err);
}

static int plan_read_back(struct wn_modbus_map *m, struct wn_map_sequence *q, bool parts_only,
                          struct wn_error *err)
{
    struct wn_modbus_value v[WN_MAP_WRITES_MAX];
    size_t n = 0;
    for (int i = 0; i < q->writes; i++) {
        const struct wn_map_register *r = &m->reg[q->write[i].reg];
        if (!r->no_readback && (r->value.bits > 0 || !parts_only)) {
            v[n++] = r->value;
        }
    }
    return group(m, v, n, q->back, &q->backs, err);
}

static int plan_reading(struct wn_modbus_map *m, struct wn_error *err)
{
    struct wn_modbus_value v[WN_MAP_FIELDS];
    size_t n = 0;
    for (int f = 0; f < WN_MAP_FIELDS; f++) {
        if (m->has_field[f]) {
            v[n++] = m->reg[m->field[f]].value;
        }
    }
    return group(m, v, n, m->read_span, &m->read_spans, err);
}

static int plan_identity(struct wn_modbus_map *m, struct wn_error *err)
{
    struct wn_modbus_value v[WN_MAP_IDENTITY_MAX];
    size_t n = 0;
    for (int i = 0; i < m->identities; i++) {
        const struct wn_map_register *r = &m->reg[m->identity[i].reg];
        if (r->text_length == 0) {
            v[n++] = r->value;
        }
    }
    int rc = group(m, v, n, m->identity_span, &m->identity_spans, err);
    for (int i = 0; i < m->identities && rc == WN_OK; i++) {
        const struct wn_map_register *r = &m->reg[m->identity[i].reg];
        if (r->text_length > 0) { /* at most as many as there are identities: it fits */
            m->identity_span[m->identity_spans++] = span_of(r);
        }
    }
    return rc;
}

/* Off, written out for the guard. */
static int plan_safe_off(struct wn_dialect *d, struct wn_error *err)
{
    const struct wn_map_sequence *q = &d->modbus.when[WN_MAP_OFF];
    d->safe_off_len = 0;
    for (int i = 0; i < q->writes; i++) {
        uint8_t frame[WN_MODBUS_FRAME_MAX];
        uint16_t values[2];
        struct wn_modbus_request r;
        size_t len = 0;
        int rc = wn_map_write(&d->modbus, &q->write[i], q->write[i].number, values, &r, err);
        rc = rc == WN_OK ? wn_modbus_encode(&r, frame, sizeof frame, &len, err) : rc;
        if (rc != WN_OK) {
            return rc;
        }
        wn_assert(d->safe_off_len + 1 + len <= sizeof d->safe_off); /* 12 of at most 13 bytes */
        d->safe_off[d->safe_off_len] = (char)len;
        memcpy(d->safe_off + d->safe_off_len + 1, frame, len);
        d->safe_off_len += 1 + len;
    }
    return WN_OK;
}

int wn_map_prepare(struct wn_dialect *d, struct wn_error *err)
{
    struct wn_modbus_map *m = &d->modbus;
    int rc = plan_identity(m, err);
    for (int w = 0; w < WN_MAP_WHENS && rc == WN_OK; w++) {
        bool proven = w == WN_MAP_SETUP || whens[w].proven;
        rc = plan_read_back(m, &m->when[w], !proven, err);
    }
    rc = rc == WN_OK ? plan_reading(m, err) : rc;
    rc = rc == WN_OK ? choose_probe(m, err) : rc;
    return rc == WN_OK ? plan_safe_off(d, err) : rc;
}

bool wn_map_probe_serves(const struct wn_modbus_map *probing, const struct wn_modbus_map *other)
{
    return is_probe(other, &probing->probe);
}

bool wn_map_writes_parts(const struct wn_modbus_map *m)
{
    bool found = false;
    for (int w = 0; w < WN_MAP_WHENS; w++) {
        for (int i = 0; i < m->when[w].writes; i++) {
            found = found || m->reg[m->when[w].write[i].reg].value.bits > 0;
        }
    }
    return found;
}

static bool overlap(const struct wn_map_register *a, const struct wn_map_register *b)
{
    const struct wn_modbus_span s = span_of(a), t = span_of(b);
    return s.function == t.function && s.address < t.address + t.count &&
           t.address < s.address + s.count;
}

static bool is_written(const struct wn_modbus_map *m, enum wn_map_when from, enum wn_map_when to,
                       const struct wn_map_register *r)
{
    bool found = false;
    for (enum wn_map_when w = from; w <= to; w++) {
        for (int i = 0; i < m->when[w].writes; i++) {
            found = found || overlap(&m->reg[m->when[w].write[i].reg], r);
        }
    }
    return found;
}

const char *wn_map_common(const struct wn_modbus_map *m, const struct wn_modbus_map *other)
{
    const struct wn_map_sequence *on = &m->when[WN_MAP_ON];
    const char *name = NULL;
    bool own = on->writes == 0; /* something that switches this one alone */
    for (int i = 0; i < on->writes; i++) {
        const struct wn_map_register *r = &m->reg[on->write[i].reg];
        own = own || !is_written(other, WN_MAP_ON, WN_MAP_ON, r);
        name = own ? NULL : r->name;
    }
    for (enum wn_map_when w = WN_MAP_CHARGE; w <= WN_MAP_POWER; w++) {
        for (int i = 0; i < m->when[w].writes; i++) {
            const struct wn_map_register *r = &m->reg[m->when[w].write[i].reg];
            name = is_written(other, WN_MAP_CHARGE, WN_MAP_POWER, r) ? r->name : name;
        }
    }
    return name;
}

/* The registers of one output of several; how many there are, or -1. */
static int shift(struct wn_modbus_map *m, int channel)
{
    int n = 0;
    for (int i = 0; i < m->regs && n >= 0; i++) {
        struct wn_map_register *r = &m->reg[i];
        int to = r->value.address + (channel > 0 ? channel - 1 : 0) * r->channel_step;
        int width = r->text_length > 0 ? r->text_length : wn_modbus_value_width(&r->value);
        n = to + width > 65536 ? -1 : n + (r->channel_step > 0);
        r->value.address = (uint16_t)to;
    }
    return n;
}

int wn_map_place(struct wn_dialect *d, int unit, int channel, struct wn_error *err)
{
    struct wn_modbus_map *m = &d->modbus;
    int shifted = shift(m, channel);
    if (unit < 0 || unit > 247) {
        return wn_error_set(err, WN_ERANGE, "%s: unit %d: the units are 1 to 247", d->file, unit);
    }
    if (shifted < 0) {
        return wn_error_set(err, WN_ERANGE, "%s: channel %d is beyond the last register", d->file,
                            channel);
    }
    if ((channel > 0) != (shifted > 0)) {
        return wn_error_set(err, WN_EINVAL,
                            channel > 0
                                ? "%s has no register with a channel_step: leave channel out; of "
                                  "several instruments on one line each has its unit"
                                : "%s needs the number of an output: write channel = 1",
                            d->file);
    }
    m->unit = unit > 0 ? (uint8_t)unit : m->unit;
    int rc = wn_map_prepare(d, err);
    return rc == WN_OK ? rc : wn_error_prefix(err, "%s", d->file);
}

static int missing(const struct wn_dialect *d, const char *what, struct wn_error *err)
{
    return wn_error_set(err, WN_EMISSING, "%s: %s is missing", d->file, what);
}

/* What an instrument of its kind cannot do without. */
static int check_kind(const struct wn_dialect *d, struct wn_error *err)
{
    const struct wn_modbus_map *m = &d->modbus;
    bool charges = wn_role_charges(d->kind), discharges = wn_role_discharges(d->kind);
    bool warm = m->has_field[WN_FIELD_TEMPERATURE_C] || m->has_field[WN_FIELD_AMBIENT_C];
    const struct {
        bool needed, there;
        const char *what;
    } rows[] = {
        {true, m->identities > 0, "identity"},
        {charges, m->when[WN_MAP_CHARGE].backs > 0, "charge, with something to read back,"},
        {discharges, m->when[WN_MAP_DISCHARGE].backs > 0,
         "discharge, with something to read back,"},
        {m->when[WN_MAP_POWER].writes > 0, m->when[WN_MAP_POWER].backs > 0,
         "something to read back in power"},
        {wn_role_switches(d->kind), m->when[WN_MAP_ON].writes > 0, "on"},
        {wn_role_switches(d->kind), m->when[WN_MAP_OFF].writes > 0 && d->safe_off_len > 0, "off"},
        {wn_role_switches(d->kind), m->has_output, "output"},
        {wn_role_sources(d->kind), m->has_field[WN_FIELD_VOLTAGE_V], "voltage_v of read"},
        {wn_role_sources(d->kind), m->has_field[WN_FIELD_CURRENT_A], "current_a of read"},
        {d->kind == WN_ROLE_RELAY, m->has_field[WN_FIELD_OUTPUT], "output of read"},
        {d->kind == WN_ROLE_THERMOMETER, warm, "temperature_c or ambient_c of read"},
        {d->has_clock, m->has_field[WN_FIELD_TIME_S], "time_s of read (has_clock is true)"},
    };
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (rows[i].needed && !rows[i].there) {
            return missing(d, rows[i].what, err);
        }
    }
    const char *odd =
        !charges && m->when[WN_MAP_CHARGE].writes > 0         ? "charge"
        : !discharges && m->when[WN_MAP_DISCHARGE].writes > 0 ? "discharge"
        : !discharges && m->when[WN_MAP_POWER].writes > 0     ? "power"
        : !wn_role_switches(d->kind) &&
                (m->has_output || m->when[WN_MAP_ON].writes + m->when[WN_MAP_OFF].writes > 0)
            ? "on, off and output"
            : NULL;
    return odd == NULL
               ? WN_OK
               : wn_error_set(err, WN_EINVAL, "%s: a %s has no %s: leave it out, or correct kind",
                              d->file, wn_role_name(d->kind), odd);
}

static bool in_map(const struct wn_modbus_map *m, int reg)
{
    return reg >= 0 && reg < m->regs;
}

/* May the rest be looked at? A map from a file of ours is within its bounds; one that something
 * else wrote over may not be. */
static bool within_bounds(const struct wn_modbus_map *m)
{
    bool good = m->unit >= 1 && m->unit <= 247 && m->gap_max >= 0 && m->gap_max <= 100 &&
                m->regs >= 1 && m->regs <= WN_MAP_REGISTERS_MAX && m->identities >= 0 &&
                m->identities <= WN_MAP_IDENTITY_MAX && in_map(m, m->output) &&
                in_map(m, m->fault) && m->read_spans <= WN_MAP_SPANS_MAX &&
                m->identity_spans <= WN_MAP_SPANS_MAX;
    for (int i = 0; good && i < m->identities; i++) {
        good = in_map(m, m->identity[i].reg);
    }
    for (int f = 0; good && f < WN_MAP_FIELDS; f++) {
        good = in_map(m, m->field[f]);
    }
    for (int w = 0; good && w < WN_MAP_WHENS; w++) {
        const struct wn_map_sequence *q = &m->when[w];
        good = q->writes >= 0 && q->writes <= WN_MAP_WRITES_MAX && q->backs <= WN_MAP_SPANS_MAX;
        for (int i = 0; good && i < q->writes; i++) {
            good = in_map(m, q->write[i].reg);
        }
    }
    return good;
}

bool wn_map_writes_over(const struct wn_modbus_map *m, const struct wn_map_write *later,
                        const struct wn_map_write *w)
{
    const struct wn_modbus_value *a = &m->reg[later->reg].value, *b = &m->reg[w->reg].value;
    unsigned a_end = (unsigned)a->address + wn_modbus_value_width(a),
             b_end = (unsigned)b->address + wn_modbus_value_width(b);
    bool touches = a->function == b->function && a->address < b_end && b->address < a_end;
    bool parts = a->bits > 0 && b->bits > 0 && a->address == b->address && a->type == b->type;
    bool apart = a->first_bit + a->bits <= b->first_bit || b->first_bit + b->bits <= a->first_bit;
    return touches && !(parts && apart);
}

/* A set-point that something behind it writes over is not what it was proven to be. */
static int check_order(const struct wn_modbus_map *m, enum wn_map_when when, struct wn_error *err)
{
    const struct wn_map_sequence *q = &m->when[when];
    for (int i = 0; i < q->writes; i++) {
        for (int k = i + 1; k < q->writes && q->write[i].value[0] != '\0'; k++) {
            if (wn_map_writes_over(m, &q->write[k], &q->write[i])) {
                return wn_error_set(err, WN_EINVAL,
                                    "%s: %s, which takes %s, is written over by %s behind it",
                                    whens[when].name, m->reg[q->write[i].reg].name,
                                    q->write[i].value, m->reg[q->write[k].reg].name);
            }
        }
    }
    return WN_OK;
}

int wn_map_validate(const struct wn_dialect *d, struct wn_error *err)
{
    const struct wn_modbus_map *m = &d->modbus;
    int rc = WN_OK;
    if (!within_bounds(m)) {
        return wn_error_set(err, WN_EINVAL, "%s: unit must be 1 to 247, and registers be there",
                            d->file);
    }
    for (int i = 0; i < m->regs && rc == WN_OK; i++) {
        rc = wn_map_check_register(&m->reg[i], err);
    }
    for (int w = 0; w < WN_MAP_WHENS && rc == WN_OK; w++) {
        for (int i = 0; i < m->when[w].writes && rc == WN_OK; i++) {
            rc = wn_map_check_write(m, (enum wn_map_when)w, &m->when[w].write[i], err);
        }
    }
    for (int w = 0; w < WN_MAP_WHENS && rc == WN_OK; w++) {
        rc = check_order(m, (enum wn_map_when)w, err);
    }
    rc = rc == WN_OK && m->has_output ? wn_map_check_output(m, err) : rc;
    return rc != WN_OK ? wn_error_prefix(err, "%s", d->file) : check_kind(d, err);
}

/* MODBUS: the steps of each request, and what the replies to them mean.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/exchange.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

enum { IDENTITY_TRIES = 6 }; /* for two equal ones in a row */

static bool has_phase(enum wn_request request, enum wn_phase phase)
{
    bool sets = request == WN_REQUEST_SETUP || request == WN_REQUEST_CHARGE ||
                request == WN_REQUEST_DISCHARGE || request == WN_REQUEST_POWER;
    bool switches = request == WN_REQUEST_ON || request == WN_REQUEST_OFF;
    switch (phase) {
    case WN_PHASE_COMMANDS:
        return request != WN_REQUEST_IDENTIFY;
    case WN_PHASE_ERROR:
        return sets || request == WN_REQUEST_ON;
    case WN_PHASE_READBACK:
        return sets || request == WN_REQUEST_ON;
    case WN_PHASE_OUTPUT:
        return switches;
    case WN_PHASE_IDENTITY:
        return request == WN_REQUEST_IDENTIFY;
    case WN_PHASE_READ:
        return request == WN_REQUEST_READ;
    case WN_PHASE_DRAIN:
    case WN_PHASE_END:
        break;
    }
    return false;
}

static const struct wn_map_sequence *sequence_of(const struct wn_session *s)
{
    enum wn_map_when when = WN_MAP_SETUP;
    switch (s->request) {
    case WN_REQUEST_CHARGE:
        when = WN_MAP_CHARGE;
        break;
    case WN_REQUEST_DISCHARGE:
        when = WN_MAP_DISCHARGE;
        break;
    case WN_REQUEST_POWER:
        when = WN_MAP_POWER;
        break;
    case WN_REQUEST_ON:
        when = WN_MAP_ON;
        break;
    case WN_REQUEST_OFF:
        when = WN_MAP_OFF;
        break;
    case WN_REQUEST_READ:
        when = WN_MAP_BEFORE_READ;
        break;
    case WN_REQUEST_SETUP:
    case WN_REQUEST_IDENTIFY:
    case WN_REQUEST_NONE:
        break;
    }
    return &s->dialect->modbus.when[when];
}

/* Of a register of which a part is written the whole is read first; what was read serves one write,
 * so that one which is asked again is preceded by a read again. */
static bool step_fetch(struct wn_session *s, const struct wn_map_write *w)
{
    struct wn_modbus_talk *t = &s->modbus;
    const struct wn_modbus_value *v = &s->dialect->modbus.reg[w->reg].value;
    bool fetched = t->fetched;
    t->fetched = false;
    t->fetching = v->bits > 0 && !fetched;
    if (t->fetching) {
        t->span = (struct wn_modbus_span){v->function, v->address, wn_modbus_value_width(v)};
        t->write = -1;
        t->ask = wn_map_read(&s->dialect->modbus, &t->span);
    } else {
        memcpy(t->values, t->old, sizeof t->values);
    }
    return t->fetching;
}

/* The next write of the sequence; before a reading only what is not there already. */
static int step_write(struct wn_session *s, bool *more, struct wn_error *err)
{
    struct wn_modbus_talk *t = &s->modbus;
    const struct wn_map_sequence *q = sequence_of(s);
    for (; s->index < q->writes; s->index++) {
        double number;
        int rc = wn_map_number(&q->write[s->index], &s->setpoints, &number, err);
        bool there = rc == WN_OK && s->request == WN_REQUEST_READ &&
                     fabs(t->written[s->index] - number) <= 0;
        if (there) {
            continue;
        }
        *more = true;
        if (rc == WN_OK && step_fetch(s, &q->write[s->index])) {
            return WN_OK;
        }
        t->write = s->index;
        t->written[s->index] = s->request == WN_REQUEST_READ ? NAN : t->written[s->index];
        return rc != WN_OK ? rc
                           : wn_map_write(&s->dialect->modbus, &q->write[s->index], number,
                                          t->values, &t->ask, err);
    }
    return WN_OK;
}

/* The read of the present phase and index. */
static bool step_read(struct wn_session *s, struct wn_modbus_span *span)
{
    const struct wn_modbus_map *m = &s->dialect->modbus;
    const struct wn_map_sequence *q = sequence_of(s);
    size_t i = (size_t)s->index;
    bool has_single = (s->phase == WN_PHASE_OUTPUT ? m->has_output : m->has_fault) && i == 0;
    const struct wn_modbus_value *v =
        &m->reg[s->phase == WN_PHASE_OUTPUT ? m->output : m->fault].value;
    switch ((enum wn_phase)s->phase) {
    case WN_PHASE_ERROR:
    case WN_PHASE_OUTPUT:
        *span = (struct wn_modbus_span){v->function, v->address, wn_modbus_value_width(v)};
        return has_single;
    case WN_PHASE_READBACK:
        *span = i < q->backs ? q->back[i] : *span;
        return i < q->backs;
    case WN_PHASE_IDENTITY:
        *span = i < m->identity_spans ? m->identity_span[i] : *span;
        return i < m->identity_spans;
    case WN_PHASE_READ:
        *span = i < m->read_spans ? m->read_span[i] : *span;
        return i < m->read_spans;
    case WN_PHASE_DRAIN:
    case WN_PHASE_COMMANDS:
    case WN_PHASE_END:
        break;
    }
    return false;
}

int wn_modbus_step(struct wn_session *s, bool *more, struct wn_error *err)
{
    struct wn_modbus_talk *t = &s->modbus;
    *more = t->fetching = false;
    for (; s->phase < WN_PHASE_END; s->phase++, s->index = 0) {
        if (!has_phase(s->request, (enum wn_phase)s->phase)) {
            continue;
        }
        if (s->phase == WN_PHASE_COMMANDS) {
            int rc = step_write(s, more, err);
            if (*more) {
                return rc;
            }
        } else if (step_read(s, &t->span)) {
            *more = true;
            t->write = -1;
            t->ask = wn_map_read(&s->dialect->modbus, &t->span);
            return WN_OK;
        }
    }
    return WN_OK;
}

void wn_modbus_advance(struct wn_session *s)
{
    if (s->phase != WN_PHASE_IDENTITY) { /* which begins anew when it differs */
        s->differs[0] = '\0';
    }
    s->index++;
}

/* Was the same said before? Then it is no accident. Remembers it. */
static bool repeated(struct wn_session *s, const char *text)
{
    bool same = s->differs[0] != '\0' && strncmp(s->differs, text, sizeof s->differs - 1) == 0;
    (void)snprintf(s->differs, sizeof s->differs, "%.127s", text);
    return same;
}

static enum wn_verdict differs(struct wn_session *s, const struct wn_error *err)
{
    return repeated(s, err->text) ? WN_VERDICT_FAILED : WN_VERDICT_BAD;
}

/* Reads a register; false with the reason when it cannot be, or holds no value. */
static bool value_of(const struct wn_session *s, const struct wn_map_register *r,
                     const struct wn_modbus_reply *reply, double *value, struct wn_error *err)
{
    bool has = false;
    if (wn_map_value(r, &s->modbus.span, reply, &has, value, err) != WN_OK) {
        return false;
    }
    if (!has) {
        (void)wn_error_set(err, WN_EFRAME, "%s holds no value", r->name);
    }
    return has;
}

/* By a later write of its sequence: a register, and then a part of it. */
static bool written_over(const struct wn_modbus_map *m, const struct wn_map_sequence *q, int i)
{
    bool over = false;
    for (int k = i + 1; k < q->writes; k++) {
        over = over || wn_map_writes_over(m, &q->write[k], &q->write[i]);
    }
    return over;
}

static enum wn_verdict judge_readback(struct wn_session *s, const struct wn_modbus_reply *reply,
                                      struct wn_error *err)
{
    const struct wn_modbus_map *m = &s->dialect->modbus;
    const struct wn_map_sequence *q = sequence_of(s);
    for (int i = 0; i < q->writes; i++) {
        const struct wn_map_write *w = &q->write[i];
        const struct wn_map_register *r = &m->reg[w->reg];
        char set[WN_NUM_SIZE], is[WN_NUM_SIZE];
        double want = NAN, got = NAN;
        bool whole_of_on = s->request == WN_REQUEST_ON && r->value.bits == 0;
        if (r->no_readback || whole_of_on || !wn_map_holds(&s->modbus.span, r) ||
            written_over(m, q, i)) {
            continue;
        }
        if (wn_map_number(w, &s->setpoints, &want, err) != WN_OK ||
            !value_of(s, r, reply, &got, err)) {
            return WN_VERDICT_BAD;
        }
        if (!(fabs(got - want) <= wn_map_tolerance(m, w, want))) {
            (void)wn_error_set(err, WN_EREADBACK, "%s was set to %s, but reads %s", r->name,
                               wn_num_format(want, 9, set, sizeof set),
                               wn_num_format(got, 9, is, sizeof is));
            return differs(s, err);
        }
    }
    return WN_VERDICT_GOOD;
}

static enum wn_verdict judge_fault(struct wn_session *s, const struct wn_modbus_reply *reply,
                                   struct wn_error *err)
{
    const struct wn_modbus_map *m = &s->dialect->modbus;
    const struct wn_map_register *r = &m->reg[m->fault];
    double value = NAN;
    if (!value_of(s, r, reply, &value, err)) {
        return WN_VERDICT_BAD;
    }
    if (value >= 0 && value <= (double)UINT32_MAX && ((uint32_t)value & m->fault_mask) == 0) {
        return WN_VERDICT_GOOD;
    }
    (void)wn_error_set(err, WN_EINSTRUMENT,
                       "the instrument reports %.0f in %s, of which %s allows only what is outside "
                       "the mask 0x%X: its manual tells what that means",
                       value, r->name, s->dialect->file, m->fault_mask);
    return differs(s, err);
}

static enum wn_verdict judge_output(struct wn_session *s, const struct wn_modbus_reply *reply,
                                    struct wn_error *err)
{
    const struct wn_modbus_map *m = &s->dialect->modbus;
    const struct wn_map_register *r = &m->reg[m->output];
    bool want_off = s->request == WN_REQUEST_OFF;
    double value = NAN;
    if (!value_of(s, r, reply, &value, err)) {
        return WN_VERDICT_BAD;
    }
    bool off = fabs(value - m->output_off) <= 0;
    if (off == want_off) {
        return WN_VERDICT_GOOD;
    }
    if (want_off && s->modbus.refusal.code != WN_OK) {
        *err = s->modbus.refusal;
    } else {
        (void)wn_error_set(err, WN_EREADBACK, "output was switched %s, but %s reads %g",
                           want_off ? "off" : "on", r->name, value);
    }
    /* never certain before the last attempt: off is sent again each time */
    return want_off ? WN_VERDICT_BAD : differs(s, err);
}

/* Adds what the reply tells of the identity to t->part; false: it is another instrument. */
static bool add_identity(struct wn_session *s, const struct wn_map_identity *id,
                         const struct wn_modbus_reply *reply, struct wn_error *err)
{
    struct wn_modbus_talk *t = &s->modbus;
    const struct wn_map_register *r = &s->dialect->modbus.reg[id->reg];
    char is[WN_MAP_TEXT_SIZE], want[WN_MAP_TEXT_SIZE];
    double value = NAN;
    bool right = true;
    if (r->text_length > 0) {
        wn_map_text(r, &t->span, reply, is);
        (void)snprintf(want, sizeof want, "'%.*s...'", WN_MAP_TEXT_SIZE - 6, id->text);
        right = strncmp(is, id->text, strlen(id->text)) == 0;
    } else {
        bool has = value_of(s, r, reply, &value, err);
        (void)wn_num_format(has ? value : NAN, 12, is, sizeof is);
        (void)wn_num_format(id->number, 12, want, sizeof want);
        right = has && fabs(value - id->number) <= 0;
    }
    size_t used = strlen(t->part);
    (void)snprintf(t->part + used, sizeof t->part - used, "%s%s %s", used > 0 ? ", " : "", r->name,
                   is);
    if (right || id->any) {
        return true;
    }
    (void)wn_error_set(
        err, WN_EIDENTITY,
        "%s is %s, not %s: another instrument, another unit or another port, nothing "
        "is switched on; `wane ports` shows the ports",
        r->name, is, want);
    return false;
}

static enum wn_verdict judge_identity(struct wn_session *s, const struct wn_modbus_reply *reply,
                                      struct wn_error *err)
{
    const struct wn_modbus_map *m = &s->dialect->modbus;
    struct wn_modbus_talk *t = &s->modbus;
    if (s->index == 0) {
        t->part[0] = '\0';
    }
    for (int i = 0; i < m->identities; i++) {
        if (wn_map_holds(&t->span, &m->reg[m->identity[i].reg]) &&
            !add_identity(s, &m->identity[i], reply, err)) {
            s->index = 0; /* from the first register on */
            return differs(s, err);
        }
    }
    if ((size_t)s->index + 1 < m->identity_spans) {
        return WN_VERDICT_GOOD;
    }
    s->index = 0;
    if (s->identity[0] != '\0' && strcmp(s->identity, t->part) != 0) {
        (void)wn_error_set(err, WN_EIDENTITY,
                           "it is '%.120s', but was '%.120s' before: who changed the instrument?",
                           t->part, s->identity);
        return differs(s, err);
    }
    if (s->identity[0] == '\0' && strcmp(t->before, t->part) != 0) {
        (void)snprintf(t->before, sizeof t->before, "%s", t->part);
        (void)wn_error_set(err, WN_EFRAME, "its identity is never the same twice: %.120s", t->part);
        return t->identity_rounds++ < IDENTITY_TRIES ? WN_VERDICT_SAME : WN_VERDICT_BAD;
    }
    (void)snprintf(s->identity, sizeof s->identity, "%s", t->part);
    s->index = (int)m->identity_spans;
    return WN_VERDICT_GOOD;
}

static enum wn_verdict judge_reading(struct wn_session *s, const struct wn_modbus_reply *reply,
                                     struct wn_error *err)
{
    if (s->index == 0) {
        memset(&s->part, 0, sizeof s->part);
    }
    if (wn_map_decode(s->dialect, &s->modbus.span, reply, &s->part, err) != WN_OK) {
        return WN_VERDICT_BAD;
    }
    if ((size_t)s->index + 1 < s->dialect->modbus.read_spans) {
        return WN_VERDICT_GOOD;
    }
    s->reading = s->part;
    s->reading.host_ns = s->modbus.heard_ns;
    if ((s->reading.has & WN_HAS_TIME) == 0) {
        s->reading.time_ns = s->modbus.heard_ns;
    }
    return WN_VERDICT_GOOD;
}

static enum wn_verdict take_fetched(struct wn_session *s, const struct wn_modbus_reply *reply)
{
    struct wn_modbus_talk *t = &s->modbus;
    for (uint16_t k = 0; k < t->span.count; k++) {
        t->old[k] = wn_modbus_register(reply, k);
    }
    t->fetched = true;
    return WN_VERDICT_SAME; /* and now the write */
}

enum wn_verdict wn_modbus_judge(struct wn_session *s, const struct wn_modbus_reply *reply,
                                struct wn_error *err)
{
    switch ((enum wn_phase)s->phase) {
    case WN_PHASE_COMMANDS:
        if (s->modbus.fetching) {
            return take_fetched(s, reply);
        }
        if (s->request == WN_REQUEST_READ) {
            (void)wn_map_number(&sequence_of(s)->write[s->modbus.write], &s->setpoints,
                                &s->modbus.written[s->modbus.write], err);
        }
        return WN_VERDICT_GOOD;
    case WN_PHASE_ERROR:
        return judge_fault(s, reply, err);
    case WN_PHASE_READBACK:
        return judge_readback(s, reply, err);
    case WN_PHASE_OUTPUT:
        return judge_output(s, reply, err);
    case WN_PHASE_IDENTITY:
        return judge_identity(s, reply, err);
    case WN_PHASE_READ:
        return judge_reading(s, reply, err);
    case WN_PHASE_DRAIN:
    case WN_PHASE_END:
        break;
    }
    wn_assert(false && "a reply belongs to a request");
    return WN_VERDICT_FAILED;
}

/* Records of a tester that runs its own program.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/records.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "instrument/exchange.h"
#include "wire/checksum.h"

void wn_records_init(struct wn_records *r, const struct wn_dialect *d)
{
    memset(r, 0, sizeof *r);
    r->dialect = d;
    wn_line_init(&r->lines, strcmp(d->terminator, "\r") == 0 ? '\r' : '\n');
}

static int refuse(const char *record, size_t len, const char *why, struct wn_error *err)
{
    char text[120];
    return wn_error_set(err, WN_EFRAME, "record '%s' %s",
                        wn_reply_text(record, len, text, sizeof text), why);
}

/* It cannot be put in its place among the others. */
static const char no_time[] = "tells no time, but has_clock is true";

static bool lacks_time(const struct wn_dialect *d, const struct wn_reading *r)
{
    return d->has_clock && (r->has & WN_HAS_TIME) == 0;
}

/* -- text */

/* Digits alone, as many as the checksum has; a sign or a blank is none of them. */
static bool read_hex(const char *text, size_t digits, unsigned *out)
{
    *out = 0;
    for (size_t i = 0; i < digits; i++) {
        char c = text[i];
        int digit = c >= '0' && c <= '9'   ? c - '0'
                    : c >= 'A' && c <= 'F' ? c - 'A' + 10
                    : c >= 'a' && c <= 'f' ? c - 'a' + 10
                                           : -1;
        if (digit < 0) {
            return false;
        }
        *out = *out << 4 | (unsigned)digit;
    }
    return true;
}

/* Checks the checksum at the end of a line and cuts it off. */
static int cut_sum(const struct wn_records_sum *s, const char *line, size_t *len,
                   struct wn_error *err)
{
    const struct wn_checksum *how = wn_checksum_named(s->name);
    if (s->name[0] == '\0') {
        return WN_OK;
    }
    wn_assert(how != NULL);
    size_t width = wn_checksum_width(how->kind), digits = 2 * width, mark = strlen(s->mark);
    size_t from = (size_t)s->from, whole = *len;
    unsigned told;
    if (whole < from + mark + digits || memcmp(line + whole - digits - mark, s->mark, mark) != 0 ||
        !read_hex(line + whole - digits, digits, &told)) {
        return refuse(line, whole, "does not end with its checksum", err);
    }
    *len = whole - digits - mark;
    if (s->low_first && width == 2) {
        told = (told & 0xffu) << 8 | told >> 8;
    }
    if (wn_checksum(how, line + from, *len - from) != told) {
        return refuse(line, whole, "has a wrong checksum", err);
    }
    return WN_OK;
}

static bool tells_none(const struct wn_records_field *f, const char *text, size_t len)
{
    return f->none[0] != '\0' && strlen(f->none) == len && memcmp(text, f->none, len) == 0;
}

static int take_text(const struct wn_dialect *d, const struct wn_records_field *f,
                     const struct wn_field_at *at, struct wn_reading *out, struct wn_error *err)
{
    if (f->form.what == WN_FIELD_IGNORE || tells_none(f, at->text, at->len)) {
        return WN_OK;
    }
    return wn_field_decode(d, at, &f->form, out, err);
}

static int take_delimited(const struct wn_dialect *d, const char *line, size_t len,
                          struct wn_reading *out, struct wn_error *err)
{
    const struct wn_records_form *form = &d->records;
    const char *at = line, *end = line + len;
    int found = 1;
    for (const char *p = line; p < end; p++) {
        found += *p == form->separator;
    }
    if (found != form->fields) {
        char why[64];
        (void)snprintf(why, sizeof why, "has %d fields, not %d", found, form->fields);
        return refuse(line, len, why, err);
    }
    for (int i = 0; i < form->fields; i++) {
        const char *stop =
            i + 1 < form->fields ? memchr(at, form->separator, (size_t)(end - at)) : end;
        struct wn_field_at where = {line, len, at, (size_t)(stop - at), i + 1};
        int rc = take_text(d, &form->field[i], &where, out, err);
        if (rc != WN_OK) {
            return rc;
        }
        at = stop + 1;
    }
    return WN_OK;
}

/* The sign has a column of its own: put in front of the number, which must not have another. */
static int take_signed(const struct wn_dialect *d, const struct wn_records_field *f,
                       const struct wn_field_at *at, struct wn_reading *out, struct wn_error *err)
{
    char joined[64];
    struct wn_field_at whole = *at;
    char sign = at->record[f->sign_at];
    size_t blanks = strspn(at->text, " ");
    if (tells_none(f, at->text, at->len)) {
        return WN_OK;
    }
    blanks = blanks < at->len ? blanks : at->len;
    if ((sign != '+' && sign != '-' && sign != ' ') || at->len - blanks >= sizeof joined) {
        return refuse(at->record, at->record_len, "has no sign where one belongs", err);
    }
    joined[0] = sign == '-' ? '-' : '+';
    memcpy(joined + 1, at->text + blanks, at->len - blanks);
    whole.len += 1 - blanks;
    whole.text = joined;
    return take_text(d, f, &whole, out, err);
}

static int take_columns(const struct wn_dialect *d, const char *line, size_t len, size_t whole,
                        struct wn_reading *out, struct wn_error *err)
{
    const struct wn_records_form *form = &d->records;
    if (whole != (size_t)form->columns) {
        char why[64];
        (void)snprintf(why, sizeof why, "has %zu columns, not %d", whole, form->columns);
        return refuse(line, whole, why, err);
    }
    for (int i = 0; i < form->fields; i++) {
        const struct wn_records_field *f = &form->field[i];
        struct wn_field_at where = {line, len, line + f->at, (size_t)f->width, i + 1};
        int rc = f->sign_at >= 0 ? take_signed(d, f, &where, out, err)
                                 : take_text(d, f, &where, out, err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    return WN_OK;
}

static bool begins_with(const char *line, size_t len, const char *text)
{
    size_t n = strlen(text);
    return n > 0 && len >= n && memcmp(line, text, n) == 0;
}

static enum wn_heard take_line(struct wn_records *r, struct wn_reading *out)
{
    const struct wn_dialect *d = r->dialect;
    size_t len = r->line_len;
    if (!r->begun || len == 0) {
        r->begun = true;
        return WN_HEARD_NOTHING;
    }
    if (begins_with(r->line, len, d->identity_prefix)) {
        r->skipped++;
        return WN_HEARD_IDENTITY;
    }
    for (int i = 0; i < d->records.skips; i++) {
        if (begins_with(r->line, len, d->records.skip[i])) {
            r->skipped++;
            return WN_HEARD_NOTHING;
        }
    }
    memset(out, 0, sizeof *out);
    int rc = cut_sum(&d->records.sum, r->line, &len, &r->why);
    if (rc == WN_OK) {
        rc = d->records.format == WN_RECORDS_DELIMITED
                 ? take_delimited(d, r->line, len, out, &r->why)
                 : take_columns(d, r->line, len, r->line_len, out, &r->why);
    }
    if (rc == WN_OK && lacks_time(d, out)) {
        rc = refuse(r->line, r->line_len, no_time, &r->why);
    }
    r->good += rc == WN_OK;
    r->garbled += rc != WN_OK;
    return rc == WN_OK ? WN_HEARD_RECORD : WN_HEARD_NOTHING;
}

static enum wn_heard hear_text(struct wn_records *r, const char *data, size_t len, size_t *used,
                               struct wn_reading *out)
{
    enum wn_heard heard = WN_HEARD_NOTHING;
    bool more = true;
    while (more && heard == WN_HEARD_NOTHING) {
        uint64_t discarded = r->lines.discarded;
        more = wn_line_take(&r->lines, data, len, used, &r->line, &r->line_len);
        if (r->lines.discarded != discarded) {
            r->garbled += r->begun ? r->lines.discarded - discarded : 0;
            r->begun = true;
            (void)wn_error_set(&r->why, WN_EFRAME,
                               "record is no text: check baud rate, parity and cable");
        }
        if (more) {
            heard = take_line(r, out);
        }
    }
    return heard;
}

/* -- frames */

int wn_records_width(enum wn_records_type type)
{
    switch (type) {
    case WN_RECORDS_U8:
    case WN_RECORDS_I8:
        return 1;
    case WN_RECORDS_U16:
    case WN_RECORDS_I16:
        return 2;
    case WN_RECORDS_U24:
    case WN_RECORDS_I24:
        return 3;
    case WN_RECORDS_U32:
    case WN_RECORDS_I32:
    case WN_RECORDS_F32:
        break;
    }
    return 4;
}

static uint32_t bits_at(const unsigned char *at, int width, bool low_first)
{
    uint32_t bits = 0;
    for (int i = 0; i < width; i++) {
        bits = bits << 8 | at[low_first ? width - 1 - i : i];
    }
    return bits;
}

/* NaN where the bits say that there is no number. */
static double number_of(uint32_t bits, enum wn_records_type type)
{
    int unused = 32 - 8 * wn_records_width(type);
    float f;
    switch (type) {
    case WN_RECORDS_F32:
        memcpy(&f, &bits, sizeof f);
        return isfinite(f) ? (double)f : NAN;
    case WN_RECORDS_I8:
    case WN_RECORDS_I16:
    case WN_RECORDS_I24:
    case WN_RECORDS_I32: {
        uint32_t sign = UINT32_C(1) << (31 - unused);
        return (double)bits - ((bits & sign) != 0 ? 2.0 * (double)sign : 0);
    }
    case WN_RECORDS_U8:
    case WN_RECORDS_U16:
    case WN_RECORDS_U24:
    case WN_RECORDS_U32:
        break;
    }
    return (double)bits;
}

static int take_frame(const struct wn_dialect *d, const unsigned char *frame, size_t len,
                      struct wn_reading *out, struct wn_error *err)
{
    memset(out, 0, sizeof *out);
    for (int i = 0; i < d->records.fields; i++) {
        const struct wn_records_field *f = &d->records.field[i];
        uint32_t bits = bits_at(frame + f->at, wn_records_width(f->type), f->low_first);
        double value = number_of(bits, f->type);
        if (f->form.what == WN_FIELD_IGNORE || isnan(value) ||
            (f->has_none && bits == f->none_bits)) {
            continue;
        }
        const char *bytes = (const char *)frame;
        struct wn_field_at where = {bytes, len, bytes + f->at, 0, i + 1};
        int rc = wn_field_value(d, &where, &f->form, value, out, err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    return WN_OK;
}

/* Bytes of the frame that begins the buffer; 0: not known yet; -1: it is none. */
static int frame_length(const struct wn_records *r)
{
    const struct wn_records_form *form = &r->dialect->records;
    size_t n = r->frame_len < (size_t)form->mark_len ? r->frame_len : (size_t)form->mark_len;
    if (memcmp(r->frame, form->mark, n) != 0) {
        return -1;
    }
    if (form->length > 0) {
        return form->length;
    }
    if (r->frame_len <= (size_t)form->length_at) {
        return 0;
    }
    int length = r->frame[form->length_at] + form->length_plus;
    return length > form->length_at && length > form->mark_len && length <= form->length_max
               ? length
               : -1;
}

static bool good_sum(const struct wn_records_form *form, const unsigned char *frame, int length)
{
    const struct wn_records_sum *s = &form->sum;
    const struct wn_checksum *how = wn_checksum_named(s->name);
    if (s->name[0] == '\0') {
        return true;
    }
    wn_assert(how != NULL);
    int width = (int)wn_checksum_width(how->kind), at = s->at < 0 ? length + s->at : s->at;
    return at >= s->from && at + width <= length &&
           wn_checksum(how, frame + s->from, (size_t)(at - s->from)) ==
               bits_at(frame + at, width, s->low_first);
}

static void drop(struct wn_records *r, size_t n)
{
    r->frame_len -= n;
    memmove(r->frame, r->frame + n, r->frame_len);
}

/* So many lost bytes are so many records: a byte too many in one makes it no second one. */
static void lose(struct wn_records *r)
{
    const struct wn_records_form *form = &r->dialect->records;
    size_t length = (size_t)(form->length > 0 ? form->length : form->length_max);
    drop(r, 1);
    r->lost++;
    if (r->lost >= length + length / 2) {
        r->lost -= length;
        r->garbled++;
    }
}

static bool fields_fit(const struct wn_records_form *form, int length)
{
    for (int i = 0; i < form->fields; i++) {
        if (form->field[i].at + wn_records_width(form->field[i].type) > length) {
            return false;
        }
    }
    return true;
}

/* A frame that is whole; what it tells is used, or it is none of ours. */
static enum wn_heard judge_frame(struct wn_records *r, int length, struct wn_reading *out)
{
    const struct wn_dialect *d = r->dialect;
    r->garbled += r->lost > 0 && r->good > 0;
    r->lost = 0;
    bool ours = fields_fit(&d->records, length);
    bool good = ours && take_frame(d, r->frame, (size_t)length, out, &r->why) == WN_OK;
    if (good && lacks_time(d, out)) {
        (void)refuse((const char *)r->frame, (size_t)length, no_time, &r->why);
        good = false;
    }
    drop(r, (size_t)length);
    r->good += good;
    r->skipped += !ours;
    r->garbled += ours && !good;
    return good ? WN_HEARD_RECORD : WN_HEARD_NOTHING;
}

static enum wn_heard hear_frames(struct wn_records *r, const char *data, size_t len, size_t *used,
                                 struct wn_reading *out)
{
    for (;;) {
        int length = r->frame_len > 0 ? frame_length(r) : 0;
        if (length > 0 && r->frame_len >= (size_t)length) {
            if (good_sum(&r->dialect->records, r->frame, length)) {
                if (judge_frame(r, length, out) == WN_HEARD_RECORD) {
                    return WN_HEARD_RECORD;
                }
                continue;
            }
            (void)refuse((const char *)r->frame, (size_t)length, "has a wrong checksum", &r->why);
            length = -1;
        }
        if (length < 0) {
            lose(r);
        } else if (*used < len) {
            wn_assert(r->frame_len < sizeof r->frame);
            r->frame[r->frame_len++] = (unsigned char)data[(*used)++];
        } else {
            return WN_HEARD_NOTHING;
        }
    }
}

enum wn_heard wn_records_take(struct wn_records *r, const char *data, size_t len, size_t *used,
                              struct wn_reading *out)
{
    wn_assert(*used <= len);
    return r->dialect->records.format == WN_RECORDS_FRAMES ? hear_frames(r, data, len, used, out)
                                                           : hear_text(r, data, len, used, out);
}

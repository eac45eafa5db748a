/* Records: can what a dialect's file tells of them be found in a stream of bytes?
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/records.h"

#include <math.h>
#include <string.h>

#include "instrument/exchange.h"
#include "wire/checksum.h"

static int refuse(const struct wn_dialect *d, const char *what, struct wn_error *err)
{
    return wn_error_set(err, WN_EINVAL, "%s: %s", d->file, what);
}

static const char *odd_field(const struct wn_records_form *form, const struct wn_records_field *f)
{
    int length = form->length > 0 ? form->length : form->length_max;
    if (!(f->form.scale >= 0) || !isfinite(f->form.scale)) {
        return "scale must be above 0";
    }
    switch (form->format) {
    case WN_RECORDS_DELIMITED:
        if (f->form.decimal_comma && form->separator == ',') {
            return "a decimal comma and a comma between the fields cannot be told apart";
        }
        break;
    case WN_RECORDS_COLUMNS:
        if (f->at < 0 || f->width < 1 || f->at + f->width > form->columns ||
            f->sign_at >= form->columns) {
            return "a field lies outside the columns of a record";
        }
        break;
    case WN_RECORDS_FRAMES:
        if (f->form.what == WN_FIELD_OUTPUT) {
            return "output cannot be read from a frame: leave it out";
        }
        if (f->at < 0 || f->at + wn_records_width(f->type) > length) {
            return "a field lies outside its frame";
        }
        break;
    }
    return NULL;
}

static const char *odd_frame(const struct wn_records_form *form)
{
    if (form->mark_len < 1 || form->mark_len > WN_MARK_MAX) {
        return "a frame needs a start mark of 1 to 8 bytes";
    }
    if (form->length > 0) {
        return form->length <= WN_FRAME_MAX && form->length > form->mark_len
                   ? NULL
                   : "a frame is longer than its mark and at most 256 bytes long";
    }
    return form->length_at >= form->mark_len && form->length_at < form->length_max &&
                   form->length_max <= WN_FRAME_MAX
               ? NULL
               : "the length of a frame stands behind its mark and is at most 256";
}

static const char *odd_sum(const struct wn_records_form *form)
{
    const struct wn_records_sum *s = &form->sum;
    const struct wn_checksum *how = wn_checksum_named(s->name);
    if (s->name[0] == '\0') {
        return NULL;
    }
    if (how == NULL) {
        return "the checksum is none this program knows";
    }
    int width = (int)wn_checksum_width(how->kind);
    bool inside = form->format != WN_RECORDS_FRAMES || s->at < 0
                      ? s->at <= -width || form->format != WN_RECORDS_FRAMES
                      : form->length == 0 || s->at + width <= form->length;
    if (!inside || s->from < 0 ||
        (form->format == WN_RECORDS_FRAMES && s->at >= 0 && s->from >= s->at)) {
        return "the checksum covers nothing, or lies outside its frame";
    }
    return NULL;
}

/* Text behind a field's end must not be taken for the checksum, nor the other way round. */
static const char *odd_form(const struct wn_records_form *form)
{
    const char *odd = NULL;
    if (form->fields < 1 || form->fields > WN_FIELDS_MAX) {
        return "records.fields must hold 1 to 12 fields";
    }
    for (int i = 0; i < form->fields && odd == NULL; i++) {
        odd = odd_field(form, &form->field[i]);
    }
    if (odd == NULL && form->format == WN_RECORDS_FRAMES) {
        odd = odd_frame(form);
    }
    if (odd == NULL && form->format == WN_RECORDS_DELIMITED && form->separator == '\0' &&
        form->fields > 1) {
        odd = "records.separator is missing";
    }
    return odd != NULL ? odd : odd_sum(form);
}

int wn_records_validate(const struct wn_dialect *d, struct wn_error *err)
{
    const char *odd = odd_form(&d->records);
    int seen[WN_FIELD_OUTPUT + 1] = {0};
    if (odd != NULL) {
        return refuse(d, odd, err);
    }
    for (int i = 0; i < d->records.fields; i++) {
        enum wn_field what = d->records.field[i].form.what;
        if (what != WN_FIELD_IGNORE && ++seen[what] > 1) {
            return wn_error_set(err, WN_EINVAL, "%s: records.fields tells the %s twice", d->file,
                                wn_field_name(what));
        }
    }
    if (d->kind != WN_ROLE_TESTER) {
        return refuse(d, "only a tester runs a program of its own: leave kind out", err);
    }
    if (seen[WN_FIELD_VOLTAGE_V] == 0 || seen[WN_FIELD_CURRENT_A] == 0) {
        return refuse(d, "records.fields must hold voltage_v and current_a", err);
    }
    if (d->has_clock && seen[WN_FIELD_TIME_S] == 0) {
        return refuse(d, "has_clock is true, but records.fields holds no time_s", err);
    }
    if (!(d->records.silence_s > 0) || d->records.silence_s > 3600) {
        return refuse(d, "silence must be above 0 and at most 1 h", err);
    }
    if (d->current_sign != 1 && d->current_sign != -1) {
        return refuse(d, "current_sign must be \"charge positive\" or \"discharge positive\"", err);
    }
    if (!(d->overload > 0)) {
        return refuse(d, "overload must be above 0", err);
    }
    return WN_OK;
}

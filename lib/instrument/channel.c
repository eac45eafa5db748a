/* Dialects: what an instrument is for, and which of its outputs is meant.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/dialect.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"

#define CHANNEL "{channel}"

const char *wn_role_name(enum wn_role role)
{
    switch (role) {
    case WN_ROLE_TESTER:
        return "tester";
    case WN_ROLE_SUPPLY:
        return "supply";
    case WN_ROLE_LOAD:
        return "load";
    case WN_ROLE_RELAY:
        return "relay";
    case WN_ROLE_THERMOMETER:
        break;
    }
    return "thermometer";
}

bool wn_role_switches(enum wn_role role)
{
    return role != WN_ROLE_THERMOMETER;
}

bool wn_role_charges(enum wn_role role)
{
    return role == WN_ROLE_TESTER || role == WN_ROLE_SUPPLY;
}

bool wn_role_discharges(enum wn_role role)
{
    return role == WN_ROLE_TESTER || role == WN_ROLE_LOAD;
}

bool wn_role_sources(enum wn_role role)
{
    return wn_role_charges(role) || wn_role_discharges(role);
}

/* Puts the number into one text, in its place; counts how often. */
static bool put_in(char *text, size_t size, const char *number, int *count)
{
    const size_t mark = sizeof CHANNEL - 1, n = strlen(number);
    for (char *at = strstr(text, CHANNEL); at != NULL; at = strstr(at + n, CHANNEL)) {
        size_t rest = strlen(at + mark) + 1;
        if ((size_t)(at - text) + n + rest > size) {
            return false;
        }
        memmove(at + n, at + mark, rest);
        memcpy(at, number, n);
        (*count)++;
    }
    return true;
}

static bool put_in_sequence(struct wn_sequence *q, const char *number, int *count)
{
    bool fits = true;
    for (int i = 0; i < q->n; i++) {
        fits = put_in(q->line[i], sizeof q->line[i], number, count) && fits;
    }
    return fits;
}

static bool put_in_mode(struct wn_mode *m, const char *number, int *count)
{
    bool fits = put_in_sequence(&m->set, number, count);
    for (int i = 0; i < m->readbacks; i++) {
        fits = put_in(m->readback[i].query, sizeof m->readback[i].query, number, count) && fits;
    }
    return fits;
}

static int set_channel(struct wn_dialect *d, int channel, struct wn_error *err)
{
    char number[16];
    int count = 0;
    wn_assert(channel >= 0);
    (void)snprintf(number, sizeof number, "%d", channel);
    bool fits =
        put_in(d->identity_query, sizeof d->identity_query, number, &count) &&
        put_in_sequence(&d->setup, number, &count) && put_in_mode(&d->charge, number, &count) &&
        put_in_mode(&d->discharge, number, &count) && put_in_mode(&d->power, number, &count) &&
        put_in_sequence(&d->on, number, &count) && put_in_sequence(&d->off, number, &count) &&
        put_in(d->output_query, sizeof d->output_query, number, &count) &&
        put_in(d->error_query, sizeof d->error_query, number, &count) &&
        put_in(d->safe_off, sizeof d->safe_off, number, &count);
    for (int k = 0; k < d->reads; k++) {
        fits = fits && put_in(d->read[k].query, sizeof d->read[k].query, number, &count);
    }
    d->safe_off_len = strlen(d->safe_off);
    if (!fits) {
        return wn_error_set(err, WN_ERANGE, "%s: a command is too long with channel %d", d->file,
                            channel);
    }
    if ((channel > 0) != (count > 0)) {
        return wn_error_set(err, WN_EINVAL,
                            channel > 0 ? "%s has no {channel} in its commands: leave channel out"
                                        : "%s needs the number of an output: write channel = 1",
                            d->file);
    }
    return WN_OK;
}

int wn_dialect_place(struct wn_dialect *d, int unit, int channel, struct wn_error *err)
{
    if (d->protocol == WN_PROTOCOL_MODBUS) {
        return wn_map_place(d, unit, channel, err);
    }
    if (d->protocol == WN_PROTOCOL_RECORDS) {
        return unit == 0 && channel == 0
                   ? WN_OK
                   : wn_error_set(err, WN_EINVAL,
                                  "%s is that of a tester with a program of its own, which has its "
                                  "port alone: leave unit and channel out",
                                  d->file);
    }
    return unit == 0
               ? set_channel(d, channel, err)
               : wn_error_set(err, WN_EINVAL,
                              "%s speaks no MODBUS, where several at a port have units: leave "
                              "unit out",
                              d->file);
}

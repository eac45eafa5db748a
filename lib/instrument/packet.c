/* Packets: which of their lines ask, and whether they, or their frame, switch off.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/packet.h"

#include <string.h>

static size_t number_length(const char *line, size_t len)
{
    size_t n = 0;
    while (n < len && line[n] != '\0' && strchr("0123456789+-.eE", line[n]) != NULL) {
        n++;
    }
    return n;
}

/* Is the line this template with numbers in the place of its placeholders? */
static bool fits(const char *tmpl, const char *line, size_t len)
{
    size_t at = 0;
    while (*tmpl != '\0') {
        const char *end = *tmpl == '{' ? strchr(tmpl, '}') : NULL;
        if (end != NULL) {
            size_t n = number_length(line + at, len - at);
            if (n == 0) {
                return false;
            }
            at += n;
            tmpl = end + 1;
        } else if (at == len || line[at++] != *tmpl++) {
            return false;
        }
    }
    return at == len;
}

static bool is_readback(const struct wn_mode *m, const char *line, size_t len)
{
    for (int i = 0; i < m->readbacks; i++) {
        if (fits(m->readback[i].query, line, len)) {
            return true;
        }
    }
    return false;
}

/* "" is no query, and no line is empty. */
bool wn_packet_is_query(const struct wn_dialect *d, const char *line, size_t len)
{
    for (int i = 0; i < d->reads; i++) {
        if (fits(d->read[i].query, line, len)) {
            return true;
        }
    }
    return fits(d->identity_query, line, len) || fits(d->output_query, line, len) ||
           fits(d->error_query, line, len) || is_readback(&d->charge, line, len) ||
           is_readback(&d->discharge, line, len) || is_readback(&d->power, line, len);
}

const char *wn_packet_line(const struct wn_dialect *d, const char *data, size_t total, size_t *at,
                           size_t *len)
{
    size_t end_len = strlen(d->terminator);
    while (*at < total) {
        const char *line = data + *at, *end = line;
        const char *stop = data + total;
        while (end < stop &&
               ((size_t)(stop - end) < end_len || memcmp(end, d->terminator, end_len) != 0)) {
            end++;
        }
        *len = (size_t)(end - line);
        *at += *len + (end < stop ? end_len : 0);
        if (*len > 0) {
            return line;
        }
    }
    return NULL;
}

static bool is_off(const struct wn_dialect *d, const char *line, size_t len)
{
    for (int i = 0; i < d->off.n; i++) {
        if (fits(d->off.line[i], line, len)) {
            return true;
        }
    }
    size_t at = 0, n = 0;
    for (const char *safe; (safe = wn_packet_line(d, d->safe_off, d->safe_off_len, &at, &n));) {
        if (n == len && memcmp(safe, line, len) == 0) {
            return true;
        }
    }
    return false;
}

/* Off is only what holds nothing but off and questions. */
static void judge(struct wn_share_packet *p, const struct wn_dialect *d)
{
    size_t at = 0, len = 0;
    int offs = 0, outputs = 0;
    uint64_t bit = 1; /* of the next query; 0 behind the sixty-fourth */
    for (const char *line; (line = wn_packet_line(d, p->data, p->len, &at, &len)) != NULL;) {
        p->lines++;
        offs += is_off(d, line, len);
        if (wn_packet_is_query(d, line, len)) {
            p->identities |= fits(d->identity_query, line, len) ? bit : 0;
            bit <<= 1;
            outputs += fits(d->output_query, line, len);
            p->queries++;
        }
    }
    p->off = offs > 0 && offs + p->queries == p->lines;
    p->urgent = p->off || (outputs > 0 && outputs == p->lines);
}

static bool is_off_query(const struct wn_dialect *d, const char *data, size_t len)
{
    uint8_t query[WN_MODBUS_FRAME_MAX], reply[WN_MODBUS_FRAME_MAX];
    size_t query_len = 0, reply_len = 0;
    return d->modbus.has_output &&
           wn_map_off_query(d, query, sizeof query, &query_len, reply, sizeof reply, &reply_len,
                            NULL) == WN_OK &&
           query_len == len && memcmp(query, data, len) == 0;
}

static bool read_frame(struct wn_share_packet *p, const struct wn_dialect *d, const char *data,
                       size_t len)
{
    uint16_t values[WN_SHARE_VALUES_MAX];
    struct wn_modbus_request q;
    size_t at = 0, n = 0;
    *p = (struct wn_share_packet){.len = len + 1};
    if (wn_modbus_decode_request((const uint8_t *)data, len, values, WN_SHARE_VALUES_MAX, &q,
                                 NULL) != WN_OK ||
        q.unit != d->modbus.unit || len > UINT8_MAX) {
        return false;
    }
    p->data[0] = (char)len;
    memcpy(p->data + 1, data, len);
    for (const char *off; (off = wn_dialect_safe_off(d, &at, &n)) != NULL;) {
        p->off = p->off || (n == len && memcmp(off, data, len) == 0);
    }
    p->urgent = p->off || is_off_query(d, data, len);
    return true;
}

bool wn_packet_read(struct wn_share_packet *p, const struct wn_dialect *d, const char *data,
                    size_t len)
{
    if (d->protocol == WN_PROTOCOL_MODBUS) {
        return read_frame(p, d, data, len);
    }
    size_t end_len = strlen(d->terminator);
    bool whole = len >= end_len && memcmp(data + len - end_len, d->terminator, end_len) == 0;
    *p = (struct wn_share_packet){.len = len};
    if (len + end_len > sizeof p->data) {
        return false;
    }
    memcpy(p->data, data, len);
    if (!whole) {
        memcpy(p->data + len, d->terminator, end_len);
        p->len += end_len;
    }
    judge(p, d);
    return true;
}

void wn_packet_safe_off(struct wn_share_packet *p, const struct wn_dialect *d)
{
    if (d->protocol == WN_PROTOCOL_MODBUS) { /* all frames, each behind its length */
        *p = (struct wn_share_packet){.len = d->safe_off_len, .off = true, .urgent = true};
        memcpy(p->data, d->safe_off, d->safe_off_len);
        return;
    }
    (void)wn_packet_read(p, d, d->safe_off, d->safe_off_len); /* it fits: WN_COMMAND_MAX */
    p->off = p->urgent = true;                                /* whatever its lines look like */
}

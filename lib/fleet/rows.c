/* Fleet: values as the bytes the database takes, and their digest; the id of a campaign.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fleet/table.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/assert.h"
#include "base/sha256.h"

/* PostgreSQL counts from 2000-01-01, we from 1970-01-01. */
#define EPOCH_2000_US INT64_C(946684800000000)
/* The years 1 to 9999: beyond them it is no time of day. */
#define UTC_MIN_US INT64_C(-62135596800000000)
#define UTC_MAX_US INT64_C(253402300799999999)

void fleet_put_int64(unsigned char out[8], int64_t v)
{
    for (int i = 0; i < 8; i++) {
        out[i] = (unsigned char)((uint64_t)v >> (56 - 8 * i));
    }
}

int64_t fleet_get_int64(const unsigned char in[8])
{
    uint64_t v = 0;
    for (int i = 0; i < 8; i++) {
        v = v << 8 | in[i];
    }
    return (int64_t)v;
}

unsigned fleet_oid(char type)
{
    switch (type) {
    case 'b':
        return FLEET_OID_BOOL;
    case 'i':
        return FLEET_OID_INT;
    case 'd':
        return FLEET_OID_REAL;
    case 'z':
        return FLEET_OID_UTC;
    default:
        return FLEET_OID_TEXT;
    }
}

/* Bytes of the character at s, by its first byte and those that follow; 0: none (RFC 3629). */
static size_t character(const unsigned char *s)
{
    size_t n = s[0] < 0x80 ? 1 : s[0] < 0xc2 ? 0 : s[0] < 0xe0 ? 2 : s[0] < 0xf0 ? 3 : 4;
    if (n == 0 || s[0] > 0xf4) {
        return 0;
    }
    for (size_t i = 1; i < n; i++) {
        if ((s[i] & 0xc0) != 0x80) {
            return 0;
        }
    }
    bool overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
    bool no_character = (s[0] == 0xed && s[1] > 0x9f) || (s[0] == 0xf4 && s[1] > 0x8f);
    return overlong || no_character ? 0 : n;
}

void fleet_clean_text(char *text)
{
    for (unsigned char *s = (unsigned char *)text; *s != '\0';) {
        size_t n = character(s);
        if (n == 0) {
            *s = '?';
        }
        s += n > 0 ? n : 1;
    }
}

void fleet_rows_init(struct fleet_rows *r, const struct fleet_table *table)
{
    memset(r, 0, sizeof *r);
    r->table = table;
}

void fleet_rows_clear(struct fleet_rows *r)
{
    r->rows = 0;
    r->len = r->values = 0;
}

void fleet_rows_free(struct fleet_rows *r)
{
    free(r->bytes);
    free(r->value);
    memset(r, 0, sizeof *r);
}

/* Room for the values of one more row, and for so many bytes. */
static int reserve(struct fleet_rows *r, size_t bytes, size_t values)
{
    if (r->len + bytes > r->room) {
        size_t room = 2 * (r->len + bytes);
        unsigned char *more = realloc(r->bytes, room);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        r->bytes = more;
        r->room = room;
    }
    if (r->values + values > r->values_room) {
        size_t room = 2 * (r->values + values);
        struct fleet_value *more = realloc(r->value, room * sizeof *more);
        if (more == NULL) {
            return WN_ENOMEM;
        }
        r->value = more;
        r->values_room = room;
    }
    return WN_OK;
}

static size_t put_int32(unsigned char *out, uint32_t v)
{
    for (int i = 0; i < 4; i++) {
        out[i] = (unsigned char)(v >> (24 - 8 * i));
    }
    return 4;
}

static void put_bytes(struct fleet_rows *r, const void *bytes, size_t n)
{
    r->value[r->values++] = (struct fleet_value){r->len, (int)n};
    memcpy(r->bytes + r->len, bytes, n);
    r->len += n;
}

static void put_null(struct fleet_rows *r)
{
    r->bytes[r->len++] = 0;
    r->value[r->values++] = (struct fleet_value){r->len, -1};
}

static void put_number(struct fleet_rows *r, int64_t v)
{
    unsigned char eight[8];
    fleet_put_int64(eight, v);
    r->bytes[r->len++] = 1;
    put_bytes(r, eight, sizeof eight);
}

static void put_real(struct fleet_rows *r, double v)
{
    int64_t bits;
    if (!isfinite(v)) {
        put_null(r);
        return;
    }
    v = v == 0 ? 0.0 : v; /* the database holds -0 and 0 for the same: so do we */
    _Static_assert(sizeof bits == sizeof v, "a double has 64 bits");
    memcpy(&bits, &v, sizeof bits);
    put_number(r, bits);
}

/* The length is hashed with it: "a", "b" is not "ab", "". */
static void put_text(struct fleet_rows *r, const char *text, size_t size)
{
    char clean[512];
    size_t n = strnlen(text, size);
    wn_assert(n < sizeof clean);
    memcpy(clean, text, n);
    clean[n] = '\0';
    fleet_clean_text(clean);
    r->bytes[r->len++] = 1;
    r->len += put_int32(r->bytes + r->len, (uint32_t)n);
    put_bytes(r, clean, n);
}

static void put_value(struct fleet_rows *r, const struct fleet_column *c, const void *record)
{
    const char *at = (const char *)record + c->offset;
    unsigned char truth;
    int64_t n;
    double d;
    switch (c->type) {
    case 'b':
        truth = *(const bool *)(const void *)at ? 1 : 0;
        r->bytes[r->len++] = 1;
        put_bytes(r, &truth, 1);
        break;
    case 'd':
        memcpy(&d, at, sizeof d);
        put_real(r, d);
        break;
    case 't':
        put_text(r, at, c->size);
        break;
    default:
        memcpy(&n, at, sizeof n);
        if (c->type == 'i') {
            put_number(r, n);
        } else if (n == 0 || n < UTC_MIN_US || n > UTC_MAX_US) {
            put_null(r);
        } else {
            put_number(r, n - EPOCH_2000_US);
        }
    }
}

int fleet_rows_add(struct fleet_rows *r, const void *record)
{
    size_t bytes = 0;
    for (int i = 0; i < r->table->columns; i++) {
        bytes += r->table->column[i].size + 16;
    }
    int rc = reserve(r, bytes, (size_t)r->table->columns);
    for (int i = 0; rc == WN_OK && i < r->table->columns; i++) {
        put_value(r, &r->table->column[i], record);
    }
    r->rows += rc == WN_OK;
    return rc;
}

void fleet_rows_digest(const struct fleet_rows *r, char hex[65])
{
    wn_sha256_hex(r->bytes, r->len, hex);
}

/* Dimensions, whether there are NULLs, type, length, where it begins; then each with its length. */
size_t fleet_put_keys(const struct fleet_rows *r, unsigned char out[FLEET_KEYS_SIZE])
{
    const uint32_t head[] = {1, 0, FLEET_OID_INT, (uint32_t)r->rows, 1};
    size_t at = 0;
    wn_assert(r->rows <= FLEET_BLOCK && r->table->column[0].type == 'i');
    for (size_t i = 0; i < sizeof head / sizeof head[0]; i++) {
        at += put_int32(out + at, head[i]);
    }
    for (size_t i = 0; i < (size_t)r->rows; i++) {
        at += put_int32(out + at, 8);
        memcpy(out + at, r->bytes + r->value[i * (size_t)r->table->columns].at, 8);
        at += 8;
    }
    return at;
}

static int nibble(char c)
{
    return c <= '9' ? c - '0' : c - 'a' + 10;
}

void fleet_campaign_id(const struct wn_campaign_info *info, const char *config_sha256,
                       unsigned char id[16], char text[37])
{
    char what[400], hex[65];
    int n = snprintf(what, sizeof what, "wane campaign 1\n%s\n%lld\n%s\n%s\n", config_sha256,
                     (long long)info->created_utc, info->station, info->name);
    wn_assert(n > 0 && (size_t)n < sizeof what);
    wn_sha256_hex(what, (size_t)n, hex);
    hex[12] = '8'; /* RFC 9562, section 5.8: a UUID of our own making */
    hex[16] = "89ab"[nibble(hex[16]) & 3];
    for (size_t i = 0; i < 16; i++) {
        id[i] = (unsigned char)(nibble(hex[2 * i]) << 4 | nibble(hex[2 * i + 1]));
    }
    (void)snprintf(text, 37, "%.8s-%.4s-%.4s-%.4s-%.12s", hex, hex + 8, hex + 12, hex + 16,
                   hex + 20);
}

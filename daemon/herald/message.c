/* What a hook is given.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "herald/message.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <jansson.h>

enum { ID_SIZE = 160, SUBJECT_SIZE = 200 };

/* Length of the UTF-8 character at s, 0 when it is none: strict, so that no JSON writer and no
 * mail program sees what it would refuse. */
static size_t utf8_length(const unsigned char *s)
{
    size_t n = s[0] < 0x80                   ? 1
               : s[0] >= 0xc2 && s[0] < 0xe0 ? 2
               : s[0] >= 0xe0 && s[0] < 0xf0 ? 3
               : s[0] >= 0xf0 && s[0] < 0xf5 ? 4
                                             : 0;
    for (size_t i = 1; i < n; i++) {
        if ((s[i] & 0xc0) != 0x80) {
            return 0;
        }
    }
    bool overlong = (s[0] == 0xe0 && s[1] < 0xa0) || (s[0] == 0xf0 && s[1] < 0x90);
    bool beyond = (s[0] == 0xed && s[1] > 0x9f) || (s[0] == 0xf4 && s[1] > 0x8f);
    return n > 1 && (overlong || beyond) ? 0 : n;
}

void message_clean(const char *text, bool lines, char *out, size_t size)
{
    const unsigned char *s = (const unsigned char *)text;
    size_t used = 0;
    while (*s != '\0') {
        size_t n = utf8_length(s);
        bool control = (n == 1 && (*s < 0x20 || *s == 0x7f) && !(lines && *s == '\n')) ||
                       (n == 2 && s[0] == 0xc2 && s[1] < 0xa0);
        size_t wide = n == 0 || control ? 1 : n;
        if (used + wide >= size) {
            break;
        }
        if (n == 0 || control) {
            out[used] = control ? ' ' : '?';
        } else {
            memcpy(out + used, s, n);
        }
        used += wide;
        s += n == 0 ? 1 : n;
    }
    out[used] = '\0';
}

struct field {
    const char *name;
    enum { FIELD_TEXT, FIELD_COUNT, FIELD_FLAG } kind;
    const char *text;
    int64_t count;
};

static void make_id(const struct policy_message *m, char *id, size_t size)
{
    const struct policy_fact *f = &m->fact;
    bool own = f->campaign[0] == '\0';
    wn_utc_us mark = own ? f->utc : f->created_utc;
    int n = snprintf(id, size, "%s/%lld/%lld", own ? "herald" : f->campaign,
                     (long long)(mark / 1000000), (long long)f->number);
    if (m->repeat > 0) {
        (void)snprintf(id + n, size - (size_t)n, "/r%d", m->repeat);
    }
}

static void make_subject(const struct policy_message *m, const char *host, char *out, size_t size)
{
    const struct policy_fact *f = &m->fact;
    const char *what = f->type == POLICY_HALT      ? "ALARM"
                       : f->type == POLICY_WARNING ? "warning"
                       : f->type == POLICY_TEST    ? "test of the alerts"
                       : f->type == POLICY_DIGEST  ? "daily digest"
                       : f->type == POLICY_TARGET  ? "warning"
                                                   : "notice";
    char station[POLICY_NAME_SIZE + 16] = "", kind[WN_EVENT_KIND_SIZE + 8] = "";
    if (f->station[0] != '\0') {
        (void)snprintf(station, sizeof station, " station %s", f->station);
    }
    if (f->type != POLICY_TEST && f->type != POLICY_DIGEST) {
        (void)snprintf(kind, sizeof kind, ": %s", f->kind);
    }
    (void)snprintf(out, size, "wane on %s: %s%s%s%s%s", host, f->simulated ? "SIMULATED " : "",
                   what, station, kind, m->repeat > 0 ? " (not acknowledged yet)" : "");
}

static int to_json(const struct field *f, int n, struct message *out, struct wn_error *err)
{
    json_t *o = json_object();
    for (int i = 0; i < n; i++) {
        json_t *v = f[i].kind == FIELD_TEXT    ? json_string(f[i].text)
                    : f[i].kind == FIELD_COUNT ? json_integer(f[i].count)
                                               : json_boolean(f[i].count != 0);
        (void)json_object_set_new(o, f[i].name, v);
    }
    char *text = o != NULL && (int)json_object_size(o) == n ? json_dumps(o, JSON_COMPACT) : NULL;
    json_decref(o);
    if (text == NULL) {
        return wn_error_set(err, WN_ENOMEM, "a message could not be written as JSON");
    }
    int len = snprintf(out->json, sizeof out->json, "%s\n", text);
    free(text);
    return len > 0 && (size_t)len < sizeof out->json
               ? WN_OK
               : wn_error_set(err, WN_ERANGE, "a message is longer than %zu bytes",
                              sizeof out->json);
}

static int to_environment(const struct field *f, int n, struct message *out, struct wn_error *err)
{
    size_t used = 0;
    for (int i = 0; i < n; i++) {
        char *at = out->environment_text + used, number[24];
        size_t room = sizeof out->environment_text - used;
        (void)snprintf(number, sizeof number, "%lld", (long long)f[i].count);
        int len = snprintf(at, room, "WANE_%s=%s", f[i].name,
                           f[i].kind == FIELD_TEXT ? f[i].text : number);
        if (len < 0 || (size_t)len >= room) {
            return wn_error_set(err, WN_ERANGE, "a message is longer than %zu bytes",
                                sizeof out->environment_text);
        }
        for (char *c = at; *c != '='; c++) {
            *c = (char)toupper((unsigned char)*c); /* names are ASCII */
        }
        out->environment[i] = at;
        used += (size_t)len + 1;
    }
    out->environment[n] = NULL;
    return WN_OK;
}

int message_make(const struct policy_message *m, const struct policy_campaign *c,
                 const char *digest, struct message *out, struct wn_error *err)
{
    static const char *const severity[] = {"info", "warning", "alarm"};
    const struct policy_fact *f = &m->fact;
    char id[ID_SIZE], utc[WN_UTC_SIZE], host[80] = "?", raw_host[64] = "", subject[SUBJECT_SIZE];
    char text[POLICY_DIGEST_SIZE], cell[POLICY_NAME_SIZE], target[POLICY_NAME_SIZE];
    bool is_digest = f->type == POLICY_DIGEST;
    (void)gethostname(raw_host, sizeof raw_host - 1);
    message_clean(raw_host, false, host, sizeof host);
    message_clean(is_digest ? digest : f->text, is_digest, text, sizeof text);
    message_clean(f->cell, false, cell, sizeof cell);
    message_clean(f->target, false, target, sizeof target);
    make_id(m, id, sizeof id);
    make_subject(m, host, subject, sizeof subject);
    const struct field fields[] = {
        {"version", FIELD_COUNT, NULL, MESSAGE_VERSION},
        {"id", FIELD_TEXT, id, 0},
        {"type", FIELD_TEXT, policy_type_word(f->type), 0},
        {"severity", FIELD_TEXT, severity[f->severity], 0},
        {"station", FIELD_TEXT, f->station, 0},
        {"campaign", FIELD_TEXT, f->campaign, 0},
        {"cell", FIELD_TEXT, cell, 0},
        {"simulated", FIELD_FLAG, NULL, f->simulated},
        {"number", FIELD_COUNT, NULL, f->number},
        {"utc", FIELD_TEXT, wn_utc_format(f->utc, utc, sizeof utc), 0},
        {"kind", FIELD_TEXT, f->kind, 0},
        {"cycle", FIELD_COUNT, NULL, f->cycle},
        {"text", FIELD_TEXT, text, 0},
        {"repeat", FIELD_COUNT, NULL, m->repeat},
        {"suppressed", FIELD_COUNT, NULL, m->suppressed},
        {"status", FIELD_TEXT, c != NULL ? c->status : "", 0},
        {"open_alarms", FIELD_COUNT, NULL, c != NULL ? c->open_alarms : 0},
        {"target", FIELD_TEXT, target, 0},
        {"host", FIELD_TEXT, host, 0},
        {"subject", FIELD_TEXT, subject, 0},
    };
    _Static_assert(sizeof fields / sizeof fields[0] == MESSAGE_FIELDS, "the environment has room");
    int rc = to_json(fields, MESSAGE_FIELDS, out, err);
    return rc == WN_OK ? to_environment(fields, MESSAGE_FIELDS, out, err) : rc;
}

void message_test(struct policy_message *m, wn_utc_us now)
{
    memset(m, 0, sizeof *m);
    m->fact.type = POLICY_TEST;
    m->fact.severity = WN_SEVERITY_INFO;
    m->fact.utc = now;
    (void)snprintf(m->fact.kind, sizeof m->fact.kind, "test");
    (void)snprintf(m->fact.text, sizeof m->fact.text,
                   "wane test-alert was run: alarms would reach you this way");
}

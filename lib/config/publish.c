/* Configuration: where campaigns are published.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The connection is libpq's; it is only looked through for passwords here, because every campaign
 * file keeps a copy of the configuration and is meant to be handed on. Whoever uses it lets libpq
 * read it and looks again. */
#include "config/reader.h"

#include <string.h>

#define MEMBER(member) .offset = offsetof(struct wn_publish_config, member)

static const struct wn_key publish_keys[] = {
    {.name = "connection",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(connection),
     .size = sizeof((struct wn_publish_config *)0)->connection,
     .example = "\"host=db.example.org dbname=fleet user=bench sslmode=verify-full\""},
    {.name = "bench",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(bench),
     .size = sizeof((struct wn_publish_config *)0)->bench,
     .example = "\"lab-1\""},
    {.name = "timeout",
     .kind = WN_KEY_QUANTITY,
     MEMBER(timeout_s),
     .dim = WN_DIM_TIME,
     .min = 1,
     .max = 86400,
     .example = "\"10 min\"",
     .fallback = "10 min"},
    {.name = NULL}};

/* "password = x" and "sslpassword=x", also in a URI; and "user:x@" of a URI. */
static bool holds_password(const char *text)
{
    for (const char *at = text; (at = strstr(at, "password")) != NULL;) {
        at += strlen("password");
        if (at[strspn(at, " \t\r\n")] == '=') {
            return true;
        }
    }
    const char *user = strstr(text, "://");
    if (user == NULL) {
        return false;
    }
    user += 3;
    size_t n = strcspn(user, "/?#"), colon = strcspn(user, ":");
    const char *host = memchr(user, '@', n);
    return host != NULL && colon < (size_t)(host - user);
}

void wn_reader_publish(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    struct wn_publish_config *c = &((struct wn_daemon_config *)target)->publish;
    int before = r->problems->n;
    (void)key;
    wn_reader_group(r, s, publish_keys, c);
    if (r->problems->n == before && holds_password(c->connection)) {
        wn_reader_fail(r, wn_reader_at(s, "connection"),
                       "holds a password, and every campaign file keeps a copy of this file; write "
                       "it into the libpq password file instead (passfile=/etc/wane/pgpass), which "
                       "only its owner can read");
        memset(c->connection, 0, sizeof c->connection);
    }
}

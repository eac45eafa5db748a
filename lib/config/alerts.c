/* Configuration: who is told when something is wrong.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <string.h>

#include "base/num.h"

#define MEMBER(type, member) .offset = offsetof(struct type, member)

static const struct wn_key_word severity_words[] = {
    {"warning", WN_SEVERITY_WARNING, 0}, {"alarm", WN_SEVERITY_ALARM, 0}, {NULL, 0, 0}};

static void read_args(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    struct wn_hook_config *hook = target;
    const struct wn_key text = {
        .name = "args", .kind = WN_KEY_TEXT, .size = WN_PATH_SIZE, .example = "\"text\""};
    if (!wn_reader_list(r, s, 0, WN_HOOK_ARGS_MAX, key->example)) {
        return;
    }
    hook->args = config_setting_length(s);
    for (int i = 0; i < hook->args; i++) {
        wn_reader_value(r, config_setting_get_elem(s, (unsigned)i), &text, hook->arg[i]);
    }
}

#define PROGRAM(key)                                                                               \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .required = true, MEMBER(wn_hook_config, program),      \
        .size = WN_PATH_SIZE, .read = wn_reader_path, .example = "\"/etc/wane/alert\""             \
    }
#define TIMEOUT                                                                                    \
    {                                                                                              \
        .name = "timeout", .kind = WN_KEY_QUANTITY, MEMBER(wn_hook_config, timeout_s),             \
        .dim = WN_DIM_TIME, .min = 1, .max = 600, .example = "\"30 s\"", .fallback = "30 s"        \
    }
#define ARGS                                                                                       \
    {                                                                                              \
        .name = "args", .kind = WN_KEY_OTHER, .read = read_args,                                   \
        .example = "( \"you@example.org\" )"                                                       \
    }

static const struct wn_key hook_keys[] = {PROGRAM("program"),
                                          ARGS,
                                          TIMEOUT,
                                          {.name = "severity",
                                           .kind = WN_KEY_WORD,
                                           MEMBER(wn_hook_config, severity),
                                           .words = severity_words,
                                           .example = "\"warning\""},
                                          {.name = NULL}};

/* The hook stands first in the structure: its rows serve both. */
_Static_assert(offsetof(struct wn_ping_config, hook) == 0, "rows of a hook are used for a ping");
static const struct wn_key ping_keys[] = {PROGRAM("program"),
                                          ARGS,
                                          TIMEOUT,
                                          {.name = "every",
                                           .kind = WN_KEY_QUANTITY,
                                           MEMBER(wn_ping_config, every_s),
                                           .dim = WN_DIM_TIME,
                                           .min = 60,
                                           .max = 86400,
                                           .example = "\"5 min\"",
                                           .fallback = "5 min"},
                                          {.name = NULL}};

/* The short form: one hook that is told everything. */
static const struct wn_key single_keys[] = {PROGRAM("hook"), TIMEOUT, {.name = NULL}};

static void read_hooks(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    struct wn_alert_config *alert = target;
    if (!wn_reader_list(r, s, 1, WN_HOOKS_MAX, key->example)) {
        return;
    }
    alert->hooks = config_setting_length(s);
    for (int i = 0; i < alert->hooks; i++) {
        alert->hook[i].severity = WN_SEVERITY_WARNING;
        wn_reader_group(r, config_setting_get_elem(s, (unsigned)i), hook_keys, &alert->hook[i]);
    }
}

static void read_digest(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    const char *text = config_setting_get_string(s);
    int64_t hour = -1, minute = -1;
    if (text == NULL || strlen(text) != 5 || text[2] != ':' || strspn(text, "0123456789:") != 5 ||
        wn_num_parse_int(text, 2, &hour) != WN_OK ||
        wn_num_parse_int(text + 3, 2, &minute) != WN_OK || hour > 23 || minute > 59) {
        wn_reader_fail(r, s, "must be a time of the day; write digest = %s;", key->example);
        return;
    }
    ((struct wn_alert_config *)target)->digest_minute = (int)(hour * 60 + minute);
}

static void read_nothing(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                         void *target)
{
    (void)r, (void)s, (void)key, (void)target; /* read with the short form */
}

static const struct wn_key alert_keys[] = {
    {.name = "hook", .kind = WN_KEY_OTHER, .read = read_nothing, .example = "\"/etc/wane/alert\""},
    {.name = "timeout", .kind = WN_KEY_OTHER, .read = read_nothing, .example = "\"30 s\""},
    {.name = "hooks",
     .kind = WN_KEY_OTHER,
     .read = read_hooks,
     .example = "( { program = \"/etc/wane/alert\"; } )"},
    {.name = "digest", .kind = WN_KEY_OTHER, .read = read_digest, .example = "\"07:30\""},
    {.name = "ping",
     .kind = WN_KEY_GROUP,
     MEMBER(wn_alert_config, ping),
     .group = ping_keys,
     .example = "{ program = \"/etc/wane/ping\"; }"},
    {.name = NULL}};

/* Only its own keys: the group is read a second time, and what is unknown was told the first. */
static void read_single(struct wn_reader *r, const config_setting_t *s,
                        struct wn_alert_config *alert)
{
    const config_setting_t *hook = config_setting_get_member(s, "hook");
    const config_setting_t *timeout = config_setting_get_member(s, "timeout");
    if (config_setting_get_member(s, "hooks") != NULL) {
        if (hook != NULL || timeout != NULL) {
            wn_reader_fail(r, hook != NULL ? hook : timeout,
                           "belongs to a single hook: it stands inside hooks = ( { program = ...; "
                           "timeout = ...; } ) when there are several");
        }
        return;
    }
    if (hook == NULL) {
        wn_reader_fail(r, s, "hook is missing; write hook = %s;", single_keys[0].example);
        return;
    }
    alert->hooks = 1;
    alert->hook[0].severity = WN_SEVERITY_WARNING;
    wn_reader_value(r, hook, &single_keys[0], &alert->hook[0]);
    alert->hook[0].timeout_s = 30;
    if (timeout != NULL) {
        wn_reader_value(r, timeout, &single_keys[1], &alert->hook[0]);
    }
}

void wn_reader_alerts(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    struct wn_alert_config *alert = &((struct wn_daemon_config *)target)->alert;
    const char *text = config_setting_get_string(s);
    (void)key;
    alert->digest_minute = -1;
    if (text != NULL && strcmp(text, "none") == 0) {
        alert->none_on_purpose = true;
    } else if (!config_setting_is_group(s)) {
        wn_reader_fail(r, s,
                       "must name a program to be run for each alarm: write alerts = { hook = "
                       "\"/etc/wane/alert\"; }, or alerts = \"none\" when nobody shall be told");
    } else {
        wn_reader_group(r, s, alert_keys, alert);
        read_single(r, s, alert);
    }
}

bool wn_alert_has_target(const struct wn_alert_config *alert)
{
    return alert->hooks > 0;
}

/* A service of wane has failed for good: told once through every target, without a herald's memory.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Run by wane-alarm@.service. The message names the service, not a station: the campaign files may
 * be what cannot be read. */
#include "herald.h"

#include <poll.h>
#include <stdio.h>
#include <string.h>

#include "herald/hook.h"
#include "herald/message.h"
#include "port/clock.h"

enum { TRIES = 3, PAUSE_MS = 10000 };

/* What goes into messages: a unit's name holds nothing else. */
static bool is_unit_name(const char *text)
{
    size_t n =
        strspn(text, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789@:._-\\");
    return n > 0 && text[n] == '\0' && n < 100;
}

static void describe(struct policy_message *m, const char *unit)
{
    const struct wn_clock *clock = wn_clock_real();
    memset(m, 0, sizeof *m);
    m->fact.type = POLICY_HALT;
    m->fact.severity = WN_SEVERITY_ALARM;
    m->fact.utc = clock->ops->utc(clock);
    m->fact.number = 1;
    (void)snprintf(m->fact.kind, sizeof m->fact.kind, "service_failed");
    (void)snprintf(m->fact.text, sizeof m->fact.text,
                   "%s has failed and is not started again by itself; every output was told off: "
                   "look at the bench all the same, then: systemctl status %s",
                   unit, unit);
}

static bool tell(const struct wn_hook_config *target, const struct message *text)
{
    static struct hook run; /* large */
    struct wn_error err = {0};
    for (int n = 0; n < TRIES && hook_check(target, &err); n++) {
        memset(&run, 0, sizeof run);
        if (hook_run(&run, target, text->json, text->environment, &err) == HOOK_DONE) {
            return true;
        }
        (void)poll(NULL, 0, n + 1 < TRIES ? PAUSE_MS : 0);
    }
    herald_log(2, "%s: %s", target->program, err.text);
    return false;
}

int unit_failed(const struct wn_daemon_config *config, const char *unit)
{
    static struct policy_message m; /* large */
    static struct message text;
    struct wn_error err = {0};
    int told = 0;
    if (!is_unit_name(unit)) {
        herald_log(3, "that is no name of a unit");
        return 2;
    }
    describe(&m, unit);
    herald_log(1, "%s", m.fact.text);
    if (message_make(&m, NULL, "", &text, &err) != WN_OK) {
        herald_log(1, "nobody is told: %s", err.text);
        return 1;
    }
    for (int i = 0; i < config->alert.hooks; i++) {
        told += tell(&config->alert.hook[i], &text) ? 1 : 0;
    }
    if (told == 0) {
        herald_log(1, "nobody is told: no target of alerts in %s took it", config->file);
    }
    return told > 0 && told == config->alert.hooks ? 0 : 1;
}

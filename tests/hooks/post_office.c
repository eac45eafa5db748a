/* Runs a hook as the herald does, with an event of the given text: post_office TEXT SIMULATED
 * VAR=VALUE...
 * -- PROGRAM ARG... The variables, for which a herald has no place, tell the hook where its fake
 * programs are. SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "herald/hook.h"
#include "herald/message.h"

enum { VARIABLES_MAX = 8 };

int main(int argc, char **argv)
{
    static struct policy_message m;
    static struct policy_campaign c;
    static struct message text;
    static struct wn_hook_config config;
    static struct hook hook;
    struct wn_error err = {0};
    const char *environment[MESSAGE_FIELDS + VARIABLES_MAX + 1];
    int n = 0, at = 3;
    if (argc < 5) {
        return 2;
    }
    m.fact = (struct policy_fact){.type = POLICY_HALT,
                                  .severity = WN_SEVERITY_ALARM,
                                  .simulated = argv[2][0] == '1',
                                  .station = "A",
                                  .campaign = "short",
                                  .cell = "demo",
                                  .utc = INT64_C(1767225600) * 1000000,
                                  .created_utc = INT64_C(1767225600) * 1000000,
                                  .number = 17,
                                  .kind = "over_temperature"};
    (void)snprintf(m.fact.text, sizeof m.fact.text, "%s", argv[1]);
    (void)snprintf(c.status, sizeof c.status, "halted");
    c.open_alarms = 1;
    if (message_make(&m, &c, "", &text, &err) != WN_OK) {
        (void)fprintf(stderr, "%s\n", err.text);
        return 2;
    }
    for (; text.environment[n] != NULL; n++) {
        environment[n] = text.environment[n];
    }
    for (; at < argc && strcmp(argv[at], "--") != 0 && n < MESSAGE_FIELDS + VARIABLES_MAX; at++) {
        environment[n++] = argv[at];
    }
    environment[n] = NULL;
    config.timeout_s = 30;
    (void)snprintf(config.program, sizeof config.program, "%s", at + 1 < argc ? argv[at + 1] : "");
    for (at += 2; at < argc && config.args < WN_HOOK_ARGS_MAX; at++) {
        (void)snprintf(config.arg[config.args++], WN_PATH_SIZE, "%s", argv[at]);
    }
    hook_prepare();
    enum hook_end end = hook_run(&hook, &config, text.json, environment, &err);
    (void)fputs(hook.said, stdout);
    (void)fputs(err.text, stdout);
    return end == HOOK_DONE ? 0 : end == HOOK_TEMPORARY ? 75 : 1;
}

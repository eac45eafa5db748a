/* wane test-alert: would an alarm reach anybody?
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <stdio.h>
#include <string.h>

#include "herald/hook.h"
#include "herald/message.h"
#include "port/clock.h"

/* What became of one target. */
struct result {
    bool works;
    double took_s;
    char text[400];
    const char *said;
};

static void try_target(const struct wn_hook_config *hook, const struct message *text,
                       struct hook *run, struct result *out)
{
    struct wn_error err = {0};
    wn_ns begin = wn_clock_monotonic(wn_clock_real());
    memset(out, 0, sizeof *out);
    memset(run, 0, sizeof *run);
    out->works = hook_check(hook, &err) &&
                 hook_run(run, hook, text->json, text->environment, &err) == HOOK_DONE;
    out->took_s = wn_ns_to_s(wn_clock_monotonic(wn_clock_real()) - begin);
    (void)snprintf(out->text, sizeof out->text, "%s", err.text);
    out->said = run->said;
}

static void print_result(const struct wane *w, const struct wn_hook_config *hook,
                         const struct result *r)
{
    char span[WN_SPAN_SIZE], line[400], raw[400];
    (void)printf("%s%s%s", r->works ? "" : wane_red(w), r->works ? "told    " : "FAILED  ",
                 r->works ? "" : wane_plain(w));
    (void)printf("%s", hook->program);
    for (int i = 0; i < hook->args; i++) {
        (void)printf(" %s", hook->arg[i]);
    }
    (void)printf(", in %s%s%s\n", wn_span_format(r->took_s, span, sizeof span),
                 r->text[0] != '\0' ? ": " : "", r->text);
    for (const char *at = r->said; *at != '\0';) {
        size_t len = strcspn(at, "\n");
        (void)snprintf(raw, sizeof raw, "%.*s", (int)(len < 399 ? len : 399), at);
        message_clean(raw, false, line, sizeof line);
        (void)printf("        it says: %s\n", line);
        at += len + (at[len] == '\n' ? 1 : 0);
    }
}

static json_t *result_json(const struct wn_hook_config *hook, const struct result *r)
{
    static char said[HOOK_OUTPUT_MAX + 1];
    json_t *args = json_array(), *o = json_object();
    for (int i = 0; i < hook->args; i++) {
        (void)json_array_append_new(args, json_string(hook->arg[i]));
    }
    message_clean(r->said, true, said, sizeof said);
    wane_put(o, "program", json_string(hook->program));
    wane_put(o, "args", args);
    wane_put(o, "told", json_boolean(r->works));
    wane_put(o, "took_s", wane_number(r->took_s));
    wane_put(o, "error", r->works ? json_null() : json_string(r->text));
    wane_put(o, "output", json_string(said));
    return o;
}

static int run(struct wane *w, const struct wane_args *a)
{
    static struct policy_message test; /* large */
    static struct message text;
    static struct hook hook;
    struct wn_error err = {0};
    const struct wn_clock *clock = wn_clock_real();
    const struct wn_daemon_config *d = wane_daemon(w);
    (void)a;
    if (d == NULL) {
        return WANE_FAILED;
    }
    if (!wn_alert_has_target(&d->alert)) {
        (void)wn_error_set(&err, WN_EMISSING,
                           "%s: there is no target, nobody is told of an alarm: write alerts = { "
                           "hooks = ( { program = ...; } ); }",
                           d->file);
        return wane_fail(w, &err);
    }
    message_test(&test, clock->ops->utc(clock));
    if (message_make(&test, NULL, "", &text, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    hook_prepare();
    json_t *list = json_array();
    bool all = true;
    for (int i = 0; i < d->alert.hooks; i++) {
        struct result r;
        try_target(&d->alert.hook[i], &text, &hook, &r);
        all = all && r.works;
        if (w->json) {
            (void)json_array_append_new(list, result_json(&d->alert.hook[i], &r));
        } else {
            print_result(w, &d->alert.hook[i], &r);
            (void)fflush(stdout); /* the next one may take its time */
        }
    }
    json_t *o = json_object();
    wane_put(o, "targets", list);
    int rc = WANE_DONE;
    if (w->json) {
        rc = wane_print_json(o);
    } else {
        json_decref(o);
        rc = wane_flush();
    }
    return rc == WANE_DONE && !all ? WANE_FAILED : rc;
}

const struct wane_command cmd_test_alert = {
    .name = "test-alert",
    .synopsis = "",
    .summary = "send a test through every alert target",
    .text = "Runs every hook of alerts in the daemon file now, one after the other, with a\n"
            "message that says it is a test, as the user who calls this. Says what became\n"
            "of each and how long it took. Ends with 1 when one fails or when there is\n"
            "none. Run it as the user of wane-herald to try what it may do:\n"
            "sudo -u wane-herald wane test-alert.\n",
    .examples = "  wane test-alert\n"
                "  wane test-alert --json\n",
    .run = run,
};

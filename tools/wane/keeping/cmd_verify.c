/* wane verify: is a campaign file whole, and do its totals follow from its readings?
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "progress.h"
#include "verify/verify.h"

struct report {
    struct wane *w;
    const char *name;
    json_t *findings; /* NULL: for people */
    int n;
    struct progress bar;
};

/* "cycle 3, step 17: " */
static void print_place(const struct wn_verify_finding *f)
{
    const char *sep = "";
    const struct {
        const char *word;
        int64_t n;
    } all[] = {{"cycle", f->cycle}, {"check-up", f->check_up}, {"step", f->step}};
    for (size_t i = 0; i < sizeof all / sizeof all[0]; i++) {
        if (all[i].n > 0) {
            (void)printf("%s%s %lld", sep, all[i].word, (long long)all[i].n);
            sep = ", ";
        }
    }
    if (f->has_row && f->cycle == 0 && f->check_up == 0 && f->step == 0) {
        (void)printf("%s %lld", f->table, (long long)f->row);
        sep = ", ";
    } else if (sep[0] == '\0' && f->table[0] != '\0') {
        (void)printf("%s", f->table);
        sep = ", ";
    }
    (void)fputs(sep[0] != '\0' ? ": " : "", stdout);
}

static void report(void *ctx, const struct wn_verify_finding *f)
{
    struct report *r = ctx;
    progress_clear(&r->bar);
    if (r->n++ == 0 && r->findings == NULL) {
        (void)printf("%s:\n", r->name);
    }
    if (r->findings == NULL) {
        (void)printf("  %s", wane_red(r->w));
        print_place(f);
        (void)printf("%s%s\n", wane_plain(r->w), f->text);
        return;
    }
    json_t *o = json_object();
    wane_put(o, "check", json_string(f->check));
    wane_put(o, "table", f->table[0] != '\0' ? json_string(f->table) : json_null());
    wane_put(o, "row", f->has_row ? json_integer(f->row) : json_null());
    wane_put(o, "cycle", f->cycle > 0 ? json_integer(f->cycle) : json_null());
    wane_put(o, "check_up", f->check_up > 0 ? json_integer(f->check_up) : json_null());
    wane_put(o, "step", f->step > 0 ? json_integer(f->step) : json_null());
    wane_put(o, "text", json_string(f->text));
    (void)json_array_append_new(r->findings, o);
}

static json_t *verdict_json(const struct report *r, const struct wane_campaign *c,
                            const struct wn_verify_facts *f)
{
    json_t *o = json_object();
    wane_put(o, "campaign", json_string(c->info.name[0] != '\0' ? c->info.name : r->name));
    wane_put(o, "file", json_string(c->path));
    wane_put(o, "ok", json_boolean(r->n == 0));
    wane_put(o, "simulated", json_boolean(c->info.simulated));
    wane_put(o, "status", c->status[0] != '\0' ? json_string(c->status) : json_null());
    wane_put(o, "cycles", json_integer(f->cycles));
    wane_put(o, "check_ups", json_integer(f->check_ups));
    wane_put(o, "steps", json_integer(f->steps));
    wane_put(o, "readings", json_integer(f->readings));
    wane_put(o, "totals_recomputed", json_boolean(f->recomputed));
    bool some = f->bound_max_step > 0;
    wane_put(o, "steps_interrupted", json_integer(f->interrupted));
    wane_put(o, "bound_of_charge", wane_number(some ? f->bound_ah / f->moved_ah : NAN));
    wane_put(o, "bound_max_ah", wane_number(some ? f->bound_max_ah : NAN));
    wane_put(o, "bound_max_step", some ? json_integer(f->bound_max_step) : json_null());
    wane_put(o, "not_checked",
             json_pack("[s,s]", "resistance", "uncertainty")); /* see lib/audit/audit.h */
    wane_put(o, "findings", r->findings);
    return o;
}

static void tell(const struct report *r, const struct wane_campaign *c,
                 const struct wn_verify_facts *f)
{
    char part[WN_NUM_SIZE], most[WN_NUM_SIZE];
    if (r->n > 0) {
        (void)printf("  %d finding%s in %s: keep it as it is, and go on from a backup\n", r->n,
                     r->n == 1 ? "" : "s", c->path);
        return;
    }
    (void)printf("%s: nothing wrong%s\n  %lld cycles, %lld check-ups, %lld steps, %lld readings\n",
                 r->name, c->info.simulated ? " (SIMULATED)" : "", (long long)f->cycles,
                 (long long)f->check_ups, (long long)f->steps, (long long)f->readings);
    if (!f->recomputed) {
        (void)puts("  no totals to recompute yet");
    } else if (f->bound_max_step == 0) {
        (void)puts("  every total recomputed; all steps were interrupted");
    } else if (!(f->bound_max_ah > 1e-8)) {
        (void)puts("  every total recomputed from the readings, to the last digit");
    } else {
        (void)printf("  every total recomputed; the stored readings tell %s %% of the charge, that "
                     "of a step\n  within %s mAh at worst (step %lld)\n",
                     wn_num_fixed(100 * (1 - f->bound_ah / f->moved_ah), 2, part, sizeof part),
                     wn_num_fixed(1e3 * f->bound_max_ah, 1, most, sizeof most),
                     (long long)f->bound_max_step);
    }
    if (f->interrupted > 0) {
        (void)printf("  %lld interrupted step%s: no more than the readings show\n",
                     (long long)f->interrupted, f->interrupted == 1 ? "" : "s");
    }
}

/* A file that cannot even be opened is a finding, too: what is wrong is what was asked for. */
static int open_it(struct report *r, const char *name, struct wane_campaign *c)
{
    struct wn_error err = {0};
    memset(c, 0, sizeof *c);
    if (wane_find_campaign(r->w, name, c->path, sizeof c->path) != WANE_DONE) {
        return WN_ENOENT; /* told */
    }
    int rc = wn_campaign_open_read(&c->file, c->path, &err);
    rc = rc == WN_OK ? wn_campaign_info(c->file, &c->info, &err) : rc;
    rc = rc == WN_OK ? wn_campaign_status(c->file, c->status, sizeof c->status, &err) : rc;
    if (rc == WN_ECORRUPT || rc == WN_EINVAL) {
        struct wn_verify_finding f = {.check = "integrity", .table = ""};
        (void)snprintf(f.text, sizeof f.text, "%.230s", err.text);
        report(r, &f);
    } else if (rc != WN_OK) {
        (void)wane_fail(r->w, &err);
    }
    return rc;
}

static bool verify(struct wane *w, const char *name, json_t *list)
{
    struct report r = {w, name, list != NULL ? json_array() : NULL, 0, {.shown = false}};
    struct wn_verify_facts facts = {.steps = 0};
    struct wane_campaign *c = calloc(1, sizeof *c);
    if (c == NULL) {
        (void)fputs("wane verify: out of memory\n", stderr);
        json_decref(r.findings);
        return false;
    }
    int rc = open_it(&r, name, c);
    if (rc == WN_OK) {
        const struct wn_progress progress = progress_of(&r.bar);
        progress_begin(&r.bar, "", 1);
        wn_verify_campaign(c->file, report, &r, &progress, &facts);
        progress_clear(&r.bar);
    }
    bool looked = rc == WN_OK || r.n > 0;
    if (looked && list != NULL) {
        (void)json_array_append_new(list, verdict_json(&r, c, &facts));
    } else if (looked) {
        tell(&r, c, &facts);
    } else {
        json_decref(r.findings);
    }
    wane_close_campaign(c);
    free(c);
    return rc == WN_OK && r.n == 0;
}

static int run(struct wane *w, const struct wane_args *a)
{
    json_t *list = w->json ? json_array() : NULL;
    bool good = true;
    for (int i = 0; i < a->operands; i++) {
        good = verify(w, a->operand[i], list) && good;
    }
    int rc = w->json ? wane_print_json(json_pack("{s:o}", "verified", list)) : wane_flush();
    return rc == WANE_DONE && !good ? WANE_FAILED : rc;
}

const struct wane_command cmd_verify = {
    .name = "verify",
    .synopsis = "CAMPAIGN...",
    .summary = "is a file whole, and do its totals follow from its readings",
    .text = "Looks a campaign file through from end to end: every page, the SHA-256 of the\n"
            "frozen configuration, numbers without gaps, times that never go back, steps\n"
            "and cycles that belong together. Then recomputes charge, energy and duration\n"
            "of every step and cycle from the stored readings.\n"
            "\n"
            "A station integrates every reading and stores those that moved by a threshold\n"
            "(table campaign, store_...): the totals cannot be had again to the last digit.\n"
            "For each there is an interval that the stored readings allow; a total outside\n"
            "of it is told, with cycle and step. Of a step that was interrupted it is only\n"
            "checked that it is not more than was read. Not recomputed: resistances and\n"
            "uncertainties.\n"
            "\n"
            "Works while the station writes, and on archives. Ends with 1 when anything is\n"
            "wrong.\n",
    .examples = "  wane verify demo\n"
                "  wane verify /media/archive/*.wane --json\n",
    .operands_min = 1,
    .operands_max = 1000,
    .run = run,
};

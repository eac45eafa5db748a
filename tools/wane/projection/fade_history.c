/* What would have been said on the way: of a projection, and of a claim.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade_history.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "report/table.h"

void fade_print_source(const struct wane *w, const struct fade_source *s)
{
    if (s->is_campaign) {
        wane_print_heading(w, &s->campaign);
    } else {
        (void)printf("%s\n", s->name);
    }
}

static json_t *look_json(const struct wn_fade_look *l, bool claim)
{
    json_t *o = json_object();
    wane_put(o, "cycle", wane_number(l->cycle));
    if (claim) {
        wane_put(o, "probability", wane_number(l->probability));
        wane_put(o, "verdict", json_string(wn_fade_verdict_name(l->verdict)));
        return o;
    }
    json_t *eol = json_object();
    wane_put(o, "state", json_string(wn_fade_state_name(l->state)));
    wane_put(eol, "median", wane_number(l->median_cycle));
    wane_put(eol, "p10", wane_number(l->p10_cycle));
    wane_put(eol, "p90", wane_number(l->p90_cycle));
    wane_put(o, "eol_cycle", eol);
    return o;
}

/* Adds the looks and what names the source; takes o. */
static int print_json(const struct fade_source *s, const struct wn_fade_history *h, bool claim,
                      json_t *o)
{
    json_t *looks = json_array();
    for (int i = 0; i < h->count; i++) {
        (void)json_array_append_new(looks, look_json(&h->look[i], claim));
    }
    wane_put(o, "history", looks);
    wane_put(o, claim ? "safe_to_publish_since_cycle" : "held_since_cycle",
             wane_number(h->settled_cycle));
    wane_put(o, "source", json_string(s->name));
    wane_put(o, "simulated", json_boolean(s->simulated));
    return wane_print_json(o);
}

static int print_table(const struct wane *w, struct wn_table *t)
{
    struct wn_error err = {0};
    int rc = wn_table_print(t, stdout, w->colour, &err);
    wn_table_destroy(t);
    return rc == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

static int print_projections(const struct wane *w, const struct fade_source *s,
                             const struct wn_fade_history *h, double threshold_ah)
{
    static const char *const headings[] = {"after cycle", "end of life", "10 %", "90 %", "state"};
    char text[WN_NUM_SIZE];
    struct wn_table *t = wn_table_create("rrrrl", headings);
    for (int i = 0; i < h->count; i++) {
        wn_table_number(t, h->look[i].cycle, 0);
        wn_table_number(t, h->look[i].median_cycle, 0);
        wn_table_number(t, h->look[i].p10_cycle, 0);
        wn_table_number(t, h->look[i].p90_cycle, 0);
        wn_table_text(t, wn_fade_state_name(h->look[i].state));
    }
    fade_print_source(w, s);
    (void)printf("End of life below %s Ah, as it was projected on the way\n",
                 wane_fixed(threshold_ah, 4, text, sizeof text));
    int rc = print_table(w, t);
    if (rc == WANE_DONE && isfinite(h->settled_cycle)) {
        (void)printf("Since cycle %s every interval has contained what is said now\n",
                     wane_fixed(h->settled_cycle, 0, text, sizeof text));
    }
    return rc == WANE_DONE ? wane_flush() : rc;
}

static int print_verdicts(const struct wane *w, const struct fade_source *s,
                          const struct wn_fade_history *h, int64_t cycles, double min_ah)
{
    static const char *const headings[] = {"after cycle", "probability", "verdict"};
    char text[WN_NUM_SIZE];
    struct wn_table *t = wn_table_create("rrl", headings);
    for (int i = 0; i < h->count; i++) {
        wn_table_number(t, h->look[i].cycle, 0);
        wn_table_number(t, h->look[i].probability, 3);
        wn_table_text(t, wn_fade_verdict_name(h->look[i].verdict));
    }
    fade_print_source(w, s);
    (void)printf("Claim: at least %s Ah after %lld cycles\n",
                 wane_fixed(min_ah, 4, text, sizeof text), (long long)cycles);
    int rc = print_table(w, t);
    if (rc == WANE_DONE && isfinite(h->settled_cycle)) {
        (void)printf(
            "The verdict was safe to publish from cycle %s on: since then it has pointed the "
            "same way\n",
            wane_fixed(h->settled_cycle, 0, text, sizeof text));
    } else if (rc == WANE_DONE) {
        (void)printf("There is no verdict yet that could be published\n");
    }
    return rc == WANE_DONE ? wane_flush() : rc;
}

int fade_tell_history(struct wane *w, const struct fade_source *s, double threshold_ah)
{
    struct wn_fade_history h = {.settled_cycle = NAN};
    struct wn_error err = {0};
    struct fade_own own;
    fade_own_of(s, threshold_ah, &own);
    if (s->n > 0 &&
        wn_fade_look_back(s->point, s->n, threshold_ah, &own.lives, &h, &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    if (!w->json) {
        return print_projections(w, s, &h, threshold_ah);
    }
    json_t *o = json_object();
    wane_put(o, "threshold_ah", wane_number(threshold_ah));
    return print_json(s, &h, false, o);
}

int fade_tell_claim_history(struct wane *w, const struct fade_source *s, int64_t cycles,
                            double min_ah)
{
    struct wn_fade_history h = {.settled_cycle = NAN};
    struct wn_error err = {0};
    struct fade_own own;
    fade_own_of(s, min_ah, &own);
    if (s->n > 0 && wn_fade_look_back_claim(s->point, s->n, (double)cycles, min_ah, &own.lives, &h,
                                            &err) != WN_OK) {
        return wane_fail(w, &err);
    }
    if (!w->json) {
        return print_verdicts(w, s, &h, cycles, min_ah);
    }
    json_t *o = json_object();
    wane_put(o, "cycles", json_integer(cycles));
    wane_put(o, "min_ah", wane_number(min_ah));
    return print_json(s, &h, true, o);
}

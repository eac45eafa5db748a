/* What a station tells about itself, for people.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "view.h"

#include <inttypes.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "projection/fade_source.h"
#include "port/clock.h"

#define STALE_S 30.0 /* the longest rest interval is read by the service every second anyway */

const char *view_text(const struct view *v, const char *key)
{
    const char *text = json_string_value(json_object_get(v->reply, key));
    return text != NULL ? text : "";
}

double view_number(const struct view *v, const char *key)
{
    const json_t *n = json_object_get(v->reply, key);
    return json_is_number(n) ? json_number_value(n) : NAN;
}

int64_t view_integer(const struct view *v, const char *key)
{
    return json_integer_value(json_object_get(v->reply, key));
}

bool view_true(const struct view *v, const char *key)
{
    return json_is_true(json_object_get(v->reply, key));
}

bool view_alarm(const struct view *v)
{
    return v->reply != NULL && view_true(v, "alarm");
}

bool view_running(const struct view *v)
{
    const char *state = view_text(v, "state");
    return strcmp(state, "finished") != 0 && strcmp(state, "stopped") != 0;
}

void view_init(struct view *v, const char *station)
{
    memset(v, 0, sizeof *v);
    (void)snprintf(v->station, sizeof v->station, "%s", station);
    v->projected_at = -1;
}

/* The projection comes from the campaign file: the station has better things to do. */
void view_project(struct view *v)
{
    struct wane_campaign c;
    const char *file = view_text(v, "file");
    int64_t done = view_integer(v, "cycles_done");
    struct wn_error err = {0};
    if (file[0] == '\0' || done == v->projected_at) {
        v->projected = v->projected && file[0] != '\0';
        return;
    }
    memset(&c, 0, sizeof c);
    v->projected = false;
    v->projected_at = done;
    if (wn_campaign_open_read(&c.file, file, &err) == WN_OK &&
        wn_campaign_info(c.file, &c.info, &err) == WN_OK) {
        v->projected = fade_of_campaign(&c, &v->fade);
    }
    wn_campaign_close(c.file);
}

void view_refresh(struct wane *w, struct view *v, int patience_ms)
{
    json_t *request = json_pack("{s:s}", "command", "status"), *reply = NULL;
    wn_error_clear(&v->error);
    int rc = wane_ask_quietly(w, v->station, request, patience_ms, &reply, &v->error);
    wn_ns now_ns = wn_clock_monotonic(wn_clock_real());
    if (rc == WN_OK || !v->keep) {
        json_decref(v->reply);
        v->reply = reply;
        v->heard_ns = now_ns;
    }
    v->silent_s = rc == WN_OK ? 0 : fmax(wn_ns_to_s(now_ns - v->heard_ns), 1e-3);
    json_decref(request);
}

void view_fini(struct view *v)
{
    json_decref(v->reply);
    v->reply = NULL;
}

static void print_where(const struct view *v, FILE *f)
{
    int64_t planned = view_integer(v, "cycles_planned");
    if (view_running(v) && view_true(v, "in_check_up")) {
        (void)fprintf(f, "check-up %" PRId64 " after cycle %" PRId64 " of %" PRId64,
                      view_integer(v, "check_up"), view_integer(v, "cycles_done"), planned);
    } else if (view_running(v) && view_integer(v, "cycle") > 0) {
        (void)fprintf(f, "cycle %" PRId64 " of %" PRId64, view_integer(v, "cycle"), planned);
    } else {
        (void)fprintf(f, "%" PRId64 " of %" PRId64 " cycles", view_integer(v, "cycles_done"),
                      planned);
    }
}

static void print_value(FILE *f, const char *before, double x, int decimals, const char *unit)
{
    char buf[WN_NUM_SIZE];
    if (isfinite(x)) {
        (void)fprintf(f, "%s%s %s", before, wn_num_fixed(x, decimals, buf, sizeof buf), unit);
    }
}

void view_line(const struct wane *w, const struct view *v, FILE *f)
{
    char span[WN_SPAN_SIZE];
    if (v->reply == NULL) {
        (void)fprintf(f, "%-8s %sdoes not answer%s", v->station, wane_red(w), wane_plain(w));
        return;
    }
    bool alarm = view_alarm(v);
    (void)fprintf(f, "%-8s %s%s%s", v->station, alarm ? wane_red(w) : "", view_text(v, "state"),
                  alarm ? wane_plain(w) : "");
    if (alarm) {
        const char *rule =
            json_string_value(json_object_get(json_object_get(v->reply, "halt"), "rule"));
        (void)fprintf(f, "  %sALARM%s %s", wane_red(w), wane_plain(w), rule != NULL ? rule : "");
    }
    if (view_text(v, "campaign")[0] != '\0') {
        (void)fprintf(f, "  %s: ", view_text(v, "campaign"));
        print_where(v, f);
        print_value(f, "  ", 100 * view_number(v, "retention"), 1, "% of rated");
        if (view_running(v) && view_number(v, "remaining_s") >= 1) {
            (void)fprintf(f, "  %s left",
                          wn_span_format(view_number(v, "remaining_s"), span, sizeof span));
        }
    } else if (!view_true(v, "instrument_ready")) {
        (void)fprintf(f, "  instrument on %s is not ready", view_text(v, "port"));
    }
    if (view_true(v, "simulated")) {
        (void)fputs("  SIMULATED", f);
    }
}

static const char *member_text(const json_t *o, const char *key)
{
    const char *text = json_string_value(json_object_get(o, key));
    return text != NULL ? text : "";
}

/* One is called just that; of several each by its part in the station. */
static void print_instruments(const struct view *v, FILE *f)
{
    const json_t *list = json_object_get(v->reply, "instruments");
    for (size_t n = 0; n < json_array_size(list); n++) {
        const json_t *o = json_array_get(list, n);
        const char *name = json_array_size(list) == 1 ? "instrument" : member_text(o, "name");
        bool ready = json_is_true(json_object_get(o, "ready"));
        (void)fprintf(f, "  %-12s %s on %s\n", name,
                      ready ? member_text(o, "identity") : "not ready", member_text(o, "port"));
    }
}

static void print_paragraph(FILE *f, const char *text)
{
    (void)fputs("  ", f);
    for (; *text != '\0'; text++) {
        (void)fputc((unsigned char)*text < 0x20 ? '?' : *text, f);
    }
    (void)fputc('\n', f);
}

/* What may be done now: nothing that would be refused. */
static void print_advice(const struct view *v, FILE *f)
{
    const char *state = view_text(v, "state");
    if (strcmp(state, "switching off") == 0) {
        (void)fputs(
            "  Go to the bench: off is tried again and again, and nothing can be acknowledged "
            "before it is verified\n",
            f);
    } else if (strcmp(state, "halted") == 0 || strcmp(state, "paused") == 0) {
        (void)fprintf(f,
                      "  Look at the cell, then: wane ack %s, and wane resume %s or wane stop %s\n",
                      v->station, v->station, v->station);
    } else if (view_text(v, "campaign")[0] != '\0') {
        (void)fprintf(f, "  Look at the cell, then: wane ack %s\n", v->station);
    }
}

static void print_alarm(const struct wane *w, const struct view *v, FILE *f)
{
    const json_t *halt = json_object_get(v->reply, "halt");
    const char *rule = json_string_value(json_object_get(halt, "rule")),
               *text = json_string_value(json_object_get(halt, "text"));
    if (view_alarm(v)) {
        (void)fprintf(f, "  %sALARM%s %s\n", wane_red(w), wane_plain(w), rule != NULL ? rule : "");
        print_paragraph(f, text != NULL ? text : "");
        print_advice(v, f);
    }
    if (!view_true(v, "guard")) {
        (void)fprintf(f, "  %sno guard%s: nothing will be switched on\n", wane_red(w),
                      wane_plain(w));
    }
    if (!view_true(v, "recording")) {
        (void)fprintf(f, "  %snothing can be recorded%s: look at the disk\n", wane_red(w),
                      wane_plain(w));
    }
}

static void print_now(const struct view *v, FILE *f)
{
    char span[WN_SPAN_SIZE];
    if (view_text(v, "step")[0] != '\0' && view_running(v)) {
        (void)fprintf(f, "  step         %s, since %s\n", view_text(v, "step"),
                      wn_span_format(view_number(v, "step_s"), span, sizeof span));
    }
    bool told = json_object_get(v->reply, "reading_age_s") != NULL;
    double age_s = (told ? view_number(v, "reading_age_s") : 0) + v->silent_s;
    bool any = isfinite(view_number(v, "voltage_v")) || isfinite(view_number(v, "current_a"));
    bool stale = told && any && !(age_s <= STALE_S); /* null: from before a restart */
    stale = stale || v->silent_s > 0;
    (void)fputs(stale ? "  last seen  " : "  now        ", f);
    print_value(f, "  ", view_number(v, "voltage_v"), 4, "V");
    print_value(f, "  ", view_number(v, "current_a"), 4, "A");
    print_value(f, "  ", view_number(v, "temperature_c"), 1, "degC");
    print_value(f, " (ambient ", view_number(v, "ambient_c"), 1, "degC)");
    bool unverified = strcmp(view_text(v, "state"), "switching off") == 0;
    (void)fprintf(f, "  output %s%s", view_text(v, "output"),
                  unverified ? " NOT VERIFIED OFF" : "");
    if (stale) {
        (void)fprintf(f, isfinite(age_s) ? "  (%s ago)" : "  (before the station was started)",
                      isfinite(age_s) ? wn_span_format(age_s, span, sizeof span) : "");
    }
    (void)fputc('\n', f);
}

static void print_fade(const struct view *v, FILE *f)
{
    char median[WN_NUM_SIZE], p10[WN_NUM_SIZE], p90[WN_NUM_SIZE], ah[WN_NUM_SIZE];
    const struct wn_fade_result *r = &v->fade;
    (void)fputs("  capacity   ", f);
    if (!isfinite(view_number(v, "capacity_ah"))) {
        (void)fputs("  not known yet: no cycle is over", f);
    }
    print_value(f, "  ", view_number(v, "capacity_ah"), 4, "Ah");
    print_value(f, "  ", 100 * view_number(v, "retention"), 2, "% of rated");
    print_value(f, "  first ", view_number(v, "initial_capacity_ah"), 4, "Ah");
    (void)fputc('\n', f);
    if (!v->projected) {
        return;
    }
    (void)fprintf(f,
                  "  end of life  below %s Ah: ", wn_num_fixed(r->threshold_ah, 4, ah, sizeof ah));
    switch (r->state) {
    case WN_FADE_NOT_YET_PREDICTABLE:
        (void)fputs("not yet predictable\n", f);
        break;
    case WN_FADE_REACHED:
        (void)fprintf(f, "reached at cycle %s\n",
                      wn_num_fixed(r->crossed_at_cycle, 0, median, sizeof median));
        break;
    case WN_FADE_PROJECTED:
        (void)fprintf(f, "about cycle %s (%s to %s)\n",
                      wn_num_fixed(r->eol_median_cycle, 0, median, sizeof median),
                      wn_num_fixed(r->eol_p10_cycle, 0, p10, sizeof p10),
                      wn_num_fixed(r->eol_p90_cycle, 0, p90, sizeof p90));
        break;
    }
}

/* The finish date is host time plus campaign time: on a simulated bench, whose time runs faster, it
 * would be a lie. */
static void print_finish(const struct view *v, FILE *f)
{
    char span[WN_SPAN_SIZE], utc[WN_UTC_SIZE];
    double left_s = view_number(v, "remaining_s");
    if (v->silent_s > 0 || !view_running(v) || !(left_s >= 1)) { /* also when unknown */
        return;
    }
    (void)fprintf(f, "  finish       in %s", wn_span_format(left_s, span, sizeof span));
    if (view_true(v, "simulated")) {
        (void)fputs(" of the bench's own time\n", f);
    } else if (left_s < 1e9) {
        wn_utc_us now = wn_clock_real()->ops->utc(wn_clock_real());
        (void)fprintf(f, ", %s\n", wn_utc_format(now + (wn_utc_us)(left_s * 1e6), utc, sizeof utc));
    } else {
        (void)fputc('\n', f);
    }
}

/* Asked again, and so no fault; but nobody should have to guess that the line is bad. */
static void print_bad_replies(const struct view *v, FILE *f)
{
    const json_t *list = json_object_get(v->reply, "instruments");
    for (size_t i = 0; i < json_array_size(list); i++) {
        const json_t *o = json_array_get(list, i);
        json_int_t bad = json_integer_value(json_object_get(o, "recent_bad_replies"));
        if (bad > 0) {
            (void)fprintf(f, "  replies      %lld of the last %lld bad or missing; last:\n",
                          (long long)bad,
                          (long long)json_integer_value(json_object_get(o, "recent_replies")));
            print_paragraph(f, member_text(o, "last_bad_reply"));
        }
    }
}

/* It does not answer: what it told last, if that is known, may be true no more. */
static void print_silence(const struct wane *w, const struct view *v, FILE *f)
{
    char span[WN_SPAN_SIZE];
    (void)fprintf(f, "%sstation %s%s  %sdoes not answer%s", wane_bold(w), v->station, wane_plain(w),
                  wane_red(w), wane_plain(w));
    if (v->reply != NULL) {
        (void)fprintf(f, "  for %s; was %s", wn_span_format(v->silent_s, span, sizeof span),
                      view_text(v, "state"));
    }
    (void)fputs(v->reply != NULL && view_true(v, "simulated") ? "  SIMULATED\n" : "\n", f);
    print_paragraph(f, v->error.text);
}

static void print_head(const struct wane *w, const struct view *v, FILE *f)
{
    if (v->error.code != WN_OK) {
        print_silence(w, v, f);
    } else {
        (void)fprintf(f, "%sstation %s%s  %s%s\n", wane_bold(w), v->station, wane_plain(w),
                      view_text(v, "state"), view_true(v, "simulated") ? "  SIMULATED" : "");
    }
    if (v->reply != NULL) {
        print_alarm(w, v, f);
    }
}

static void print_body(const struct view *v, FILE *f)
{
    bool campaign = view_text(v, "campaign")[0] != '\0';
    if (v->reply == NULL) {
        return;
    }
    if (campaign) {
        (void)fprintf(f, "  campaign     %s: cell %s, procedure %s\n", view_text(v, "campaign"),
                      view_text(v, "cell"), view_text(v, "procedure"));
        (void)fputs("  progress     ", f);
        print_where(v, f);
        (void)fputc('\n', f);
    }
    print_now(v, f);
    if (campaign) {
        print_fade(v, f);
        print_finish(v, f);
    }
    print_instruments(v, f);
    if (!view_true(v, "instrument_ready") && view_text(v, "fault")[0] != '\0') {
        (void)fprintf(f, "  fault        %s\n", view_text(v, "fault"));
    }
    print_bad_replies(v, f);
}

static void print_broken(const struct wane *w, const struct view *v, const struct paper *p, FILE *f)
{
    char *text = NULL;
    size_t len = 0;
    FILE *m = open_memstream(&text, &len);
    if (m == NULL) {
        return;
    }
    if (w != NULL) {
        print_head(w, v, m);
    } else {
        print_body(v, m);
    }
    if (fclose(m) == 0) {
        paper_wrap(p, text, f);
    }
    free(text);
}

void view_head(const struct wane *w, const struct view *v, const struct paper *p, FILE *f)
{
    print_broken(w, v, p, f);
}

void view_body(const struct view *v, const struct paper *p, FILE *f)
{
    print_broken(NULL, v, p, f);
}

void view_block(const struct wane *w, const struct view *v, const struct paper *p, FILE *f)
{
    view_head(w, v, p, f);
    view_body(v, p, f);
}

json_t *view_json(const struct view *v)
{
    json_t *o = json_object();
    if (v->error.code != WN_OK) {
        wane_put(o, "station", json_string(v->station));
        wane_put(o, "state", json_string("unreachable"));
        wane_put(o, "error", json_string(v->error.text));
        return o;
    }
    (void)json_object_update(o, v->reply);
    (void)json_object_del(o, "ok");
    bool known = v->projected && v->fade.state != WN_FADE_NOT_YET_PREDICTABLE;
    json_t *eol = json_object();
    wane_put(eol, "median", wane_number(known ? v->fade.eol_median_cycle : NAN));
    wane_put(eol, "p10", wane_number(known ? v->fade.eol_p10_cycle : NAN));
    wane_put(eol, "p90", wane_number(known ? v->fade.eol_p90_cycle : NAN));
    wane_put(o, "projection",
             v->projected ? json_string(wn_fade_state_name(v->fade.state)) : json_null());
    wane_put(o, "eol_cycle", eol);
    wane_put(o, "threshold_ah", wane_number(v->projected ? v->fade.threshold_ah : NAN));
    return o;
}

/* Looks into a campaign file and compares it, row by row, with what was acknowledged.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "rig.h"

#include <stdio.h>
#include <string.h>

#include "store/internal.h"

static int take_step(const struct wn_step_record *s, wn_utc_us utc, void *ctx)
{
    struct book *b = ctx;
    (void)utc;
    assert_in_range(s->step_number, 1, BOOK_STEPS);
    assert_int_equal(s->step_number, b->steps + 1); /* no hole */
    b->step[b->steps++] = *s;
    return 0;
}

static int take_cycle(const struct wn_cycle_record *c, wn_utc_us utc, void *ctx)
{
    struct book *b = ctx;
    (void)utc;
    b->cycle[b->cycles++ % BOOK_ROUNDS] = *c;
    return 0;
}

static int take_check_up(const struct wn_check_up_record *c, wn_utc_us utc, void *ctx)
{
    struct book *b = ctx;
    (void)utc;
    b->check_up[b->check_ups++ % BOOK_ROUNDS] = *c;
    return 0;
}

static int take_event(const struct wn_event_row *row, void *ctx)
{
    struct book *b = ctx;
    assert_int_equal(row->number, b->events + 1);
    b->event[b->events++ % BOOK_EVENTS] = row->event;
    return 0;
}

static void read_file(struct wn_campaign *c, struct book *b)
{
    struct wn_error err = {0};
    int64_t n = 0;
    static struct wn_state_record state;
    memset(b, 0, sizeof *b);
    assert_int_equal(wn_campaign_each_step(c, take_step, b, &err), WN_OK);
    assert_int_equal(wn_campaign_each_cycle(c, take_cycle, b, &err), WN_OK);
    assert_int_equal(wn_campaign_each_check_up(c, take_check_up, b, &err), WN_OK);
    assert_int_equal(wn_campaign_each_event(c, 0, take_event, b, &err), WN_OK);
    assert_int_equal(sql_int(c, "SELECT count(*) FROM intent", &n, &err), WN_OK);
    b->intents = (int)n;
    assert_int_equal(
        sql_int(c, "SELECT coalesce(max(number), 0) + 1 FROM reading", &b->readings, &err), WN_OK);
    assert_int_equal(sql_int(c, "SELECT count(*) + 1 FROM reading", &n, &err), WN_OK);
    assert_int_equal(n, b->readings); /* no hole */
    assert_int_equal(wn_campaign_state(c, &state, &err), WN_OK);
    b->state.there = state.size > 0;
    b->state.time_ns = b->state.there ? state.time_ns : 0;
}

static bool same(double a, double b)
{
    return (isnan(a) && isnan(b)) || a == b;
}

static bool same_step(const struct wn_step_record *a, const struct wn_step_record *b)
{
    bool ended = a->ended_by[0] != '\0';
    return a->step_number == b->step_number && a->cycle == b->cycle && a->kind == b->kind &&
           a->in_check_up == b->in_check_up && a->start_ns == b->start_ns &&
           strcmp(a->ended_by, b->ended_by) == 0 &&
           (!ended || (a->end_ns == b->end_ns && same(a->sums.charge_in_ah, b->sums.charge_in_ah) &&
                       same(a->sums.charge_out_ah, b->sums.charge_out_ah) &&
                       same(a->sums.end_charge_ah, b->sums.end_charge_ah) &&
                       a->sums.readings == b->sums.readings));
}

static bool same_cycle(const struct wn_cycle_record *a, const struct wn_cycle_record *b)
{
    return a->cycle == b->cycle && same(a->capacity_ah.value, b->capacity_ah.value) &&
           same(a->charge_ah, b->charge_ah) && a->start_ns == b->start_ns &&
           a->end_ns == b->end_ns && a->flags == b->flags &&
           same(a->resistance_ohm.value, b->resistance_ohm.value);
}

static bool same_check_up(const struct wn_check_up_record *a, const struct wn_check_up_record *b)
{
    return a->check_up == b->check_up && a->after_cycle == b->after_cycle &&
           same(a->capacity_ah.value, b->capacity_ah.value) && a->end_ns == b->end_ns &&
           a->flags == b->flags;
}

/* NULL when the file holds just this; else what differs. */
static const char *difference(const struct book *file, const struct book *b)
{
    if (file->steps != b->steps || file->cycles != b->cycles || file->check_ups != b->check_ups ||
        file->events != b->events || file->intents != b->intents) {
        return "number of rows";
    }
    if (file->readings != (b->readings > 0 ? b->readings : 1)) {
        return "number of readings";
    }
    if (file->state.there != b->state.there || file->state.time_ns != b->state.time_ns) {
        return "state";
    }
    for (int i = 0; i < file->steps; i++) {
        if (!same_step(&file->step[i], &b->step[i])) {
            return "a step";
        }
    }
    for (int i = 0; i < file->cycles && i < BOOK_ROUNDS; i++) {
        if (!same_cycle(&file->cycle[i], &b->cycle[i])) {
            return "a cycle";
        }
    }
    for (int i = 0; i < file->check_ups && i < BOOK_ROUNDS; i++) {
        if (!same_check_up(&file->check_up[i], &b->check_up[i])) {
            return "a check-up";
        }
    }
    for (int i = 0; i < file->events && i < BOOK_EVENTS; i++) {
        const struct wn_event_record *x = &file->event[i], *y = &b->event[i];
        if (x->time_ns != y->time_ns || strcmp(x->kind, y->kind) != 0 ||
            strcmp(x->text, y->text) != 0 || x->severity != y->severity) {
            return "an event";
        }
    }
    return NULL;
}

struct mark rig_audit(struct rig *r, struct wn_campaign *c, bool batch_allowed)
{
    static struct book file;
    struct wn_error err = {0};
    char word[200] = "";
    assert_int_equal(sql_text(c, "PRAGMA integrity_check", word, sizeof word, &err), WN_OK);
    assert_string_equal(word, "ok");
    assert_int_equal(sql_text(c, "SELECT group_concat(\"table\") FROM pragma_foreign_key_check",
                              word, sizeof word, &err),
                     WN_OK);
    assert_string_equal(word, "");
    read_file(c, &file);
    const char *acknowledged = difference(&file, &r->acknowledged);
    const char *batch = batch_allowed ? difference(&file, &r->book) : "no batch was under way";
    if (acknowledged != NULL && batch != NULL) {
        print_error("the file differs from what was acknowledged in %s, from the batch in: %s\n"
                    "file: %d steps %d cycles %d events %d intents; acknowledged: %d %d %d %d\n",
                    acknowledged, batch, file.steps, file.cycles, file.events, file.intents,
                    r->acknowledged.steps, r->acknowledged.cycles, r->acknowledged.events,
                    r->acknowledged.intents);
        fail();
    }
    if (acknowledged != NULL) {
        r->acknowledged = r->book;
    }
    r->book = r->acknowledged;
    r->book.now = r->book.state;
    return r->book.state;
}

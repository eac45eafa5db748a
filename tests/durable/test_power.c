/* The power is cut at every sync of a whole small campaign: what was acknowledged is there, the
 * file is whole, the campaign goes on to its end, and its totals are those of the cell.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "../unit/store/cut_vfs.h"
#include "../unit/store/fixture.h"
#include "base/prng.h"
#include "store/internal.h"

enum { CYCLES = 4, CUT_BY_POWER = 0, FINISHED = 40, FAILED = 41 };

#define LIMIT_S (40.0 * 86400)

/* What a campaign without a cut records, to compare with. */
static struct {
    double capacity_ah, in_ah, out_ah, off_in_ah, off_out_ah;
    long syncs, operations;
    int steps;
} whole;

static int
    stuck; /* so often a started campaign was found idle: it can neither go on nor be stopped */

/* The child: to the end, or to the cut. */
_Noreturn static void live(struct rig *r, uint64_t seed, long cut_at, bool syncs, bool tear)
{
    cut_vfs_install(seed, cut_at, 0);
    if (syncs) {
        cut_vfs_only_syncs();
    }
    if (tear) {
        cut_vfs_tear();
    }
    int rc = access(r->path, F_OK) == 0 ? rig_reopen(r) : rig_create(r);
    if (rc != WN_OK) {
        (void)fprintf(stderr, "%s\n", r->error.text);
        _exit(FAILED);
    }
    rig_turn(r); /* one that was finished without its word in the file gets it now */
    bool over = rig_run(r, LIMIT_S) && wn_engine_state(r->engine) == WN_ENGINE_FINISHED;
    if (!over) {
        (void)fprintf(stderr, "not finished: %s; last told: %s\n",
                      wn_engine_state_name(wn_engine_state(r->engine)),
                      r->book.event[(r->book.events + BOOK_EVENTS - 1) % BOOK_EVENTS].text);
    }
    rig_close(r);
    r->commits = cut_vfs_operations();
    _exit(over ? FINISHED : FAILED);
}

static int run_child(struct rig *r, uint64_t seed, long cut_at, bool syncs, bool tear)
{
    int status = 0;
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        live(r, seed, cut_at, syncs, tear);
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_not_equal(WEXITSTATUS(status), FAILED);
    return WEXITSTATUS(status);
}

static void forget_index(const struct rig *r)
{
    char shm[300];
    (void)snprintf(shm, sizeof shm, "%s-shm", r->path);
    (void)unlink(shm); /* lived in memory */
}

/* What is true of every campaign that has come to its end, cut or not. */
static void judge_numbers(const struct rig *r)
{
    const struct book *b = &r->book;
    assert_int_equal(b->cycles, CYCLES);
    assert_int_equal(b->check_ups, 2);
    for (int i = 0; i < CYCLES; i++) {
        assert_int_equal(b->cycle[i].cycle, i + 1);
    }
    for (int i = 0; i < b->steps; i++) {
        assert_true(b->step[i].ended_by[0] != '\0');
        assert_true(i == 0 || b->step[i].start_ns >= b->step[i - 1].end_ns);
    }
    assert_int_equal(b->steps, whole.steps); /* one that was interrupted goes on as the same */
    assert_int_equal(r->unsafe_outputs, 0);
}

/* The flag is on what was under way and on nothing else. */
static void judge_flags(const struct rig *r, const struct mark *cuts, int n)
{
    for (int i = 0; i < CYCLES + 2; i++) {
        bool in_check_up = i >= CYCLES, due = false;
        int64_t number = in_check_up ? i - CYCLES + 1 : i + 1;
        for (int k = 0; k < n; k++) {
            due |= cuts[k].open && cuts[k].in_check_up == in_check_up && cuts[k].number == number;
        }
        unsigned flags =
            in_check_up ? r->book.check_up[number - 1].flags : r->book.cycle[number - 1].flags;
        bool flagged = (flags & WN_FLAG_INTERRUPTED) != 0;
        if (due != flagged) {
            print_error("%s %d: interrupted is %d, %d is due\n", in_check_up ? "check-up" : "cycle",
                        (int)number, flagged, due);
            fail();
        }
        if (!in_check_up && (flags & WN_FLAGS_INVALID) == 0) {
            assert_near(r->book.cycle[i].capacity_ah.value, whole.capacity_ah, 1e-3);
        }
    }
}

/* Recorded charge and what flowed while nobody was there make up what the cell has really moved; an
 * interval of readings at each edge is not seen. */
static void judge_charge(const struct rig *r, double lost_in_ah, double lost_out_ah, int cuts)
{
    double in_ah, out_ah;
    rig_recorded(r, &in_ah, &out_ah);
    double edge_ah = 10.0 * 2.5 / 3600 * cuts;
    assert_near(r->w.true_in_ah - lost_in_ah - in_ah, whole.off_in_ah, 1e-3 + edge_ah);
    assert_near(r->w.true_out_ah - lost_out_ah - out_ah, whole.off_out_ah, 1e-3 + edge_ah);
}

struct cut_plan {
    uint64_t seed;
    long at[3]; /* the n-th run is cut there; 0: not */
    bool syncs, tear;
};

/* Said before each run: cmocka shows it when the run fails. */
static void say(const struct cut_plan *p)
{
    print_message("SEED=%llu, cut at %s %ld, %ld, %ld%s\n", (unsigned long long)p->seed,
                  p->syncs ? "sync" : "operation", p->at[0], p->at[1], p->at[2],
                  p->tear ? ", sectors torn" : "");
}

static struct rig *go(const struct fixture *f, const struct cut_plan *p)
{
    struct rig *r = rig_make(f->dir, CYCLES, CYCLES);
    struct mark cuts[4];
    double lost_in_ah = 0, lost_out_ah = 0;
    int n = 0, end = CUT_BY_POWER;
    for (int run = 0; run < 4 && end != FINISHED; run++) {
        double tail_s = run % 2 == 0 ? 0 : 20; /* its own stop on silence */
        end = run_child(r, p->seed + (uint64_t)run, run < 3 ? p->at[run] : 0, p->syncs, p->tear);
        if (end == FINISHED) {
            break;
        }
        rig_power_lost(r, tail_s, p->seed % 3 == 0 ? 3 : 600);
        forget_index(r);
        if (access(r->path, F_OK) != 0) { /* cut while the file was being made */
            assert_false(r->acknowledged.state.there);
            assert_int_equal(r->outputs, 0);
            r->book = r->acknowledged;
            continue;
        }
        struct wn_campaign *c = NULL;
        assert_ok(wn_campaign_open(&c, r->path, why));
        struct mark m = rig_audit(r, c, r->committing);
        char status[32];
        assert_ok(wn_campaign_status(c, status, sizeof status, why));
        bool fresh = strcmp(status, "new") == 0;
        bool idle = m.there && !fresh && rig_saved_state(r, c) == WN_ENGINE_IDLE;
        wn_campaign_close(c);
        r->committing = false;
        stuck += idle ? 1 : 0;
        if (!m.there || fresh || idle) { /* not yet started: a station passes such a file over */
            assert_int_equal(r->outputs, 0);
            place_remove(r->path);
            memset(&r->acknowledged, 0, sizeof r->acknowledged);
            r->book = r->acknowledged;
            continue;
        }
        lost_in_ah += r->w.true_in_ah - m.in_ah;
        lost_out_ah += r->w.true_out_ah - m.out_ah;
        r->outputs = r->book.intents; /* each needs an intent of its own from here on */
        cuts[n++] = m;
    }
    assert_int_equal(end, FINISHED);
    struct wn_campaign *c = NULL;
    assert_ok(wn_campaign_open_read(&c, r->path, why));
    (void)rig_audit(r, c, false);
    char status[32];
    assert_ok(wn_campaign_status(c, status, sizeof status, why));
    assert_string_equal(status, "finished");
    wn_campaign_close(c);
    if (whole.steps > 0) {
        judge_numbers(r);
        judge_flags(r, cuts, n);
        judge_charge(r, lost_in_ah, lost_out_ah, n);
    }
    place_remove(r->path);
    return r;
}

static void learn_whole(const struct fixture *f)
{
    if (whole.steps > 0) {
        return;
    }
    struct cut_plan p = {.syncs = true};
    struct rig *r = go(f, &p);
    rig_recorded(r, &whole.in_ah, &whole.out_ah);
    whole.off_in_ah = r->w.true_in_ah - whole.in_ah;
    whole.off_out_ah = r->w.true_out_ah - whole.out_ah;
    whole.steps = r->book.steps;
    whole.syncs = r->commits;
    whole.capacity_ah = r->book.cycle[1].capacity_ah.value;
    print_message("whole: %ld syncs, %d steps, %.6f Ah in and %.6f Ah out recorded, %.6f and %.6f "
                  "less than true; %.6f Ah a cycle\n",
                  whole.syncs, whole.steps, whole.in_ah, whole.out_ah, whole.off_in_ah,
                  whole.off_out_ah, whole.capacity_ah);
    rig_unmake(r);
    p.syncs = false;
    r = go(f, &p);
    whole.operations = r->commits;
    rig_unmake(r);
}

static void test_whole(void **state)
{
    learn_whole(*state);
    assert_true(whole.syncs > 100);
    assert_true(fabs(whole.off_in_ah) < 1e-3 * whole.in_ah);
    assert_true(fabs(whole.off_out_ah) < 1e-3 * whole.out_ah);
}

static void test_every_sync(void **state)
{
    learn_whole(*state);
    struct wn_prng rng;
    wn_prng_init(&rng, fixture_seed(20260601));
    for (long k = 1; k <= whole.syncs; k++) {
        struct cut_plan p = {.seed = wn_prng_next(&rng), .at = {k}, .syncs = true, .tear = k % 2};
        say(&p);
        rig_unmake(go(*state, &p));
    }
    assert_int_equal(stuck, 0);
}

/* Anywhere, also in the middle of a write, and again while it goes on from the cut before. */
static void test_cut_after_cut(void **state)
{
    learn_whole(*state);
    struct wn_prng rng;
    wn_prng_init(&rng, fixture_seed(20260602));
    for (int i = 0; i < 60; i++) {
        struct cut_plan p = {.seed = wn_prng_next(&rng), .tear = i % 2 == 0};
        for (int k = 0; k < 3; k++) {
            p.at[k] = 1 + (long)wn_prng_below(&rng, (uint64_t)whole.operations);
        }
        say(&p);
        rig_unmake(go(*state, &p));
    }
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {T(test_whole), T(test_every_sync), T(test_cut_after_cut)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

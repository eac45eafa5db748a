/* A disk that fails in mid-campaign: at every n-th write, sync, open, read and mapping, once, a few
 * times or until it is repaired. The campaign halts with the right alarm, nothing is lost, and it
 * goes on after the repair. SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "rig.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "../unit/store/fault_vfs.h"
#include "../unit/store/fixture.h"
#include "store/internal.h"

enum { CYCLES = 2, HALTS_MAX = 40 };

#define LIMIT_S        (40.0 * 86400)
#define UNTIL_REPAIRED 1000000000L

static long seen[FAULT_OPS];
static double off_in_ah, off_out_ah;
static int steps;
static long halted_runs, runs;

struct trouble {
    enum fault_op op;
    int code;
    long at, failing;
};

static void say(const struct trouble *t, const struct rig *r)
{
    static const char *const words[] = {"write", "sync", "truncate", "open", "read", "mapping"};
    print_error("%s %ld fails %ld times with code %d; engine is %s\n", words[t->op], t->at,
                t->failing, t->code,
                r->engine != NULL ? wn_engine_state_name(wn_engine_state(r->engine)) : "not there");
    for (int i = 0; i < r->book.events && i < BOOK_EVENTS; i++) {
        print_error("  %s: %s\n", r->book.event[i].kind, r->book.event[i].text);
    }
}

#define check(what)                                                                                \
    do {                                                                                           \
        if (!(what)) {                                                                             \
            say(t, r);                                                                             \
            assert_true(what);                                                                     \
        }                                                                                          \
    } while (0)

static int alarms(const struct rig *r, const char *kind)
{
    int n = 0;
    for (int i = 0; i < r->book.events && i < BOOK_EVENTS; i++) {
        n += r->book.event[i].severity == WN_SEVERITY_ALARM &&
             strcmp(r->book.event[i].kind, kind) == 0;
    }
    return n;
}

/* The disk is repaired, the operator acknowledges and resumes. */
static void repair(struct rig *r, const struct trouble *t)
{
    for (int i = 0; i < 5; i++) { /* it stays halted while the disk is broken, and off */
        rig_turn(r);
        check(wn_engine_state(r->engine) == WN_ENGINE_HALTED && !r->w.on);
    }
    if (t->failing == UNTIL_REPAIRED) {
        fault.at = 0;
    }
    for (int i = 0; i < 100 && r->store_failed; i++) {
        rig_turn(r);
    }
    check(!r->store_failed);
    rig_command(r, WN_EVENT_ACKNOWLEDGE);
    if (wn_engine_state(r->engine) == WN_ENGINE_PAUSED) {
        rig_command(r, WN_EVENT_RESUME);
    }
}

static int create(struct rig *r, const struct trouble *t)
{
    int rc = rig_create(r);
    if (rc != WN_OK) { /* nothing was switched on; a file without a session may be left */
        check(r->outputs == 0 && fault.fired > 0);
        rig_close(r);
        fault.at = 0;
        place_remove(r->path);
        memset(&r->book, 0, sizeof r->book);
        r->acknowledged = r->book;
        rc = rig_create(r);
    }
    return rc;
}

static void judge(struct rig *r, const struct trouble *t, int halts, unsigned interrupted)
{
    double in_ah, out_ah;
    struct wn_campaign *c = NULL;
    check(wn_engine_state(r->engine) == WN_ENGINE_FINISHED);
    rig_close(r);
    fault_none();
    r->acknowledged = r->book; /* everything ever put is in the file, once */
    assert_ok(wn_campaign_open_read(&c, r->path, why));
    (void)rig_audit(r, c, false);
    wn_campaign_close(c);
    check(r->book.cycles == CYCLES && (steps == 0 || r->book.steps == steps));
    check(r->unsafe_outputs == 0 && r->unsafe_ah == 0);
    rig_recorded(r, &in_ah, &out_ah);
    if (steps > 0) {
        double edge_ah = 1e-3 + 10.0 * 2.5 / 3600 * halts;
        check(fabs(r->w.true_in_ah - in_ah - off_in_ah) < edge_ah);
        check(fabs(r->w.true_out_ah - out_ah - off_out_ah) < edge_ah);
    }
    for (int i = 0; i < CYCLES; i++) {
        bool flagged = (r->book.cycle[i].flags & WN_FLAG_INTERRUPTED) != 0;
        check(r->book.cycle[i].cycle == i + 1 && flagged == ((interrupted >> i & 1) != 0));
    }
    check(alarms(r, "recording_failed") >= (halts > 0 ? 1 : 0));
}

static void run(const struct fixture *f, const struct trouble *t)
{
    struct rig *r = rig_make(f->dir, CYCLES, CYCLES);
    int halts = 0;
    unsigned interrupted = 0;
    fault_arm(t->op, t->code, t->at, t->failing);
    assert_int_equal(create(r, t), WN_OK);
    while (rig_run(r, LIMIT_S) && wn_engine_state(r->engine) == WN_ENGINE_HALTED) {
        check(++halts < HALTS_MAX && fault.fired > 0 && !r->w.on);
        check(alarms(r, "recording_failed") > 0);
        if (r->book.now.open && !r->book.now.in_check_up) {
            interrupted |= 1u << (r->book.now.number - 1);
        }
        repair(r, t);
    }
    for (int i = 0; i < 100 && r->store_failed; i++) { /* a failure after the end */
        rig_turn(r);
    }
    judge(r, t, halts, interrupted);
    halted_runs += halts > 0 ? 1 : 0;
    runs++;
    if (steps == 0) {
        double in_ah, out_ah;
        rig_recorded(r, &in_ah, &out_ah);
        off_in_ah = r->w.true_in_ah - in_ah;
        off_out_ah = r->w.true_out_ah - out_ah;
        steps = r->book.steps;
    }
    place_remove(r->path);
    rig_unmake(r);
}

static void learn(const struct fixture *f)
{
    fault_vfs_install();
    if (steps == 0) {
        const struct trouble none = {.at = 0};
        struct rig *r = rig_make(f->dir, CYCLES, CYCLES);
        fault_arm(FAULT_WRITE, 0, 0, 0);
        assert_int_equal(rig_create(r), WN_OK);
        assert_true(rig_run(r, LIMIT_S));
        rig_close(r);
        memcpy(seen, fault.seen, sizeof seen);
        place_remove(r->path);
        rig_unmake(r);
        run(f, &none);
        print_message("seen: %ld writes, %ld syncs, %ld opens, %ld reads, %ld mappings\n",
                      seen[FAULT_WRITE], seen[FAULT_SYNC], seen[FAULT_OPEN], seen[FAULT_READ],
                      seen[FAULT_SHM]);
    }
}

static void fail_at_every(const struct fixture *f, enum fault_op op, int code, long most)
{
    static const long failing[] = {1, 3, UNTIL_REPAIRED};
    learn(f);
    long step = (seen[op] + most - 1) / most;
    halted_runs = runs = 0;
    for (long at = 1, i = 0; at <= seen[op]; at += step, i++) {
        struct trouble t = {op, code, at, failing[i % 3]};
        run(f, &t);
    }
    print_message("%ld runs, %ld of them halted and went on\n", runs, halted_runs);
    assert_true(runs > 0);
}

static void test_writes_fail(void **state)
{
    fail_at_every(*state, FAULT_WRITE, SQLITE_IOERR_WRITE, 90);
    assert_true(halted_runs > runs / 2);
}

static void test_disk_is_full(void **state)
{
    fail_at_every(*state, FAULT_WRITE, SQLITE_FULL, 90);
    assert_true(halted_runs > runs / 2);
}

static void test_syncs_fail(void **state)
{
    fail_at_every(*state, FAULT_SYNC, SQLITE_IOERR_FSYNC, 90);
    assert_true(halted_runs > runs / 2);
}

static void test_read_only(void **state)
{
    fail_at_every(*state, FAULT_WRITE, SQLITE_READONLY, 30);
    assert_true(halted_runs > runs / 2);
}

static void test_reads_fail(void **state)
{
    fail_at_every(*state, FAULT_READ, SQLITE_IOERR_READ, 60);
}

static void test_opens_fail(void **state)
{
    fail_at_every(*state, FAULT_OPEN, SQLITE_CANTOPEN, 60);
}

static void test_mappings_fail(void **state)
{
    fail_at_every(*state, FAULT_SHM, SQLITE_IOERR_SHMMAP, 60);
}

/* The process dies too, while the disk is broken: what was acknowledged before is in the file. */
static void test_dies_on_a_broken_disk(void **state)
{
    const struct fixture *f = *state;
    learn(f);
    long step = seen[FAULT_WRITE] / 40 + 1;
    for (long at = 60; at <= seen[FAULT_WRITE]; at += step) {
        struct rig *r = rig_make(f->dir, CYCLES, CYCLES);
        int status = 0;
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            fault_arm(FAULT_WRITE, at % 2 ? SQLITE_IOERR_WRITE : SQLITE_FULL, at, UNTIL_REPAIRED);
            int rc = rig_create(r);
            (void)(rc == WN_OK && rig_run(r, LIMIT_S));
            _exit(r->w.on ? 2 : 0);
        }
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFEXITED(status) && WEXITSTATUS(status) == 0);
        struct wn_campaign *c = NULL;
        fault_none();
        if (access(r->path, F_OK) == 0) {
            assert_ok(wn_campaign_open(&c, r->path, why));

            (void)rig_audit(r, c, false);
            wn_campaign_close(c);
        } else {
            assert_false(r->acknowledged.state.there);
        }
        place_remove(r->path);
        rig_unmake(r);
    }
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {T(test_writes_fail),   T(test_disk_is_full),
                                       T(test_syncs_fail),    T(test_read_only),
                                       T(test_reads_fail),    T(test_opens_fail),
                                       T(test_mappings_fail), T(test_dies_on_a_broken_disk)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

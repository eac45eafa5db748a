/* Campaign file: power cuts and kills at any moment. What was acknowledged is there, once; what was
 * not is there as a whole or not at all; the file is never damaged.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "fixture.h"

#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

#include "base/prng.h"
#include "cut_vfs.h"
#include "store/internal.h"

enum { ROUNDS = 24, READINGS = 4, CUTS = 400 };

struct plan {
    uint64_t seed;
    long cut_at;        /* operation; 0: none */
    int lying;          /* percent of syncs */
    const char *weaken; /* SQL on the writer's connection; NULL: as it is */
    int64_t rounds;
};

static bool try_put(struct wn_campaign *c, const struct wn_record *r)
{
    return wn_store_put(wn_campaign_store(c), r, NULL) == WN_OK;
}

/* A round is one commit, and leaves the same trace in every table. */
static bool write_round(struct wn_campaign *c, int64_t n)
{
    static struct wn_record r;
    bool ok = true;
    fixture_step(&r, WN_RECORD_STEP_BEGIN, n);
    ok &= try_put(c, &r);
    for (int64_t k = 0; k < READINGS; k++) {
        fixture_reading(&r, n * 10 + k, n);
        ok &= try_put(c, &r);
    }
    fixture_step(&r, WN_RECORD_STEP_END, n);
    ok &= try_put(c, &r);
    fixture_cycle(&r, n);
    ok &= try_put(c, &r);
    fixture_event(&r, n, WN_SEVERITY_INFO);
    ok &= try_put(c, &r);
    fixture_state(&r, n, 5000);
    ok &= try_put(c, &r);
    return ok && wn_store_commit(wn_campaign_store(c), n, NULL) == WN_OK;
}

static bool tell(int fd, int64_t n)
{
    return write(fd, &n, sizeof n) == (ssize_t)sizeof n;
}

/* The child: no assertions, it tells by its exit code and by the numbers it acknowledges. */
_Noreturn static void write_campaign(const struct fixture *f, const struct plan *p, int acks)
{
    static struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    int64_t n;
    cut_vfs_install(p->seed, p->cut_at, p->lying);
    fixture_info(&info);
    if (wn_campaign_create(&c, f->path, &info, fixture_config, NULL) != WN_OK || !tell(acks, 0)) {
        _exit(10); /* 0: the file is there */
    }
    if (p->weaken != NULL && sql_exec(c, p->weaken, "weakening", NULL) != WN_OK) {
        _exit(11);
    }
    for (n = 1; n <= p->rounds; n++) {
        if (n == p->rounds / 2) { /* a restart of the service */
            wn_campaign_close(c);
            if (wn_campaign_open(&c, f->path, NULL) != WN_OK) {
                _exit(12);
            }
            (void)(p->weaken != NULL && sql_exec(c, p->weaken, "weakening", NULL));
        }
        if (!write_round(c, n)) {
            _exit(13);
        }
        if (!tell(acks, n)) {
            _exit(14);
        }
        if (n % 5 == 0 && wn_campaign_maintain(c, 0, NULL) != WN_OK) {
            _exit(15);
        }
    }
    wn_campaign_close(c);
    _exit(tell(acks, cut_vfs_operations()) ? 0 : 16);
}

/* Runs the child to its end; returns the last number it told, -1 when none. */
static int64_t run(const struct fixture *f, const struct plan *p)
{
    int pipe_fd[2], status = 0;
    int64_t n = -1, told = -1;
    assert_int_equal(pipe(pipe_fd), 0);
    pid_t child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        (void)close(pipe_fd[0]);
        write_campaign(f, p, pipe_fd[1]);
    }
    (void)close(pipe_fd[1]);
    while (read(pipe_fd[0], &n, sizeof n) == (ssize_t)sizeof n) {
        told = n;
    }
    (void)close(pipe_fd[0]);
    assert_int_equal(waitpid(child, &status, 0), child);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 0) {
        print_error("SEED=%llu cut at %ld: child ended with %d\n", (unsigned long long)p->seed,
                    p->cut_at, status);
        fail();
    }
    return told;
}

enum outcome { KEPT, LOST, DAMAGED };

/* Looks at what the cut has left, as the restarted service would. */
static enum outcome look(const struct fixture *f, int64_t told)
{
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    char shm[300];
    (void)snprintf(shm, sizeof shm, "%s-shm", f->path);
    (void)unlink(shm); /* lived in memory */
    if (access(f->path, F_OK) != 0) {
        return told < 0 ? KEPT : LOST;
    }
    if (wn_campaign_open(&c, f->path, &err) != WN_OK) {
        return DAMAGED;
    }
    static const char *const counts[] = {"SELECT count(*) FROM cycle",
                                         "SELECT coalesce(max(cycle), 0) FROM cycle",
                                         "SELECT count(*) FROM event",
                                         "SELECT count(DISTINCT text) FROM event",
                                         "SELECT count(*) FROM step",
                                         "SELECT count(*) FROM step WHERE end_ns > 0",
                                         "SELECT coalesce(max(time_ns), 0) FROM state",
                                         "SELECT count(DISTINCT time_ns) / 4 FROM reading",
                                         "SELECT (count(*) + 3) / 4 FROM reading"};
    int64_t first = -1, n = -2;
    char word[200] = "";
    enum outcome o = KEPT;
    assert_ok(sql_text(c, "PRAGMA integrity_check", word, sizeof word, why));
    o = strcmp(word, "ok") == 0 ? o : DAMAGED;
    for (size_t i = 0; o == KEPT && i < sizeof counts / sizeof counts[0]; i++) {
        assert_ok(sql_int(c, counts[i], &n, why));
        first = i == 0 ? n : first;
        o = n == first ? o : DAMAGED; /* part of a commit */
    }
    o = o == KEPT && first < told ? LOST : o;
    if (o == KEPT) { /* and it goes on */
        assert_true(first <= told + 1);
        assert_true(write_round(c, first + 1));
    }
    wn_campaign_close(c);
    return o;
}

static long operations_of(const struct fixture *f, struct plan p)
{
    p.cut_at = 0;
    long operations = (long)run(f, &p);
    assert_int_equal(look(f, p.rounds), KEPT);
    place_remove(f->path);
    return operations;
}

static void count_outcomes(const struct fixture *f, struct plan p, int cuts, int *outcomes)
{
    struct wn_prng rng;
    wn_prng_init(&rng, p.seed);
    long operations = operations_of(f, p);
    assert_true(operations > 100);
    memset(outcomes, 0, 3 * sizeof outcomes[0]);
    for (int i = 0; i < cuts; i++) {
        p.seed = wn_prng_next(&rng);
        p.cut_at = 1 + (long)wn_prng_below(&rng, (uint64_t)operations);
        enum outcome o = look(f, run(f, &p));
        outcomes[o]++;
        if (o != KEPT && p.weaken == NULL && p.lying == 0) {
            print_error("cut with seed %llu at operation %ld: %s\n", (unsigned long long)p.seed,
                        p.cut_at, o == LOST ? "lost" : "damaged");
        }
        place_remove(f->path);
    }
    print_message("%d cuts in %ld operations: %d kept, %d lost, %d damaged\n", cuts, operations,
                  outcomes[KEPT], outcomes[LOST], outcomes[DAMAGED]);
}

static void test_power_cuts(void **state)
{
    int outcomes[3];
    struct plan p = {.seed = fixture_seed(20260501), .rounds = ROUNDS};
    count_outcomes(*state, p, CUTS, outcomes);
    assert_int_equal(outcomes[LOST], 0);
    assert_int_equal(outcomes[DAMAGED], 0);
}

/* The same eyes see it when durability is weaker: the test above can fail. */
static void test_weaker_is_seen(void **state)
{
    int outcomes[3];
    struct plan p = {.seed = fixture_seed(20260502), .rounds = ROUNDS};
    p.weaken = "PRAGMA synchronous = NORMAL";
    count_outcomes(*state, p, 60, outcomes);
    assert_true(outcomes[LOST] > 0);
    p.weaken = "PRAGMA synchronous = OFF";
    count_outcomes(*state, p, 60, outcomes);
    assert_true(outcomes[LOST] + outcomes[DAMAGED] > 0);
    p.weaken = NULL;
    p.lying = 30; /* a card that says "done" and is not */
    count_outcomes(*state, p, 60, outcomes);
    assert_true(outcomes[LOST] + outcomes[DAMAGED] > 0);
}

/* kill -9 of a writer on the real file system, when the parent has seen k acknowledgements. */
static void test_kills(void **state)
{
    const struct fixture *f = *state;
    struct wn_prng rng;
    wn_prng_init(&rng, fixture_seed(20260503));
    for (int i = 0; i < 30; i++) {
        int64_t until = (int64_t)wn_prng_below(&rng, 60), n = -1, told = -1;
        int pipe_fd[2], status = 0;
        assert_int_equal(pipe(pipe_fd), 0);
        pid_t child = fork();
        assert_true(child >= 0);
        if (child == 0) {
            static struct wn_campaign_info info;
            struct wn_campaign *c = NULL;
            (void)close(pipe_fd[0]);
            fixture_info(&info);
            if (wn_campaign_create(&c, f->path, &info, fixture_config, NULL) != WN_OK) {
                _exit(1);
            }
            c->checkpoint_at = 20;
            for (n = 1; write_round(c, n); n++) { /* until it is killed */
                if (!tell(pipe_fd[1], n)) {
                    break;
                }
            }
            _exit(2);
        }
        (void)close(pipe_fd[1]);
        while (told < until && read(pipe_fd[0], &n, sizeof n) == (ssize_t)sizeof n) {
            told = n;
        }
        assert_int_equal(kill(child, SIGKILL), 0);
        while (read(pipe_fd[0], &n, sizeof n) == (ssize_t)sizeof n) { /* told before it died */
            told = n;
        }
        (void)close(pipe_fd[0]);
        assert_int_equal(waitpid(child, &status, 0), child);
        assert_true(WIFSIGNALED(status));
        assert_int_equal(look(f, told), KEPT);
        place_remove(f->path);
    }
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, fixture_setup, fixture_teardown)
    const struct CMUnitTest tests[] = {T(test_power_cuts), T(test_weaker_is_seen), T(test_kills)};
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

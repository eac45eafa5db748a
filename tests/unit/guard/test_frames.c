/* The guard's one deed on an instrument that speaks in frames: off, frame by frame, and the whole
 * reply that proves it. The instrument is a process at the other end of a pseudo-terminal.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "guard/guard.h"
#include "port/clock.h"

enum { GAP_MS = 24, FRAME = 8, REPLY = 6, RECORD = 256, LONG_MS = 100 };

static const char off_a[FRAME] = "\x07\x05\x00\x00\x00\x00\xcd\xac";
static const char off_b[FRAME] = "\x07\x05\x00\x01\x00\x00\x9c\x6c";
static const char query[FRAME] = "\x07\x01\x00\x00\x00\x01\xfd\xac";
/* Of another unit on the same line. */
static const char other_off[FRAME] = "\x08\x05\x00\x00\x00\x00\xcd\x53";
static const char other_query[FRAME] = "\x08\x01\x00\x00\x00\x01\xfd\x53";
static const char other_is_off[REPLY] = "\x08\x01\x01\x00\x52\x14";
static const char is_off[REPLY] = "\x07\x01\x01\x00\x51\xf0";
static const char is_on[REPLY] = "\x07\x01\x01\x01\x90\x30";

/* What the instrument does, and what it heard: shared with its process. */
struct instrument {
    int answer_ms, piece; /* a reply comes so late, in pieces of so many bytes (0: whole) */
    int busy_ms;          /* a question is answered so much later */
    bool shared;          /* its port is; else it is the port itself */
    bool echoes, mute, stays_on, babbles; /* babbles: sends an old reply before each */
    bool two, mute_first; /* a further unit on the same line; the first one is mute */
    int slots;            /* so many outputs of the one unit, by one frame each */
    bool cut;             /* the station has died with half a frame on the line */
    int bytes, spoilt;    /* spoilt: frames while it was about to answer: nobody hears them */
    char heard[RECORD][FRAME];
    int64_t heard_ns[RECORD], answered_ns[RECORD];
    int n;
};

static struct instrument *inst;
static char logged[400];
static int64_t slow_ns; /* so much later it is by each answer, for the guard */
static int64_t skew_ns;
static int in_vain; /* long waits for something that did not come */

int64_t guard_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real()) + skew_ns;
}

int poll(struct pollfd *fds, nfds_t n, int timeout_ms)
{
    const struct timespec limit = {timeout_ms / 1000, timeout_ms % 1000 * 1000000L};
    int rc = ppoll(fds, n, timeout_ms < 0 ? NULL : &limit, NULL);
    skew_ns += rc > 0 && timeout_ms >= LONG_MS ? slow_ns : 0;
    in_vain += rc == 0 && timeout_ms >= LONG_MS;
    return rc;
}

void guard_log(int priority, const char *fmt, ...)
{
    va_list args;
    (void)priority;
    va_start(args, fmt);
    (void)vsnprintf(logged, sizeof logged, fmt, args);
    va_end(args);
}

/* Bytes that come within a silence are one frame; what is none of eight bytes is not heard. */
static size_t hear(int fd, char *frame, size_t size)
{
    struct pollfd p = {fd, POLLIN, 0};
    size_t len = 0;
    while (poll(&p, 1, len == 0 ? -1 : 4) == 1) {
        ssize_t n = read(fd, frame + len, size - len);
        if (n <= 0) {
            _exit(0);
        }
        inst->bytes += (int)n;
        len += (size_t)n;
        len = len == size ? 0 : len;
    }
    return len;
}

static void pause_ms(int ms)
{
    (void)poll(NULL, 0, ms);
}

/* Two wires: who talks while another one does spoils both. */
static void think(int fd, int ms)
{
    char block[64];
    struct pollfd p = {fd, POLLIN, 0};
    pause_ms(ms);
    while (poll(&p, 1, 0) == 1 && read(fd, block, sizeof block) > 0) {
        inst->spoilt++;
    }
}

/* What it answers; NULL: nothing. */
static const char *answer_to(const char *frame, bool on, size_t *len)
{
    bool asked = memcmp(frame, query, FRAME) == 0, other = frame[0] == other_off[0];
    *len = asked || memcmp(frame, other_query, FRAME) == 0 ? REPLY : FRAME;
    if (inst->mute || (inst->mute_first && !other)) {
        return NULL;
    }
    return *len == FRAME ? frame : other ? other_is_off : on ? is_on : is_off;
}

static void say(int fd, const char *bytes, size_t len)
{
    size_t piece = inst->piece > 0 ? (size_t)inst->piece : len;
    for (size_t at = 0; at < len; at += piece) {
        size_t n = at + piece < len ? piece : len - at;
        if (at > 0) {
            pause_ms(8);
        }
        if (write(fd, bytes + at, n) != (ssize_t)n) {
            _exit(1);
        }
    }
}

_Noreturn static void serve(int fd)
{
    char frame[64];
    bool on = true;
    for (;;) {
        size_t len = hear(fd, frame, sizeof frame);
        if (len != FRAME || inst->n == RECORD) {
            continue;
        }
        int k = inst->n;
        memcpy(inst->heard[k], frame, FRAME);
        inst->heard_ns[k] = guard_now_ns();
        on = on && (memcmp(frame, off_a, FRAME) != 0 || inst->stays_on);
        if (inst->echoes) {
            say(fd, frame, FRAME);
        }
        const char *answer = answer_to(frame, on, &len);
        if (answer != NULL) {
            think(fd, inst->answer_ms + (len == REPLY ? inst->busy_ms : 0));
            if (inst->babbles) {
                say(fd, is_on, REPLY);
                pause_ms(GAP_MS + 10);
            }
            say(fd, answer, len);
        }
        inst->answered_ns[k] = guard_now_ns();
        inst->n++;
    }
}

static struct guard_message message_of(const struct instrument *how)
{
    struct guard_message m = {.gap_ms = GAP_MS,
                              .off_len = (how->slots > 0 ? 1 : 2) * (FRAME + 1),
                              .query_len = FRAME,
                              .expect_len = REPLY,
                              .shared = how->shared,
                              .port = "test"};
    m.off[0] = m.off[FRAME + 1] = FRAME;
    memcpy(m.off + 1, off_a, FRAME);
    memcpy(m.off + FRAME + 2, off_b, FRAME);
    memcpy(m.query, query, FRAME);
    memcpy(m.expect, is_off, REPLY);
    return m;
}

static void hand_over(struct child *c, const struct instrument *how, int fd)
{
    for (int i = 0; i < GUARD_SLOTS; i++) {
        bool more = i > 0 && i < how->slots;
        c->dup[i].fd = i == 0 ? fd : more ? fcntl(fd, F_DUPFD_CLOEXEC, 0) : -1;
        c->dup[i].how = message_of(how);
    }
    if (how->two) {
        struct guard_message *other = &c->dup[1].how;
        other->off_len = FRAME + 1;
        memcpy(other->off + 1, other_off, FRAME);
        memcpy(other->query, other_query, FRAME);
        memcpy(other->expect, other_is_off, REPLY);
        c->dup[1].fd = fcntl(fd, F_DUPFD_CLOEXEC, 0);
    }
}

/* As often as the guard would before it drops the interlock. None of it may take so long that a
 * station which is not answered meanwhile takes the guard for dead. */
static bool tried(struct child *c)
{
    bool safe = false;
    slow_ns = c->dup[2].fd >= 0 ? 180 * WN_NS_PER_MS : 0;
    while (!safe && c->tries < GUARD_ATTEMPTS) {
        int64_t from_ns = guard_now_ns();
        safe = guard_make_safe(c);
        assert_true(slow_ns == 0 || guard_now_ns() - from_ns < 4500 * WN_NS_PER_MS);
    }
    slow_ns = 0;
    return safe;
}

/* Puts an instrument at the end of a terminal and makes it safe. */
static bool made_safe(struct instrument how)
{
    char path[64];
    struct termios tio;
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(master >= 0 && grantpt(master) == 0 && unlockpt(master) == 0);
    assert_int_equal(ptsname_r(master, path, sizeof path), 0);
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    assert_true(fd >= 0 && tcgetattr(fd, &tio) == 0);
    cfmakeraw(&tio);
    assert_int_equal(tcsetattr(fd, TCSANOW, &tio), 0);
    *inst = how;
    logged[0] = '\0';
    in_vain = 0;
    pid_t pid = fork();
    if (pid == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        (void)close(fd);
        serve(master);
    }
    struct child c = {.name = "A"};
    hand_over(&c, &how, fd);
    assert_int_equal(how.cut ? write(fd, query, 3) : 3, 3);
    while (how.cut && inst->bytes < 3) { /* no flushing takes it back */
        pause_ms(0);
    }
    bool safe = tried(&c);
    for (int i = 0; i < GUARD_SLOTS; i++) {
        guard_let_go(&c.dup[i]);
    }
    (void)kill(pid, SIGKILL);
    (void)waitpid(pid, NULL, 0);
    (void)close(master);
    return safe;
}

/* Every frame came whole, silence before it, and none before the one before was answered. */
static void judge_frames(void)
{
    for (int k = 0; k < inst->n; k++) {
        bool known = memcmp(inst->heard[k], off_a, FRAME) == 0 ||
                     memcmp(inst->heard[k], other_off, FRAME) == 0 ||
                     memcmp(inst->heard[k], other_query, FRAME) == 0 ||
                     memcmp(inst->heard[k], off_b, FRAME) == 0 ||
                     memcmp(inst->heard[k], query, FRAME) == 0;
        assert_true(known);
        assert_true(k == 0 || inst->heard_ns[k] >= inst->answered_ns[k - 1]);
    }
    assert_int_equal(inst->spoilt, 0);
}

static void frame_by_frame(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 5}));
    judge_frames();
    assert_int_equal(inst->n, 4); /* off, off, is it off? and once more */
    assert_memory_equal(inst->heard[0], off_a, FRAME);
    assert_memory_equal(inst->heard[1], off_b, FRAME);
    assert_memory_equal(inst->heard[2], query, FRAME);
    assert_non_null(strstr(logged, "output is off, confirmed by the instrument"));
}

static void slow_and_in_pieces(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 120}));
    judge_frames();
    assert_true(made_safe((struct instrument){.answer_ms = 10, .piece = 2}));
    judge_frames();
}

static void echo_and_old_replies(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 10, .echoes = true}));
    judge_frames();
    assert_true(made_safe((struct instrument){.answer_ms = 10, .babbles = true}));
    judge_frames();
}

/* Two units on one line: the frames of one wait for the answers of the other; one that is mute
 * costs the other nothing but time. */
static void two_on_one_line(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 60, .two = true}));
    judge_frames();
    assert_int_equal(in_vain, 0);
    assert_int_equal(inst->n, 7);
    assert_memory_equal(inst->heard[1], off_b, FRAME);
    assert_memory_equal(inst->heard[2], other_off, FRAME);
    assert_memory_equal(inst->heard[5], other_query, FRAME);
    assert_false(made_safe((struct instrument){.answer_ms = 5, .two = true, .mute_first = true}));
    judge_frames();
    assert_memory_equal(inst->heard[1], off_b, FRAME); /* told all the same */
    assert_memory_equal(inst->heard[2], other_off, FRAME);
    assert_non_null(strstr(logged, "told off, not confirmed"));
}

/* As many as there can be, each answering late: one after the other, without waiting for each in
 * vain. */
static void many_outputs(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 1, .slots = GUARD_SLOTS}));
    assert_true(in_vain < GUARD_SLOTS / 2); /* some go out blindly, and may not be answered */
}

/* A share answers when it has heard another unit out, or waited for it in vain. */
static void a_busy_share(void **state)
{
    (void)state;
    struct instrument busy = {.answer_ms = 5, .slots = 1, .busy_ms = 450, .shared = true};
    assert_true(made_safe(busy));
    judge_frames();
    assert_int_equal(inst->n, 3);
    assert_int_equal(in_vain, 0);
}

/* What the unit has of it is forgotten before off comes. */
static void half_a_frame_before(void **state)
{
    (void)state;
    assert_true(made_safe((struct instrument){.answer_ms = 5, .cut = true}));
    judge_frames();
    assert_int_equal(inst->n, 4);
}

/* Not believed: on, silent, an echo and nothing else. */
static void not_confirmed(void **state)
{
    (void)state;
    assert_false(made_safe((struct instrument){.answer_ms = 5, .stays_on = true}));
    assert_int_equal(inst->n, 3 * GUARD_ATTEMPTS); /* told off again each time */
    assert_non_null(strstr(logged, "told off, not confirmed"));
    assert_false(made_safe((struct instrument){.mute = true}));
    assert_memory_equal(inst->heard[1], off_b, FRAME); /* told all the same */
    assert_false(made_safe((struct instrument){.mute = true, .echoes = true}));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(frame_by_frame),       cmocka_unit_test(slow_and_in_pieces),
        cmocka_unit_test(echo_and_old_replies), cmocka_unit_test(two_on_one_line),
        cmocka_unit_test(many_outputs),         cmocka_unit_test(half_a_frame_before),
        cmocka_unit_test(a_busy_share),         cmocka_unit_test(not_confirmed),
    };
    void *shared =
        mmap(NULL, sizeof *inst, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    if (shared == MAP_FAILED) {
        perror("no shared memory");
        return 1;
    }
    inst = shared;
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

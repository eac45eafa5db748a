/* The guard's one deed on a tester that runs its own program: it confirms nothing, so it is told to
 * stop and its interlock opens with the first try; and a station that comes back may have its port.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "guard/guard.h"
#include "port/clock.h"

static char logged[400];

int64_t guard_now_ns(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

void guard_log(int priority, const char *fmt, ...)
{
    va_list args;
    (void)priority;
    va_start(args, fmt);
    (void)vsnprintf(logged, sizeof logged, fmt, args);
    va_end(args);
}

/* What arrives at the far end of a serial server's line with each of the tries; drop: the bytes
 * that open the interlock there. */
static void story(const char *off, const char *drop, const char *arrives, const char *tells)
{
    int end[2];
    assert_int_equal(socketpair(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0, end), 0);
    struct child c = {.name = "A"};
    for (int i = 0; i < GUARD_SLOTS; i++) {
        c.dup[i].fd = -1;
    }
    struct guard_message *m = &c.dup[0].how;
    c.dup[0].fd = end[0];
    *m = (struct guard_message){.off_len = (uint32_t)strlen(off),
                                .drop_len = (uint32_t)strlen(drop),
                                .interlock = drop[0] != '\0' ? GUARD_LINE_DTR : GUARD_LINE_NONE,
                                .port = "test"};
    memcpy(m->off, off, strlen(off));
    memcpy(m->drop, drop, strlen(drop));
    for (int i = 0; i < GUARD_ATTEMPTS; i++) {
        char heard[64] = "";
        bool safe = guard_make_safe(&c);
        assert_true(recv(end[1], heard, sizeof heard - 1, 0) > 0);
        assert_string_equal(heard, arrives);
        assert_non_null(strstr(logged, tells));
        assert_int_equal(safe, i + 1 == GUARD_ATTEMPTS);
    }
    assert_int_equal(c.dup[0].fd, -1);
    assert_int_equal(c.tries, 0);
    char none;
    assert_int_equal(read(end[1], &none, 1), 0); /* its end is closed */
    (void)close(end[1]);
}

static void command_and_interlock(void **state)
{
    (void)state;
    story("HALT\n", "<D>", "HALT\n<D>", "told off, not confirmed; interlock dropped");
}

static void interlock_alone(void **state)
{
    (void)state;
    story("", "<D>", "<D>", "told off, not confirmed; interlock dropped");
}

static void command_alone(void **state)
{
    (void)state;
    story("HALT\n", "", "HALT\n", "no interlock dropped: disconnect the cell by hand");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(command_and_interlock),
        cmocka_unit_test(interlock_alone),
        cmocka_unit_test(command_alone),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

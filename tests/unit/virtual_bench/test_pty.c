/* Virtual bench: its pseudo-terminal: raw, linked, and alive when clients come and go.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _XOPEN_SOURCE 700
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

#include "support/near.h"
#include "virtual_bench/pty.h"

static char dir[] = "/tmp/wane-pty.XXXXXX";
static char link_path[64];

static int make_dir(void **state)
{
    (void)state;
    (void)snprintf(link_path, sizeof link_path, "%s/port", mkdtemp(dir) != NULL ? dir : "");
    return 0;
}

static int remove_dir(void **state)
{
    (void)state;
    (void)unlink(link_path);
    return rmdir(dir);
}

/* What was written at one end arrives at the other, byte for byte. */
static void expect_through(int from, int to)
{
    static const char bytes[] = "a\r\n\x03\x04\x11\x13\x1a\x7f\xff z";
    char got[sizeof bytes] = "";
    size_t n = 0;

    assert_int_equal(write(from, bytes, sizeof bytes), sizeof bytes);
    while (n < sizeof bytes) {
        struct pollfd p = {.fd = to, .events = POLLIN};
        ssize_t k;
        assert_int_equal(poll(&p, 1, 5000), 1);
        k = read(to, &got[n], sizeof bytes - n);
        assert_true(k > 0);
        n += (size_t)k;
    }
    assert_memory_equal(got, bytes, sizeof bytes);
}

static void test_clients_come_and_go(void **state)
{
    struct wn_pty p;
    struct wn_error err = {0};
    char target[64];
    char byte;
    ssize_t n;

    (void)state;
    assert_int_equal(wn_pty_open(&p, link_path, &err), WN_OK);
    n = readlink(link_path, target, sizeof target);
    assert_int_equal(n, strlen(p.path));
    assert_memory_equal(target, p.path, (size_t)n);
    for (int i = 0; i < 3; i++) {
        int client = open(link_path, O_RDWR | O_NOCTTY);
        assert_true(client >= 0);
        expect_through(client, p.master);
        expect_through(p.master, client);
        assert_int_equal(close(client), 0);
        assert_int_equal(read(p.master, &byte, 1), -1); /* no hangup, no echo: only nothing yet */
        assert_int_equal(errno, EAGAIN);
    }
    wn_pty_close(&p);
    assert_int_equal(readlink(link_path, target, sizeof target), -1);
}

static void test_link_of_others(void **state)
{
    struct wn_pty a;
    struct wn_pty b;
    struct wn_error err = {0};
    char target[64];
    int fd;

    (void)state;
    assert_int_equal(wn_pty_open(&a, link_path, &err), WN_OK);
    assert_int_equal(wn_pty_open(&b, link_path, &err), WN_OK); /* a stale link is replaced */
    wn_pty_close(&a); /* and not removed by its old owner */
    assert_true(readlink(link_path, target, sizeof target) > 0);
    wn_pty_close(&b);
    fd = open(link_path, O_WRONLY | O_CREAT | O_EXCL, 0600);
    assert_true(fd >= 0);
    assert_int_equal(close(fd), 0);
    assert_int_equal(wn_pty_open(&a, link_path, &err), WN_EEXIST);
    assert_non_null(strstr(err.text, link_path));
    assert_int_equal(unlink(link_path), 0);
    assert_int_equal(wn_pty_open(&a, "/no/such/directory/port", &err), WN_EIO);
    assert_non_null(strstr(err.text, "/no/such/directory/port"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_clients_come_and_go),
        cmocka_unit_test(test_link_of_others),
    };
    return cmocka_run_group_tests(tests, make_dir, remove_dir) != 0;
}

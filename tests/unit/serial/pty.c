/* A pseudo-terminal pair for tests of links.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "pty.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

void pty_open(struct pty *p)
{
    p->master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    assert_true(p->master >= 0);
    assert_int_equal(grantpt(p->master), 0);
    assert_int_equal(unlockpt(p->master), 0);
    assert_int_equal(ptsname_r(p->master, p->path, sizeof p->path), 0);
}

void pty_close(struct pty *p)
{
    if (p->master >= 0) {
        assert_int_equal(close(p->master), 0);
    }
    p->master = -1;
}

void pty_wait(int fd, short what)
{
    struct pollfd f = {fd, what, 0};
    int n;
    do {
        n = poll(&f, 1, 5000);
    } while (n < 0 && errno == EINTR);
    assert_int_equal(n, 1);
    assert_true((f.revents & what) != 0);
}

void pty_read_link(struct wn_link *l, char *buf, size_t n)
{
    struct wn_error err = {0};
    for (size_t have = 0; have < n;) {
        size_t got = 0;
        pty_wait(l->ops->fd(l), POLLIN);
        assert_int_equal(l->ops->read(l, buf + have, n - have, &got, &err), WN_OK);
        have += got;
    }
}

void pty_read_master(const struct pty *p, char *buf, size_t n)
{
    for (size_t have = 0; have < n;) {
        pty_wait(p->master, POLLIN);
        ssize_t got = read(p->master, buf + have, n - have);
        assert_true(got > 0 || (got < 0 && errno == EAGAIN));
        have += got > 0 ? (size_t)got : 0;
    }
}

void pty_write_master(const struct pty *p, const char *data, size_t n)
{
    assert_int_equal(write(p->master, data, n), n);
}

void pty_check_transparent(const struct pty *p, struct wn_link *l)
{
    char all[256], back[256];
    size_t put = 0, got = 77;
    struct wn_error err = {0};
    for (int i = 0; i < 256; i++) {
        all[i] = (char)i; /* XON, XOFF, INTR, EOF, CR, LF, 0xff among them */
    }
    assert_int_equal(l->ops->read(l, back, sizeof back, &got, &err), WN_OK);
    assert_int_equal(got, 0); /* nothing is there, and that is no error */
    pty_write_master(p, all, sizeof all);
    pty_read_link(l, back, sizeof back);
    assert_memory_equal(back, all, sizeof all);
    assert_int_equal(l->ops->write(l, all, sizeof all, &put, &err), WN_OK);
    assert_int_equal(put, sizeof all);
    pty_read_master(p, back, sizeof back);
    assert_memory_equal(back, all, sizeof all); /* and before it no echo of what was received */
}

void pty_check_gone(struct pty *p, struct wn_link *l)
{
    char buf[16];
    size_t n = 77;
    struct wn_error err = {0};
    pty_close(p);
    pty_wait(l->ops->fd(l), POLLHUP);
    for (int i = 0; i < 3;
         i++) { /* never "nothing there yet", or a loop around poll() would spin */
        assert_int_equal(l->ops->read(l, buf, sizeof buf, &n, &err), WN_EGONE);
        assert_int_equal(n, 0);
        assert_non_null(strstr(err.text, p->path));
    }
    n = 77;
    assert_int_equal(l->ops->write(l, "OFF\n", 4, &n, &err), WN_EGONE);
    assert_int_equal(n, 0);
    assert_int_equal(l->ops->set_line(l, WN_LINE_RTS, false, &err), WN_EGONE);
    l->ops->flush(l);
}

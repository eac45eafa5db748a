/* Links through a TCP serial server: nothing blocks, nothing is lost, the dead are noticed.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "serial/serial.h"
#include "serial_server.h"

static struct server server, other;

/* In place of the C library's: takes at most send_max bytes at once while that is not 0, so that
 * every boundary is cut at. */
static size_t send_max;
ssize_t send(int fd, const void *data, size_t len, int flags)
{
    return sendto(fd, data, send_max > 0 && len > send_max ? send_max : len, flags, NULL, 0);
}

static int open_path(struct wn_link **l, const char *path, struct wn_error *err)
{
    struct wn_port_settings s;
    wn_port_settings_init(&s, path, 9600, 'N', 1);
    return wn_link_open(l, &s, err);
}

static struct wn_link *begin(struct server *s, bool telnet)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    server_open(s, telnet);
    if (open_path(&l, s->path, &err) != WN_OK || server_connect(s, l, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return l;
}

static void end(struct wn_link *l)
{
    l->ops->close(l);
    server_close(&server);
}

static void wait_input(struct wn_link *l, int limit_ms)
{
    struct pollfd f = {l->ops->fd(l), POLLIN, 0};
    assert_int_equal(poll(&f, 1, limit_ms), 1);
}

static void read_all(struct wn_link *l, unsigned char *buf, size_t n)
{
    struct wn_error err = {0};
    for (size_t have = 0; have < n;) {
        size_t got = 0;
        wait_input(l, 5000);
        if (l->ops->read(l, buf + have, n - have, &got, &err) != WN_OK) {
            fail_msg("%s", err.text);
        }
        have += got;
    }
}

static void must_write(struct wn_link *l, const void *data, size_t len)
{
    struct wn_error err = {0};
    for (size_t sent = 0; sent < len;) {
        size_t put = 0;
        assert_int_equal(l->ops->write(l, (const char *)data + sent, len - sent, &put, &err),
                         WN_OK);
        assert_true(put > 0);
        sent += put;
    }
}

/* Gone, with these words, and so it stays. */
static void check_gone(struct wn_link *l, const char *words)
{
    struct wn_error err = {0};
    char buf[8];
    size_t n = 77;
    for (int i = 0; i < 3; i++) {
        assert_int_equal(l->ops->read(l, buf, sizeof buf, &n, &err), WN_EGONE);
        assert_int_equal(n, 0);
        if (strstr(err.text, words) == NULL || strstr(err.text, "127.0.0.1:") == NULL) {
            fail_msg("%s", err.text);
        }
    }
    assert_int_equal(l->ops->write(l, "OFF\n", 4, &n, &err), WN_EGONE);
    assert_int_equal(n, 0);
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, false, &err), WN_EGONE);
    l->ops->flush(l);
}

static void check_transparent(bool telnet)
{
    unsigned char all[512], back[512], wire[1024];
    size_t n = 0, got = 77;
    struct wn_link *l = begin(&server, telnet);
    for (int i = 0; i < 512; i++) {
        all[i] = (unsigned char)(i < 256      ? i
                                 : i % 4 == 0 ? 13
                                              : 255); /* CR and IAC in all places */
    }
    assert_int_equal(l->ops->read(l, back, sizeof back, &got, NULL), WN_OK);
    assert_int_equal(got, 0);
    must_write(l, all, sizeof all);
    while (server.len < sizeof all) {
        server_turn(&server, NULL);
    }
    assert_int_equal(server.len, sizeof all);
    assert_memory_equal(server.data, all, sizeof all);
    for (size_t i = 0; i < sizeof all; i++) {
        wire[n++] = all[i];
        if (telnet && all[i] == 255) {
            wire[n++] = 255;
        }
    }
    server_send(&server, wire, n);
    read_all(l, back, sizeof back);
    assert_memory_equal(back, all, sizeof all);
    end(l);
}

static void every_byte_passes_both_ways(void **state)
{
    (void)state;
    check_transparent(false);
    check_transparent(true);
}

/* Until the peer's buffers are full, then on as they empty: nothing lost, doubled or halved. */
static void check_full(bool telnet)
{
    enum { SIZE = 1 << 20 };
    static unsigned char data[SERVER_DATA];
    struct wn_link *l = begin(&server, telnet);
    struct wn_error err = {0};
    size_t sent = 0, put = 1;
    int small = 4096;
    assert_int_equal(setsockopt(l->ops->fd(l), SOL_SOCKET, SO_SNDBUF, &small, sizeof small), 0);
    for (size_t i = 0; i < SIZE; i++) {
        data[i] = (unsigned char)(i % 5 < 3 ? 255 : i >> 8);
    }
    while (put > 0) {
        assert_int_equal(l->ops->write(l, data + sent, SIZE - sent, &put, &err), WN_OK);
        sent += put;
    }
    assert_true(sent > 0 && sent < SIZE); /* it does fill, and the write does not block */
    while (server.len < SIZE) {
        put = 1;
        while (put > 0 && sent < SIZE) {
            assert_int_equal(l->ops->write(l, data + sent, SIZE - sent, &put, &err), WN_OK);
            sent += put;
        }
        server_turn_for(&server, l, POLLOUT);
        (void)wn_link_wait(l, 0, &err); /* the second half of a byte may wait */
    }
    assert_int_equal(server.len, SIZE);
    assert_memory_equal(server.data, data, SIZE);
    end(l);
}

static void a_full_peer_takes_what_it_can(void **state)
{
    (void)state;
    check_full(false);
    check_full(true);
}

static void every_boundary_may_be_cut_at(void **state)
{
    (void)state;
    static const unsigned char data[] = "\xff\xff"
                                        "a\xff"
                                        "bc\xff\xff\xff";
    const size_t len = sizeof data - 1;
    for (size_t max = 1; max <= 2 * len; max++) {
        struct wn_link *l = begin(&server, true);
        size_t put, sent = 0;
        send_max = max;
        while (sent < len) {
            assert_int_equal(l->ops->write(l, data + sent, len - sent, &put, NULL), WN_OK);
            sent += put;
        }
        assert_int_equal(wn_link_wait(l, 0, NULL), WN_OK);
        send_max = 0;
        while (server.len < len) {
            server_turn(&server, NULL);
        }
        assert_int_equal(server.len, len);
        assert_memory_equal(server.data, data, len);
        end(l);
    }
}

static void not_yet_is_not_gone(void **state)
{
    (void)state;
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    char buf[8];
    size_t n = 77;
    server_open(&server, true);
    assert_int_equal(open_path(&l, server.path, &err), WN_OK);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(l->ops->read(l, buf, sizeof buf, &n, &err), WN_OK);
        assert_int_equal(n, 0);
        assert_int_equal(l->ops->write(l, "ON\n", 3, &n, &err), WN_OK);
        assert_int_equal(n, 0); /* nothing is kept to be said later */
        l->ops->flush(l);
    }
    assert_int_equal(server_connect(&server, l, &err), WN_OK);
    assert_int_equal(server.len, 0);
    must_write(l, "OFF\n", 4);
    while (server.len < 4) {
        server_turn(&server, NULL);
    }
    assert_memory_equal(server.data, "OFF\n", 4);
    end(l);
}

static void a_peer_that_closes_is_gone(void **state)
{
    (void)state;
    unsigned char buf[4];
    struct wn_link *l = begin(&server, false);
    server_send(&server, "1.5\n", 4);
    assert_int_equal(close(server.fd), 0);
    server.fd = -1;
    read_all(l, buf, 4); /* its last words first */
    assert_memory_equal(buf, "1.5\n", 4);
    wait_input(l, 5000);
    check_gone(l, "closed the connection");
    end(l);
}

/* Written into a broken connection with SIGPIPE as it is by default: it would end this test. */
static void a_torn_connection_is_gone(void **state)
{
    (void)state;
    struct linger tear = {1, 0};
    size_t put;
    struct wn_link *l = begin(&server, false);
    assert_int_equal(setsockopt(server.fd, SOL_SOCKET, SO_LINGER, &tear, sizeof tear), 0);
    assert_int_equal(close(server.fd), 0);
    server.fd = -1;
    assert_int_equal(l->ops->write(l, "A", 1, &put, NULL), WN_EGONE);
    check_gone(l, "broken off");
    end(l);
    l = begin(&server, false); /* closed in order: only the first write learns that nobody reads */
    assert_int_equal(close(server.fd), 0);
    server.fd = -1;
    wait_input(l, 5000);
    assert_int_equal(l->ops->write(l, "A", 1, &put, NULL), WN_OK);
    struct pollfd f = {l->ops->fd(l), 0, 0}; /* errors alone */
    assert_int_equal(poll(&f, 1, 5000), 1);
    assert_int_equal(l->ops->write(l, "A", 1, &put, NULL), WN_EGONE);
    check_gone(l, "broken off");
    end(l);
}

/* No FIN, no RST, no acknowledgement: power or cable. It must be noticed both when nothing is said
 * and when something is; the limit here is against hanging, the time is the kernel's. */
static void a_dead_peer_is_gone(void **state)
{
    (void)state;
    struct wn_link *idle = begin(&server, false), *busy = begin(&other, false);
    server_die(&server);
    server_die(&other);
    must_write(busy, "MEAS?\n", 6);
    wait_input(busy, 20000);
    check_gone(busy, "no answer from the serial server");
    wait_input(idle, 20000);
    check_gone(idle, "no answer from the serial server");
    busy->ops->close(busy);
    server_close(&other);
    end(idle);
}

static void nobody_listens(void **state)
{
    (void)state;
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    server_open(&server, false);
    server_close(&server);
    int rc = open_path(&l, server.path, &err);
    if (rc == WN_OK) {
        rc = wn_link_wait(l, 10000, &err);
        l->ops->close(l);
        assert_int_equal(rc, WN_EGONE);
    } else {
        assert_int_equal(rc, WN_ENOENT);
    }
    assert_non_null(strstr(err.text, "nobody listens"));
}

/* The queue of the listener is full, so its kernel leaves a further client without an answer, as an
 * address does behind which there is nothing. */
static void a_server_that_does_not_answer(void **state)
{
    (void)state;
    enum { MANY = 8 };
    int fill[MANY];
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    struct sockaddr_storage a;
    socklen_t len = sizeof a;
    char buf[4];
    size_t n = 77;
    server_open(&server, false);
    assert_int_equal(getsockname(server.listener, (struct sockaddr *)&a, &len), 0);
    for (int i = 0; i < MANY; i++) {
        fill[i] = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
        (void)connect(fill[i], (struct sockaddr *)&a, len);
    }
    assert_int_equal(open_path(&l, server.path, &err), WN_OK);
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &n, &err), WN_OK);
    assert_int_equal(n, 0);
    assert_int_equal(l->ops->write(l, "A", 1, &n, &err), WN_OK);
    assert_int_equal(n, 0);
    assert_int_equal(wn_link_wait(l, 0, &err), WN_ETIMEOUT);
    assert_int_equal(wn_link_wait(l, 20000, &err), WN_EGONE);
    check_gone(l, "no answer from the serial server");
    for (int i = 0; i < MANY; i++) {
        assert_int_equal(close(fill[i]), 0);
    }
    end(l);
}

static void addresses(void **state)
{
    (void)state;
    static const char *const bad[] = {"tcp://",
                                      "tcp://127.0.0.1",
                                      "tcp://127.0.0.1:",
                                      "tcp://:4001",
                                      "tcp://127.0.0.1:0",
                                      "tcp://h:65536",
                                      "tcp://::1:4001",
                                      "tcp://[::1]4001",
                                      "tcp://[::1]",
                                      "tcp://a b:4001",
                                      "tcp://127.0.0.1:4x",
                                      "tcp://u@h:4001",
                                      "tcp://127.0.0.1:+1",
                                      "tcp://[127.0.0.1]:1",
                                      "tcp://h/:1",
                                      "rfc2217://h:-1"};
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        int rc = open_path(&l, bad[i], &err);
        if (rc != WN_EINVAL || strstr(err.text, bad[i]) == NULL) {
            fail_msg("%s: %d, %s", bad[i], rc, err.text);
        }
    }
    assert_int_equal(open_path(&l, "tcp://no-such-host.invalid:4001", &err), WN_ENOENT);
    assert_non_null(strstr(err.text, "/etc/hosts"));
    assert_int_equal(open_path(&l, "udp://127.0.0.1:4001", &err), WN_ENOENT); /* a file's name */
    assert_null(l);
    char by_name[64];
    server_open(&server, false);
    (void)snprintf(by_name, sizeof by_name, "tcp://localhost%s", strrchr(server.path, ':'));
    assert_int_equal(open_path(&l, by_name, &err), WN_OK);
    assert_int_equal(server_connect(&server, l, &err), WN_OK);
    end(l);
}

static void a_server_is_held_by_one(void **state)
{
    (void)state;
    struct wn_link *l = begin(&server, false), *second = NULL;
    struct wn_error err = {0};
    assert_int_equal(open_path(&second, server.path, &err), WN_EBUSY);
    assert_non_null(strstr(err.text, server.path));
    assert_null(second);
    l->ops->close(l);
    assert_int_equal(open_path(&second, server.path, &err), WN_OK);
    end(second);
}

static void no_lines_behind_a_raw_server(void **state)
{
    (void)state;
    struct wn_link *l = begin(&server, false), *second = NULL;
    struct wn_error err = {0};
    assert_int_equal(l->ops->set_line(l, WN_LINE_RTS, true, &err), WN_ESTATE);
    assert_non_null(strstr(err.text, "no modem lines"));
    struct wn_port_settings s;
    wn_port_settings_init(&s, server.path, 9600, 'N', 1);
    s.rts = WN_LINE_OFF;
    assert_int_equal(wn_link_open(&second, &s, &err), WN_ESTATE);
    assert_null(second);
    end(l);
}

static void the_descriptor_is_private(void **state)
{
    (void)state;
    struct wn_link *l = begin(&server, false);
    int fd = l->ops->fd(l);
    assert_true((fcntl(fd, F_GETFD) & FD_CLOEXEC) != 0);
    assert_true((fcntl(fd, F_GETFL) & O_NONBLOCK) != 0);
    end(l);
}

static void flush_forgets_what_has_come(void **state)
{
    (void)state;
    unsigned char buf[4];
    struct wn_link *l = begin(&server, false);
    server_send(&server, "old\n", 4);
    wait_input(l, 5000);
    l->ops->flush(l);
    server_send(&server, "new\n", 4);
    read_all(l, buf, 4);
    assert_memory_equal(buf, "new\n", 4);
    end(l);
}

/* What has not reached the peer when the link is closed never does: the connection is torn. With
 * everything delivered it is closed in order, and the duplicate of a guard goes on working. */
static void close_leaves_nothing_behind(void **state)
{
    (void)state;
    static char much[1 << 20];
    size_t put = 1, sent = 0;
    struct wn_link *l = begin(&server, false);
    while (put > 0) {
        assert_int_equal(l->ops->write(l, much, sizeof much, &put, NULL), WN_OK);
        sent += put;
    }
    l->ops->close(l);
    while (!server.reset) {
        assert_false(server.closed);
        server_turn(&server, NULL);
    }
    assert_true(server.len < sent);
    server_close(&server);
    l = begin(&server, false);
    int duplicate = dup(l->ops->fd(l));
    l->ops->close(l);
    assert_int_equal(write(duplicate, "OFF\n", 4), 4);
    while (server.len < 4) {
        server_turn(&server, NULL);
    }
    assert_int_equal(close(duplicate), 0);
    while (!server.closed) {
        assert_false(server.reset);
        server_turn(&server, NULL);
    }
    server_close(&server);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_byte_passes_both_ways),
        cmocka_unit_test(a_full_peer_takes_what_it_can),
        cmocka_unit_test(every_boundary_may_be_cut_at),
        cmocka_unit_test(not_yet_is_not_gone),
        cmocka_unit_test(a_peer_that_closes_is_gone),
        cmocka_unit_test(a_torn_connection_is_gone),
        cmocka_unit_test(a_dead_peer_is_gone),
        cmocka_unit_test(nobody_listens),
        cmocka_unit_test(a_server_that_does_not_answer),
        cmocka_unit_test(addresses),
        cmocka_unit_test(a_server_is_held_by_one),
        cmocka_unit_test(no_lines_behind_a_raw_server),
        cmocka_unit_test(the_descriptor_is_private),
        cmocka_unit_test(flush_forgets_what_has_come),
        cmocka_unit_test(close_leaves_nothing_behind),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Links to a shared port: packets whole, answers in pieces, the dead are noticed.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "serial/serial.h"

static char dir[100], path[120];
static int listener = -1, peer = -1;

static int open_with(struct wn_link **l, enum wn_line_policy dtr, struct wn_error *err)
{
    struct wn_port_settings s;
    wn_port_settings_init(&s, "/dev/bus", 9600, 'N', 1);
    s.share = path;
    s.dtr = dtr;
    return wn_link_open(l, &s, err);
}

static int begin(void **state)
{
    struct sockaddr_un at = {.sun_family = AF_UNIX};
    const char *tmp = getenv("TMPDIR");
    (void)state;
    (void)snprintf(dir, sizeof dir, "%.60s/wane-share.XXXXXX", tmp != NULL ? tmp : "/tmp");
    if (mkdtemp(dir) == NULL) {
        return -1;
    }
    (void)snprintf(path, sizeof path, "%s/s", dir);
    memcpy(at.sun_path, path, strlen(path) + 1);
    listener = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    return bind(listener, (struct sockaddr *)&at, sizeof at) == 0 && listen(listener, 2) == 0 ? 0
                                                                                              : -1;
}

static int end(void **state)
{
    (void)state;
    (void)close(listener);
    (void)close(peer);
    peer = -1;
    (void)unlink(path);
    return rmdir(dir);
}

static struct wn_link *connected(void)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    if (open_with(&l, WN_LINE_LEAVE, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    peer = accept(listener, NULL, NULL);
    assert_true(peer >= 0);
    return l;
}

static void test_packets(void **state)
{
    static const char packet[] = "CURR 1,(@2)\nCURR? (@2)\n";
    struct wn_link *l = connected();
    char buf[100];
    size_t put = 0, got = 1;
    (void)state;
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, NULL), WN_OK);
    assert_int_equal(got, 0);
    assert_int_equal(l->ops->write(l, packet, sizeof packet - 1, &put, NULL), WN_OK);
    assert_int_equal(put, sizeof packet - 1);
    assert_int_equal(l->ops->write(l, "X", 0, &put, NULL), WN_OK); /* nothing is no packet */
    assert_int_equal(l->ops->write(l, "X", 1, &put, NULL), WN_OK);
    assert_int_equal(recv(peer, buf, sizeof buf, 0), sizeof packet - 1);
    assert_memory_equal(buf, packet, sizeof packet - 1);
    assert_int_equal(recv(peer, buf, sizeof buf, 0), 1);
    assert_int_equal(send(peer, "abcdef", 6, 0), 6);
    assert_int_equal(send(peer, "gh", 2, 0), 2);
    static const char *const pieces[] = {"abcd", "ef", "gh"};
    for (int i = 0; i < 3; i++) {
        assert_int_equal(l->ops->read(l, buf, 4, &got, NULL), WN_OK);
        assert_int_equal(got, strlen(pieces[i]));
        assert_memory_equal(buf, pieces[i], got);
    }
    l->ops->close(l);
}

/* Answers are thrown away, half-read ones too; questions are not. */
static void test_flush(void **state)
{
    struct wn_link *l = connected();
    char buf[100];
    size_t put = 0, got = 1;
    (void)state;
    assert_int_equal(l->ops->write(l, "OFF\n", 4, &put, NULL), WN_OK);
    assert_int_equal(send(peer, "abcdef", 6, 0), 6);
    assert_int_equal(l->ops->read(l, buf, 4, &got, NULL), WN_OK);
    assert_int_equal(send(peer, "gh", 2, 0), 2);
    l->ops->flush(l);
    assert_int_equal(l->ops->read(l, buf, 4, &got, NULL), WN_OK);
    assert_int_equal(got, 0);
    assert_int_equal(recv(peer, buf, sizeof buf, MSG_DONTWAIT), 4);
    l->ops->close(l);
}

/* The answers that came before are still read. */
static void test_gone(void **state)
{
    struct wn_link *l = connected();
    struct wn_error err = {0};
    char buf[100];
    size_t put = 0, got = 0;
    (void)state;
    assert_int_equal(send(peer, "abcdef", 6, 0), 6);
    (void)close(peer);
    peer = -1;
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, &err), WN_OK);
    assert_int_equal(got, 6);
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, &err), WN_EGONE);
    assert_non_null(strstr(err.text, "/dev/bus is gone"));
    assert_int_equal(l->ops->write(l, "X", 1, &put, &err), WN_EGONE);
    l->ops->close(l);
}

/* A share that does not read: nothing is taken, nothing is cut. */
static void test_full(void **state)
{
    static char packet[3000];
    struct wn_link *l = connected();
    struct wn_error err = {0};
    size_t put = sizeof packet;
    int n = 0;
    (void)state;
    for (; put == sizeof packet; n++) {
        assert_int_equal(l->ops->write(l, packet, sizeof packet, &put, &err), WN_OK);
    }
    assert_int_equal(put, 0);
    while (--n > 0) {
        assert_int_equal(recv(peer, packet, sizeof packet, MSG_DONTWAIT), sizeof packet);
    }
    assert_int_equal(recv(peer, packet, sizeof packet, MSG_DONTWAIT), -1);
    assert_int_equal(errno, EAGAIN);
    l->ops->close(l);
}

static void test_not_there(void **state)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    (void)state;
    assert_int_equal(open_with(&l, WN_LINE_OFF, &err), WN_ESTATE);
    (void)close(listener); /* dead, with its socket left behind */
    listener = -1;
    assert_int_equal(open_with(&l, WN_LINE_LEAVE, &err), WN_ENOENT);
    (void)unlink(path);
    assert_int_equal(open_with(&l, WN_LINE_LEAVE, &err), WN_ENOENT);
    assert_non_null(strstr(err.text, "port /dev/bus is shared, and its share is not there yet"));
    assert_null(l);
}

static void test_no_lines(void **state)
{
    struct wn_link *l = connected();
    struct wn_error err = {0};
    (void)state;
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, false, &err), WN_ESTATE);
    l->ops->close(l);
}

int main(void)
{
#define T(name) cmocka_unit_test_setup_teardown(name, begin, end)
    const struct CMUnitTest tests[] = {T(test_packets), T(test_flush),     T(test_gone),
                                       T(test_full),    T(test_not_there), T(test_no_lines)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

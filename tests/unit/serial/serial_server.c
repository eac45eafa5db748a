/* A TCP serial server for tests.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial_server.h"

#include <arpa/inet.h>
#include <errno.h>
#include <linux/filter.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#include "serial/serial.h"

void server_open(struct server *s, bool telnet)
{
    struct sockaddr_in a;
    socklen_t len = sizeof a;
    memset(s, 0, sizeof *s);
    memset(&a, 0, sizeof a);
    a.sin_family = AF_INET;
    a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    s->telnet = telnet;
    s->refuses = s->mute = s->alters = s->fd = -1;
    s->listener = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
    assert_true(s->listener >= 0);
    assert_int_equal(bind(s->listener, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(listen(s->listener, 1), 0);
    assert_int_equal(getsockname(s->listener, (struct sockaddr *)&a, &len), 0);
    (void)snprintf(s->path, sizeof s->path, "%s://127.0.0.1:%u", telnet ? "rfc2217" : "tcp",
                   ntohs(a.sin_port));
}

void server_close(struct server *s)
{
    if (s->fd >= 0) {
        assert_int_equal(close(s->fd), 0);
    }
    assert_int_equal(close(s->listener), 0);
}

void server_send(struct server *s, const void *bytes, size_t len)
{
    assert_int_equal(send(s->fd, bytes, len, MSG_NOSIGNAL), len);
}

static void send_escaped(struct server *s, const unsigned char *value, size_t len,
                         unsigned char *out, size_t n)
{
    for (size_t i = 0; i < len; i++) {
        out[n++] = value[i];
        if (value[i] == 255) {
            out[n++] = 255;
        }
    }
    out[n++] = 255;
    out[n++] = 240;
    ssize_t sent = send(s->fd, out, n, MSG_NOSIGNAL); /* the client may have closed already */
    assert_true(sent == (ssize_t)n || (sent < 0 && (errno == EPIPE || errno == ECONNRESET)));
}

void server_confirm(struct server *s, int command, unsigned value)
{
    unsigned char out[32] = {255, 250, 44, (unsigned char)(100 + command)};
    const unsigned char one = (unsigned char)value;
    send_escaped(s, &one, 1, out, 4);
}

static void take_command(struct server *s)
{
    unsigned char out[32] = {255, 250, 44, 0}, *value = s->sub + 2;
    size_t len = s->sub_len - 2, used = strlen(s->log);
    unsigned number = 0;
    assert_true(s->sub_len >= 3 && s->sub[0] == 44);
    for (size_t i = 0; i < len; i++) {
        number = number << 8 | value[i];
    }
    (void)snprintf(s->log + used, sizeof s->log - used, " %d=%u", s->sub[1], number);
    out[3] = (unsigned char)(100 + s->sub[1]);
    if (s->alters == s->sub[1]) {
        for (size_t i = 0; i < len; i++) {
            value[i] = (unsigned char)(s->alters_to >> 8 * (len - 1 - i) & 255);
        }
    }
    if (s->mute != s->sub[1]) {
        send_escaped(s, value, len, out, 4);
    }
}

static void answer_option(struct server *s, int option)
{
    bool wanted = s->verb == 251 || s->verb == 253, known = option != s->refuses;
    int yes = s->verb == 251 ? 253 : 251, no = s->verb == 251 ? 254 : 252;
    unsigned char out[] = {255, (unsigned char)(known ? yes : no), (unsigned char)option};
    if (wanted && s->refuses != -2) { /* -2: knows nothing of telnet at all */
        server_send(s, out, sizeof out);
    }
}

/* Written the plain way, on purpose unlike the client's. */
static void take(struct server *s, unsigned char c)
{
    if (s->state == 0 && c == 255 && s->telnet) {
        s->state = 1;
    } else if (s->state == 0 || (s->state == 1 && c == 255)) {
        assert_true(s->len < sizeof s->data);
        s->data[s->len++] = c;
        s->state = 0;
    } else if (s->state == 1) {
        s->verb = c;
        s->sub_len = 0;
        s->state = c == 250 ? 3 : 2;
        assert_true(c >= 250);
    } else if (s->state == 2) {
        s->state = 0;
        answer_option(s, c);
    } else if (s->state == 3 && c == 255) {
        s->state = 4;
    } else if (s->state == 4 && c == 240) {
        s->state = 0;
        take_command(s);
    } else {
        assert_true(s->state == 3 || c == 255);
        assert_true(s->sub_len < sizeof s->sub);
        s->sub[s->sub_len++] = c;
        s->state = 3;
    }
}

void server_serve(struct server *s)
{
    unsigned char buf[4096];
    ssize_t n;
    if (s->fd < 0) {
        s->fd = accept4(s->listener, NULL, NULL, SOCK_CLOEXEC | SOCK_NONBLOCK);
        return;
    }
    while ((n = recv(s->fd, buf, sizeof buf, 0)) > 0) {
        for (ssize_t i = 0; i < n; i++) {
            take(s, buf[i]);
        }
    }
    s->closed = s->closed || n == 0;
    s->reset = s->reset || (n < 0 && errno == ECONNRESET);
}

void server_turn(struct server *s, struct wn_link *l)
{
    server_turn_for(s, l, POLLIN);
}

void server_turn_for(struct server *s, struct wn_link *l, short what)
{
    struct pollfd f[2] = {{s->fd >= 0 ? s->fd : s->listener, POLLIN, 0},
                          {l != NULL ? l->ops->fd(l) : -1, what, 0}};
    int n;
    do {
        n = poll(f, 2, 5000);
    } while (n < 0 && errno == EINTR);
    assert_true(n > 0);
    server_serve(s);
}

int server_connect(struct server *s, struct wn_link *l, struct wn_error *err)
{
    int rc;
    while ((rc = wn_link_wait(l, 0, err)) == WN_ETIMEOUT) {
        server_turn(s, l);
    }
    while (s->fd < 0) { /* a raw link is ready before the server has looked */
        server_turn(s, NULL);
    }
    return rc;
}

void server_die(struct server *s)
{
    struct sock_filter nothing = {BPF_RET | BPF_K, 0, 0, 0};
    struct sock_fprog program = {1, &nothing};
    assert_int_equal(setsockopt(s->fd, SOL_SOCKET, SO_ATTACH_FILTER, &program, sizeof program), 0);
}

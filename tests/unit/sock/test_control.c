/* Control socket, server side, against raw clients in one process: every wait is a turn of the
 * pump. SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "sock/control.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

enum { TURNS = 50, BIG = 20000 };

struct fixture {
    char dir[64], path[96];
    struct wn_control_server *server;
    wn_ns now;
    int handled;
    struct wn_peer peer; /* of the last request */
};

/* "big" answers with much, everything else with what was asked. */
static json_t *answer(void *ctx, const json_t *request, const struct wn_peer *peer)
{
    struct fixture *f = ctx;
    static char big[BIG];
    const char *command = json_string_value(json_object_get(request, "command"));
    f->handled++;
    f->peer = *peer;
    if (command != NULL && strcmp(command, "big") == 0) {
        memset(big, 'x', sizeof big - 1);
        return json_pack("{s:b,s:s}", "ok", 1, "text", big);
    }
    return json_pack("{s:b,s:s,s:f}", "ok", 1, "command", command != NULL ? command : "", "tenth",
                     0.1);
}

static int setup(void **state)
{
    struct fixture *f = calloc(1, sizeof *f);
    struct wn_error err = {0};
    assert_non_null(f);
    (void)snprintf(f->dir, sizeof f->dir, "/tmp/wane-sock-XXXXXX");
    assert_non_null(mkdtemp(f->dir));
    (void)snprintf(f->path, sizeof f->path, "%s/A.sock", f->dir);
    f->now = 1000 * WN_NS_PER_S;
    assert_int_equal(wn_control_listen(&f->server, f->path, NULL, answer, f, &err), WN_OK);
    *state = f;
    return 0;
}

static int teardown(void **state)
{
    struct fixture *f = *state;
    char lock[128];
    wn_control_close(f->server);
    assert_int_equal(access(f->path, F_OK), -1); /* it takes its socket with it */
    (void)snprintf(lock, sizeof lock, "%s.lock", f->path);
    (void)unlink(lock);
    (void)rmdir(f->dir);
    free(f);
    return 0;
}

static void pump(struct fixture *f)
{
    for (int i = 0; i < TURNS; i++) {
        struct pollfd fds[WN_CONTROL_CLIENTS_MAX + 1];
        int n = wn_control_poll_fds(f->server, fds, WN_CONTROL_CLIENTS_MAX + 1);
        (void)poll(fds, (nfds_t)n, 0);
        wn_control_serve(f->server, fds, n, f->now);
    }
}

static int connect_client(struct fixture *f)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    memcpy(a.sun_path, f->path, strlen(f->path));
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_NONBLOCK, 0);
    assert_int_equal(connect(fd, (const struct sockaddr *)&a, sizeof a), 0);
    pump(f);
    return fd;
}

static void send_text(int fd, const char *text, size_t len)
{
    assert_int_equal(send(fd, text, len, MSG_NOSIGNAL), (ssize_t)len);
}

/* What has arrived: length, -1 when nothing, 0 when the other end has closed. */
static ssize_t receive(struct fixture *f, int fd, char *buf, size_t size)
{
    pump(f);
    ssize_t n = recv(fd, buf, size - 1, 0);
    if (n < 0) {
        assert_true(errno == EAGAIN || errno == ECONNRESET);
        n = errno == EAGAIN ? -1 : 0;
    }
    buf[n > 0 ? n : 0] = '\0';
    return n;
}

static void expect(struct fixture *f, int fd, const char *text)
{
    char buf[1024];
    (void)receive(f, fd, buf, sizeof buf);
    assert_string_equal(buf, text);
}

#define PING  "{\"command\":\"ping\"}\n"
#define PONG  "{\"ok\":true,\"command\":\"ping\",\"tenth\":0.1}\n"
#define LEARN "{\"ok\":false,\"error\":\"a request is one JSON object on one line\"}\n"

static void answers_line_by_line(void **state)
{
    struct fixture *f = *state;
    int fd = connect_client(f);
    send_text(fd, PING, strlen(PING));
    expect(f, fd, PONG);
    send_text(fd, PING "{\"command\":\"status\"}\n" PING, 2 * strlen(PING) + 21);
    expect(f, fd, PONG "{\"ok\":true,\"command\":\"status\",\"tenth\":0.1}\n" PONG);
    assert_int_equal(f->handled, 4);
    (void)close(fd);
}

static void waits_for_the_rest_of_a_line(void **state)
{
    struct fixture *f = *state;
    char buf[256];
    int fd = connect_client(f);
    for (size_t i = 0; i + 1 < strlen(PING); i++) {
        send_text(fd, &PING[i], 1);
        assert_int_equal(receive(f, fd, buf, sizeof buf), -1);
    }
    assert_int_equal(f->handled, 0);
    send_text(fd, "\n", 1);
    expect(f, fd, PONG);
    (void)close(fd);
}

static void garbage_is_refused_and_the_client_kept(void **state)
{
    struct fixture *f = *state;
    static const char *const bad[] = {"hello\n",
                                      "\n",
                                      "[1,2]\n",
                                      "\"ping\"\n",
                                      "{\"command\":\"ping\"\n",
                                      "{\"a\":1,\"a\":2}\n",
                                      "{\"a\":\"\xff\"}\n",
                                      "{} {}\n"};
    int fd = connect_client(f);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        send_text(fd, bad[i], strlen(bad[i]));
        expect(f, fd, LEARN);
    }
    send_text(fd, "{\"a\0b\":1}\n", 10); /* a NUL ends no line */
    expect(f, fd, LEARN);
    assert_int_equal(f->handled, 0);
    send_text(fd, PING, strlen(PING));
    expect(f, fd, PONG);
    (void)close(fd);
}

/* {"command":"ping"} padded with blanks to a length, line end counted */
static void send_padded(int fd, size_t len)
{
    static char line[2 * WN_CONTROL_LINE_MAX];
    memset(line, ' ', len);
    memcpy(line, PING, strlen(PING) - 1);
    line[len - 1] = '\n';
    send_text(fd, line, len);
}

static void the_longest_line_and_one_more(void **state)
{
    struct fixture *f = *state;
    char buf[256];
    int fd = connect_client(f);
    send_padded(fd, WN_CONTROL_LINE_MAX);
    expect(f, fd, PONG);
    send_padded(fd, WN_CONTROL_LINE_MAX + 1);
    expect(f, fd, "{\"ok\":false,\"error\":\"request is too long\"}\n");
    assert_int_equal(receive(f, fd, buf, sizeof buf), 0);
    assert_int_equal(f->handled, 1);
    (void)close(fd);
}

static void endless_line_is_cut_off(void **state)
{
    struct fixture *f = *state;
    char part[1000], buf[256];
    memset(part, 'x', sizeof part);
    int fd = connect_client(f);
    for (int i = 0; i < 4; i++) {
        send_text(fd, part, sizeof part);
        assert_int_equal(receive(f, fd, buf, sizeof buf), -1);
    }
    send_text(fd, part, sizeof part);
    expect(f, fd, "{\"ok\":false,\"error\":\"request is too long\"}\n");
    assert_int_equal(receive(f, fd, buf, sizeof buf), 0);
    (void)close(fd);
}

/* One that asks and never reads is dropped once its backlog is full; the others do not notice. */
static void who_does_not_read_is_dropped(void **state)
{
    struct fixture *f = *state;
    static char buf[4 * WN_CONTROL_BACKLOG_BYTES];
    int slow = connect_client(f), fast = connect_client(f);
    bool dropped = false;
    for (int i = 0; i < 1000 && !dropped; i++) {
        dropped = send(slow, "{\"command\":\"big\"}\n", 18, MSG_NOSIGNAL) < 0;
        assert_true(!dropped || errno == EPIPE || errno == ECONNRESET);
        pump(f);
        send_text(fast, PING, strlen(PING));
        expect(f, fast, PONG);
    }
    assert_true(dropped);
    while (recv(slow, buf, sizeof buf, 0) > 0) { /* what was on its way still comes */
    }
    (void)close(slow);
    (void)close(fast);
}

/* One that reads late gets all of it. */
static void who_reads_late_is_served(void **state)
{
    struct fixture *f = *state;
    static char buf[BIG];
    int fd = connect_client(f);
    size_t got = 0;
    for (int i = 0; i < 3; i++) {
        send_text(fd, "{\"command\":\"big\"}\n", 18);
        pump(f);
    }
    for (ssize_t n; (n = receive(f, fd, buf, sizeof buf)) > 0;) {
        got += (size_t)n;
    }
    assert_int_equal(got, 3 * (strlen("{\"ok\":true,\"text\":\"\"}\n") + BIG - 1));
    (void)close(fd);
}

static void silent_client_is_dropped_after_a_minute(void **state)
{
    struct fixture *f = *state;
    char buf[64];
    int fd = connect_client(f);
    f->now += 60 * WN_NS_PER_S;
    assert_int_equal(receive(f, fd, buf, sizeof buf), -1);
    f->now += 1;
    assert_int_equal(receive(f, fd, buf, sizeof buf), 0);
    (void)close(fd);
}

/* Slots that are held without asking anything do not keep the next one out. */
static void one_client_too_many(void **state)
{
    struct fixture *f = *state;
    char buf[64];
    int fd[WN_CONTROL_CLIENTS_MAX + 1];
    for (int i = 0; i < WN_CONTROL_CLIENTS_MAX; i++) {
        fd[i] = connect_client(f);
        f->now += WN_NS_PER_MS;
    }
    send_text(fd[0], PING, strlen(PING)); /* the oldest is not the most idle any more */
    expect(f, fd[0], PONG);
    fd[WN_CONTROL_CLIENTS_MAX] = connect_client(f);
    send_text(fd[WN_CONTROL_CLIENTS_MAX], PING, strlen(PING));
    expect(f, fd[WN_CONTROL_CLIENTS_MAX], PONG);
    assert_int_equal(receive(f, fd[1], buf, sizeof buf), 0); /* this one was let go */
    for (int i = 0; i <= WN_CONTROL_CLIENTS_MAX; i++) {
        if (i != 1) {
            send_text(fd[i], PING, strlen(PING));
            expect(f, fd[i], PONG);
        }
        (void)close(fd[i]);
    }
}

/* A byte now and then does not keep a place. */
static void dripping_client_is_dropped_after_a_minute(void **state)
{
    struct fixture *f = *state;
    char buf[64];
    int fd = connect_client(f);
    for (int i = 0; i < 6; i++) {
        f->now += 10 * WN_NS_PER_S;
        send_text(fd, "{", 1);
        assert_int_equal(receive(f, fd, buf, sizeof buf), -1);
    }
    f->now += 1;
    assert_int_equal(receive(f, fd, buf, sizeof buf), 0);
    (void)close(fd);
}

/* A flood waits its turn: one request in each, and none is lost. */
static void one_request_in_a_turn(void **state)
{
    struct fixture *f = *state;
    int fd = connect_client(f);
    for (int i = 0; i < 10; i++) {
        send_text(fd, PING, strlen(PING));
    }
    for (int i = 1; i <= 10; i++) {
        struct pollfd fds[WN_CONTROL_CLIENTS_MAX + 1];
        int n = wn_control_poll_fds(f->server, fds, WN_CONTROL_CLIENTS_MAX + 1);
        assert_int_equal(poll(fds, (nfds_t)n, 0), 1); /* the loop does not fall asleep over them */
        wn_control_serve(f->server, fds, n, f->now);
        assert_int_equal(f->handled, i);
    }
    (void)close(fd);
}

static void tells_who_asks(void **state)
{
    struct fixture *f = *state;
    struct stat st;
    char uid[32];
    int fd = connect_client(f);
    send_text(fd, PING, strlen(PING));
    expect(f, fd, PONG);
    (void)snprintf(uid, sizeof uid, "(uid %u)", (unsigned)geteuid());
    assert_int_equal(f->peer.uid, geteuid());
    assert_int_equal(f->peer.pid, getpid());
    assert_true(f->peer.may_command); /* the owner */
    assert_non_null(strstr(f->peer.who, uid));
    assert_int_equal(stat(f->path, &st), 0);
    assert_int_equal(st.st_mode & 0777, 0660);
    (void)close(fd);
}

static void second_server_is_refused(void **state)
{
    struct fixture *f = *state;
    struct wn_control_server *second = NULL;
    struct wn_error err = {0};
    assert_int_equal(wn_control_listen(&second, f->path, NULL, answer, f, &err), WN_EBUSY);
    assert_non_null(strstr(err.text, f->path));
    assert_null(second);
    int fd = connect_client(f); /* the first is untouched */
    send_text(fd, PING, strlen(PING));
    expect(f, fd, PONG);
    (void)close(fd);
}

static void stale_socket_is_replaced(void **state)
{
    struct fixture *f = *state;
    struct wn_error err = {0};
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    wn_control_close(f->server);
    f->server = NULL;
    memcpy(a.sun_path, f->path, strlen(f->path));
    int dead = socket(AF_UNIX, SOCK_STREAM, 0);
    assert_int_equal(bind(dead, (const struct sockaddr *)&a, sizeof a), 0);
    (void)close(dead);
    assert_int_equal(access(f->path, F_OK), 0);
    assert_int_equal(wn_control_listen(&f->server, f->path, NULL, answer, f, &err), WN_OK);
    int fd = connect_client(f);
    send_text(fd, PING, strlen(PING));
    expect(f, fd, PONG);
    (void)close(fd);
}

static void only_a_socket_is_replaced(void **state)
{
    struct fixture *f = *state;
    struct wn_control_server *s = NULL;
    struct wn_error err = {0};
    char path[128], lock[160];
    (void)snprintf(path, sizeof path, "%s/precious", f->dir);
    (void)snprintf(lock, sizeof lock, "%s.lock", path);
    (void)close(open(path, O_CREAT | O_WRONLY, 0600));
    assert_int_equal(wn_control_listen(&s, path, NULL, answer, f, &err), WN_EEXIST);
    assert_int_equal(access(path, F_OK), 0);
    (void)unlink(path);
    (void)unlink(lock);
}

static void places_that_will_not_do(void **state)
{
    struct fixture *f = *state;
    struct wn_control_server *s = NULL;
    struct wn_error err = {0};
    char path[300];
    (void)snprintf(path, sizeof path, "%s/%0150d", f->dir, 7);
    assert_int_equal(wn_control_listen(&s, path, NULL, answer, f, &err), WN_ERANGE);
    (void)snprintf(path, sizeof path, "%s/none/A.sock", f->dir);
    assert_int_equal(wn_control_listen(&s, path, NULL, answer, f, &err), WN_ENOENT);
    (void)snprintf(path, sizeof path, "%s/B.sock", f->dir);
    const struct wn_control_groups look = {.look = "no-such-group-here"},
                                   command = {.command = "nor-this-one"};
    assert_int_equal(wn_control_listen(&s, path, &look, answer, f, &err), WN_EUNKNOWN);
    assert_non_null(strstr(err.text, "look_group 'no-such-group-here'"));
    assert_int_equal(wn_control_listen(&s, path, &command, answer, f, &err), WN_EUNKNOWN);
    assert_non_null(strstr(err.text, "command_group 'nor-this-one'"));
    assert_null(s);
    wn_control_close(NULL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(answers_line_by_line, setup, teardown),
        cmocka_unit_test_setup_teardown(waits_for_the_rest_of_a_line, setup, teardown),
        cmocka_unit_test_setup_teardown(garbage_is_refused_and_the_client_kept, setup, teardown),
        cmocka_unit_test_setup_teardown(the_longest_line_and_one_more, setup, teardown),
        cmocka_unit_test_setup_teardown(endless_line_is_cut_off, setup, teardown),
        cmocka_unit_test_setup_teardown(who_does_not_read_is_dropped, setup, teardown),
        cmocka_unit_test_setup_teardown(who_reads_late_is_served, setup, teardown),
        cmocka_unit_test_setup_teardown(silent_client_is_dropped_after_a_minute, setup, teardown),
        cmocka_unit_test_setup_teardown(one_client_too_many, setup, teardown),
        cmocka_unit_test_setup_teardown(dripping_client_is_dropped_after_a_minute, setup, teardown),
        cmocka_unit_test_setup_teardown(one_request_in_a_turn, setup, teardown),
        cmocka_unit_test_setup_teardown(tells_who_asks, setup, teardown),
        cmocka_unit_test_setup_teardown(second_server_is_refused, setup, teardown),
        cmocka_unit_test_setup_teardown(stale_socket_is_replaced, setup, teardown),
        cmocka_unit_test_setup_teardown(only_a_socket_is_replaced, setup, teardown),
        cmocka_unit_test_setup_teardown(places_that_will_not_do, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

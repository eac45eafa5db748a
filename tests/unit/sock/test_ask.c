/* Control socket, client side, against servers that behave and servers that do not.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The client waits for its answer, so it asks from a child; the child tells the outcome by its exit
 * code and asserts nothing. */
#define _DEFAULT_SOURCE
#include "sock/control.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

enum { LONG_MS = 30000, SHORT_MS = 50, GOOD = 100 };

static char dir[64], path[96];

static int setup(void **state)
{
    (void)state;
    (void)snprintf(dir, sizeof dir, "/tmp/wane-ask-XXXXXX");
    assert_non_null(mkdtemp(dir));
    (void)snprintf(path, sizeof path, "%s/A.sock", dir);
    return 0;
}

static int teardown(void **state)
{
    char lock[128];
    (void)state;
    (void)snprintf(lock, sizeof lock, "%s.lock", path);
    (void)unlink(lock);
    (void)unlink(path);
    return rmdir(dir);
}

static json_t *answer(void *ctx, const json_t *request, const struct wn_peer *peer)
{
    (void)peer;
    static char big[50000];
    memset(big, 'y', sizeof big - 1);
    *(int *)ctx += 1;
    return json_pack("{s:b,s:O,s:s}", "ok", 1, "asked", request, "text", big);
}

/* Asks; GOOD when the whole reply came back, else the negative of the error. */
static int outcome(int timeout_ms)
{
    struct wn_error err = {0};
    json_t *request = json_pack("{s:s}", "command", "status"), *reply = NULL;
    int rc = wn_control_ask(path, request, timeout_ms, &reply, &err);
    int told = -rc;
    if (rc == WN_OK) {
        const char *text = json_string_value(json_object_get(reply, "text"));
        told = text != NULL && strlen(text) == 49999 &&
                       json_equal(json_object_get(reply, "asked"), request)
                   ? GOOD
                   : 1;
    }
    if (rc != WN_OK && (reply != NULL || strstr(err.text, path) == NULL)) {
        told = 2; /* an error names the socket and leaves no reply */
    }
    json_decref(request);
    json_decref(reply);
    return told;
}

static pid_t ask(int timeout_ms)
{
    pid_t pid = fork();
    if (pid == 0) {
        _exit(outcome(timeout_ms));
    }
    assert_true(pid > 0);
    return pid;
}

static int collect(pid_t pid)
{
    int status = 0;
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void round_trip(void **state)
{
    (void)state;
    struct wn_control_server *s = NULL;
    struct wn_error err = {0};
    int handled = 0, status = 0;
    assert_int_equal(wn_control_listen(&s, path, NULL, answer, &handled, &err), WN_OK);
    pid_t pid = ask(LONG_MS);
    pid_t ended = 0;
    while (ended == 0) {
        struct pollfd fds[WN_CONTROL_CLIENTS_MAX + 1];
        int n = wn_control_poll_fds(s, fds, WN_CONTROL_CLIENTS_MAX + 1);
        (void)poll(fds, (nfds_t)n, 20);
        wn_control_serve(s, fds, n, 0);
        ended = waitpid(pid, &status, WNOHANG);
    }
    wn_control_close(s);
    assert_int_equal(ended, pid);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), GOOD);
    assert_int_equal(handled, 1);
}

static void nobody_there(void **state)
{
    (void)state;
    assert_int_equal(outcome(LONG_MS), -WN_EUNREACHABLE);
}

static int listen_raw(void)
{
    struct sockaddr_un a = {.sun_family = AF_UNIX};
    memcpy(a.sun_path, path, strlen(path));
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(fd, (const struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(listen(fd, 1), 0);
    return fd;
}

/* Accepts, reads the request, sends this, closes. */
static int answered_with(const char *text, size_t len)
{
    char buf[256];
    int fd = listen_raw();
    pid_t pid = ask(LONG_MS);
    int client = accept(fd, NULL, NULL);
    assert_true(client >= 0);
    size_t got = 0;
    while (got == 0 || buf[got - 1] != '\n') {
        ssize_t n = recv(client, buf + got, sizeof buf - got, 0);
        assert_true(n > 0);
        got += (size_t)n;
    }
    assert_int_equal(got, strlen("{\"command\":\"status\"}\n"));
    for (size_t at = 0; at < len;) {
        ssize_t n = send(client, text + at, len - at, MSG_NOSIGNAL);
        if (n < 0) {
            break; /* it has heard enough */
        }
        at += (size_t)n;
    }
    (void)close(client);
    (void)close(fd);
    return collect(pid);
}

static void closed_without_an_answer(void **state)
{
    (void)state;
    assert_int_equal(answered_with("", 0), -WN_EUNREACHABLE);
}

static void closed_in_mid_answer(void **state)
{
    (void)state;
    assert_int_equal(answered_with("{\"ok\":tr", 8), -WN_EUNREACHABLE);
}

static void answer_is_no_object(void **state)
{
    (void)state;
    assert_int_equal(answered_with("[true]\n", 7), -WN_ESYNTAX);
}

static void answer_is_garbage(void **state)
{
    (void)state;
    assert_int_equal(answered_with("hello\n", 6), -WN_ESYNTAX);
}

static void answer_never_ends(void **state)
{
    (void)state;
    static char flood[2 * WN_CONTROL_BACKLOG_BYTES];
    memset(flood, 'x', sizeof flood);
    assert_int_equal(answered_with(flood, sizeof flood), -WN_ESYNTAX);
}

static void never_answered(void **state)
{
    (void)state;
    int fd = listen_raw();
    assert_int_equal(outcome(SHORT_MS), -WN_ETIMEOUT);
    (void)close(fd);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(round_trip, setup, teardown),
        cmocka_unit_test_setup_teardown(nobody_there, setup, teardown),
        cmocka_unit_test_setup_teardown(closed_without_an_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(closed_in_mid_answer, setup, teardown),
        cmocka_unit_test_setup_teardown(answer_is_no_object, setup, teardown),
        cmocka_unit_test_setup_teardown(answer_is_garbage, setup, teardown),
        cmocka_unit_test_setup_teardown(answer_never_ends, setup, teardown),
        cmocka_unit_test_setup_teardown(never_answered, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

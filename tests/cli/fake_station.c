/* A station that is none: answers on a control socket with what a file says, so that the command
 * can be tried in every situation. SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   fake_station SOCKET REPLIES.json     REPLIES: {"status": {...}, "stop": {...}}, one reply for
 * each command
 *
 * Listens first, then goes to the background and prints its process number: who starts it need not
 * wait. Each request is written to SOCKET.log. It ends by itself after two minutes. */
#define _DEFAULT_SOURCE
#include "sock/control.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "port/clock.h"

#define LIFE_NS (120 * WN_NS_PER_S)

struct fake {
    json_t *replies;
    FILE *log;
};

static json_t *answer(void *ctx, const json_t *request, const struct wn_peer *peer)
{
    const struct fake *f = ctx;
    const char *command = json_string_value(json_object_get(request, "command"));
    json_t *reply = json_object_get(f->replies, command != NULL ? command : "");
    (void)peer;
    (void)json_dumpf(request, f->log, JSON_COMPACT);
    (void)fputc('\n', f->log);
    (void)fflush(f->log);
    return reply != NULL ? json_incref(reply)
                         : json_pack("{s:b,s:s}", "ok", 0, "error", "unknown command");
}

static void serve(struct wn_control_server *s)
{
    wn_ns end = wn_clock_monotonic(wn_clock_real()) + LIFE_NS, now = 0;
    while ((now = wn_clock_monotonic(wn_clock_real())) < end) {
        struct pollfd fds[WN_CONTROL_CLIENTS_MAX + 1];
        int n = wn_control_poll_fds(s, fds, WN_CONTROL_CLIENTS_MAX + 1);
        (void)poll(fds, (nfds_t)n, 1000);
        wn_control_serve(s, fds, n, now);
    }
}

int main(int argc, char **argv)
{
    struct wn_control_server *s = NULL;
    struct wn_error err = {0};
    struct fake f = {NULL, NULL};
    json_error_t e;
    char log[200];
    if (argc != 3 || (f.replies = json_load_file(argv[2], 0, &e)) == NULL) {
        (void)fprintf(stderr, "fake_station SOCKET REPLIES.json\n");
        return 2;
    }
    (void)snprintf(log, sizeof log, "%s.log", argv[1]);
    f.log = fopen(log, "we");
    if (f.log == NULL || wn_control_listen(&s, argv[1], NULL, answer, &f, &err) != WN_OK) {
        (void)fprintf(stderr, "fake_station: %s\n", err.text);
        return 1;
    }
    pid_t pid = fork();
    if (pid != 0) {
        (void)printf("%d\n", (int)pid);
        (void)fflush(stdout);
        _exit(pid < 0); /* everything is the child's now, its socket above all */
    }
    (void)close(STDOUT_FILENO); /* who reads our process number must not wait for us */
    (void)close(STDERR_FILENO);
    serve(s);
    wn_control_close(s);
    json_decref(f.replies);
    return 0;
}

/* A TCP serial server between a terminal and the loopback, for the system tests.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   wane-serial-relay raw|rfc2217 TERMINAL ADDRESS_FILE
 *
 * Takes one connection at a time, writes its address into ADDRESS_FILE and each setting a client
 * asks for on standard output (" 5=9": command 5 of RFC 2217, value 9). SIGHUP breaks the
 * connection off; SIGUSR1 makes its peer dumb and deaf, as a cable that is cut, until a new
 * connection is taken in its place. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

#include "unit/serial/serial_server.h"

static struct server server; /* large */
static bool is_dead;

static int open_terminal(const char *path)
{
    struct termios t;
    int fd = open(path, O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    if (fd < 0 || tcgetattr(fd, &t) != 0) {
        return -1;
    }
    cfmakeraw(&t);
    return tcsetattr(fd, TCSANOW, &t) == 0 ? fd : -1;
}

/* The file is there when it is whole. */
static bool tell_address(const char *path)
{
    char fresh[300];
    (void)snprintf(fresh, sizeof fresh, "%s.new", path);
    FILE *f = fopen(fresh, "we");
    if (f == NULL || fprintf(f, "%s\n", server.path) < 0 || fclose(f) != 0) {
        return false;
    }
    return rename(fresh, path) == 0;
}

static int open_signals(void)
{
    sigset_t set;
    (void)sigemptyset(&set);
    (void)sigaddset(&set, SIGHUP);
    (void)sigaddset(&set, SIGUSR1);
    (void)sigprocmask(SIG_BLOCK, &set, NULL);
    return signalfd(-1, &set, SFD_CLOEXEC | SFD_NONBLOCK);
}

static void hang_up(bool tear)
{
    const struct linger at_once = {.l_onoff = 1, .l_linger = 0};
    if (server.fd >= 0) {
        if (tear) {
            (void)setsockopt(server.fd, SOL_SOCKET, SO_LINGER, &at_once, sizeof at_once);
        }
        (void)close(server.fd);
    }
    server.fd = -1;
    server.closed = server.reset = is_dead = false;
    server.state = 0;
}

static void obey(int signals)
{
    struct signalfd_siginfo s;
    while (read(signals, &s, sizeof s) == (ssize_t)sizeof s) {
        if (s.ssi_signo == SIGHUP) {
            hang_up(true);
        } else if (server.fd >= 0) {
            server_die(&server);
            is_dead = true;
        }
    }
}

/* 0xff twice for RFC 2217. */
static void to_client(int terminal)
{
    unsigned char buf[4096], out[2 * sizeof buf];
    size_t len = 0;
    ssize_t n = read(terminal, buf, sizeof buf);
    for (ssize_t i = 0; i < n; i++) {
        out[len++] = buf[i];
        if (buf[i] == 0xff && server.telnet) {
            out[len++] = 0xff;
        }
    }
    if (server.fd >= 0 && !is_dead) {
        (void)send(server.fd, out, len, MSG_NOSIGNAL);
    }
}

static void from_client(int terminal)
{
    server_serve(&server);
    if (server.len > 0) {
        (void)!write(terminal, server.data, server.len);
        server.len = 0;
    }
    if (server.log[0] != '\0') {
        (void)puts(server.log);
        (void)fflush(stdout);
        server.log[0] = '\0';
    }
    if (server.closed || server.reset) {
        hang_up(false);
    }
}

int main(int argc, char **argv)
{
    int terminal = argc == 4 ? open_terminal(argv[2]) : -1, signals = open_signals();
    if (terminal < 0 || signals < 0) {
        (void)fprintf(stderr, "usage: wane-serial-relay raw|rfc2217 TERMINAL ADDRESS_FILE (%s)\n",
                      strerror(errno));
        return 2;
    }
    server_open(&server, strcmp(argv[1], "rfc2217") == 0);
    if (!tell_address(argv[3])) {
        return 1;
    }
    for (;;) {
        struct pollfd p[] = {{server.fd >= 0 && !is_dead ? server.fd : server.listener, POLLIN, 0},
                             {terminal, POLLIN, 0},
                             {signals, POLLIN, 0}};
        (void)poll(p, 3, -1);
        if (p[2].revents != 0) {
            obey(signals);
            continue; /* what is polled may be another one now */
        }
        if (p[1].revents != 0) {
            if ((p[1].revents & POLLIN) == 0) {
                return 0; /* the bench has gone */
            }
            to_client(terminal);
        }
        if (p[0].revents != 0) {
            if (is_dead) {
                hang_up(false); /* a new one takes its place */
            }
            from_client(terminal);
        }
    }
}

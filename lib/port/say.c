/* Port: a line for the log.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "port/say.h"

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

/* A terminal says that it takes bytes when it takes one: it is opened once more, by a description
 * of our own that does not wait (making the common one so would make the shell's so). A pipe that
 * says so takes a line whole. */
static int own_terminal(void)
{
    static int fd = -2;
    if (fd == -2) {
        fd = isatty(STDERR_FILENO)
                 ? open("/proc/self/fd/2", O_WRONLY | O_NONBLOCK | O_NOCTTY | O_CLOEXEC)
                 : -1;
    }
    return fd;
}

static void write_line(const char *line, size_t len)
{
    int fd = own_terminal();
    struct pollfd p = {fd >= 0 ? fd : STDERR_FILENO, POLLOUT, 0};
    if (poll(&p, 1, 0) != 1 || (p.revents & POLLOUT) == 0) {
        return;
    }
    if (fd >= 0) {
        (void)!write(fd, line, len);
    } else if (send(STDERR_FILENO, line, len, MSG_DONTWAIT | MSG_NOSIGNAL) < 0 &&
               errno == ENOTSOCK) {
        (void)!write(STDERR_FILENO, line, len);
    }
}

void wn_say(int priority, const char *who, const char *fmt, va_list args)
{
    char line[640];
    int n = snprintf(line, sizeof line, "<%d>%.99s: ", priority, who);
    (void)vsnprintf(line + n, sizeof line - (size_t)n - 1, fmt, args);
    size_t len = strlen(line);
    for (size_t i = 0; i < len; i++) {
        line[i] = (unsigned char)line[i] < ' ' || line[i] == 0x7f ? '?' : line[i];
    }
    line[len++] = '\n';
    write_line(line, len);
}

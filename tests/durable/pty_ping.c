/* Prints the longest of 300 round trips over a pseudo-terminal, in milliseconds: how soon this
 * computer runs a process that has something to do. SPDX-License-Identifier: GPL-3.0-or-later */
#define _XOPEN_SOURCE 700
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "port/clock.h"

static double now_ms(void)
{
    return wn_ns_to_s(wn_clock_monotonic(wn_clock_real())) * 1e3;
}

int main(void)
{
    struct termios raw = {.c_cflag = CS8 | CREAD | CLOCAL, .c_cc = {[VMIN] = 1}};
    int master = posix_openpt(O_RDWR | O_NOCTTY);
    int slave = master >= 0 && grantpt(master) == 0 && unlockpt(master) == 0
                    ? open(ptsname(master), O_RDWR | O_NOCTTY)
                    : -1;
    double worst_ms = 0;
    char c = 'x';
    if (slave < 0 || tcsetattr(slave, TCSANOW, &raw) != 0) {
        perror("no pseudo-terminal");
        return 1;
    }
    pid_t echo = fork();
    if (echo == 0) {
        while (read(slave, &c, 1) == 1 && write(slave, &c, 1) == 1) {
        }
        _exit(0);
    }
    for (int i = 0; i < 300; i++) {
        (void)poll(NULL, 0, 3); /* so that the other one has to be woken */
        double from_ms = now_ms();
        if (write(master, &c, 1) != 1 || read(master, &c, 1) != 1) {
            return 1;
        }
        double took_ms = now_ms() - from_ms;
        worst_ms = took_ms > worst_ms ? took_ms : worst_ms;
    }
    (void)kill(echo, SIGKILL);
    (void)waitpid(echo, NULL, 0);
    (void)printf("%.3f\n", worst_ms);
    return 0;
}

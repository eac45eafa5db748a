/* RFC 2217 against an independent server: ser2net, with a pty in place of its serial port.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Optional: skipped where the program is not installed. A pty has no modem lines, so what the
 * server makes of those is not seen here. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "pty.h"

static const char program[] = "/usr/sbin/ser2net";

enum { OPEN_TRIES = 200, LIMIT_MS = 5000 };

struct peer {
    struct pty pty;
    pid_t pid;
    char path[64], config[64];
};

static unsigned free_port(void)
{
    struct sockaddr_in a;
    socklen_t len = sizeof a;
    memset(&a, 0, sizeof a);
    a.sin_family = AF_INET;
    a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    int fd = socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    assert_int_equal(bind(fd, (struct sockaddr *)&a, sizeof a), 0);
    assert_int_equal(getsockname(fd, (struct sockaddr *)&a, &len), 0);
    assert_int_equal(close(fd), 0);
    return ntohs(a.sin_port);
}

static void begin(struct peer *p)
{
    unsigned port = free_port();
    pty_open(&p->pty);
    (void)snprintf(p->path, sizeof p->path, "rfc2217://127.0.0.1:%u", port);
    (void)snprintf(p->config, sizeof p->config, "/tmp/test_tcp_peer.XXXXXX");
    int fd = mkstemp(p->config);
    assert_true(fd >= 0);
    (void)dprintf(fd,
                  "%%YAML 1.1\n---\nconnection: &only\n"
                  "  accepter: telnet(rfc2217),tcp,127.0.0.1,%u\n"
                  "  connector: serialdev,%s,300n81,local\n",
                  port, p->pty.path);
    assert_int_equal(close(fd), 0);
    p->pid = fork();
    assert_true(p->pid >= 0);
    if (p->pid == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        (void)close(STDERR_FILENO); /* it complains about network services it does not find */
        (void)execl(program, program, "-n", "-u", "-c", p->config, (char *)NULL);
        _exit(127);
    }
}

static void end(struct peer *p)
{
    int status;
    (void)kill(p->pid, SIGKILL);
    assert_int_equal(waitpid(p->pid, &status, 0), p->pid);
    (void)unlink(p->config);
    pty_close(&p->pty);
}

/* The program needs a moment until it listens; each try that it refuses is over at once. */
static struct wn_link *connect_to(const struct peer *p)
{
    struct wn_port_settings s;
    struct wn_error err = {0};
    wn_port_settings_init(&s, p->path, 38400, 'N', 1);
    s.bits = 7;
    s.parity = 'E';
    s.stop_bits = 2;
    for (int i = 0; i < OPEN_TRIES; i++) {
        struct wn_link *l = NULL;
        if (wn_link_open(&l, &s, &err) == WN_OK) {
            if (wn_link_wait(l, LIMIT_MS, &err) == WN_OK) {
                return l;
            }
            l->ops->close(l);
        }
        assert_int_equal(waitpid(p->pid, NULL, WNOHANG), 0); /* it is alive */
        (void)poll(NULL, 0, 25);
    }
    fail_msg("%s", err.text);
    return NULL;
}

static void settings_bytes_and_purges(void **state)
{
    (void)state;
    struct peer p;
    struct termios t;
    begin(&p);
    struct wn_link *l = connect_to(&p);
    assert_int_equal(tcgetattr(p.pty.master, &t), 0); /* what the server has set on its port */
    assert_int_equal(cfgetospeed(&t), B38400);
    assert_true((t.c_cflag & CSTOPB) != 0);
    /* A pty has 8 bits and no parity whatever is asked for; the server's word must do there. */
    pty_check_transparent(&p.pty, l);
    struct wn_error err = {0};
    char buf[8];
    size_t got = 0;
    l->ops->flush(l);
    pty_write_master(&p.pty, "old", 3); /* may or may not be let in: the purge is on its way */
    while (wn_link_wait(l, 0, &err) == WN_OK && got == 0) {
        pty_wait(l->ops->fd(l), POLLIN);
        assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, &err), WN_OK);
        pty_write_master(&p.pty, "new", 3);
    }
    assert_true(got > 0); /* the purge is confirmed: replies come through again */
    l->ops->close(l);
    end(&p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(settings_bytes_and_purges),
    };
    if (access(program, X_OK) != 0) {
        (void)printf("skipped: %s is not installed (Debian: ser2net)\n", program);
        return 77;
    }
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

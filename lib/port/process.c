/* Signals as events, and who is at the other end.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* SO_PEERCRED */
#include "port/process.h"

#include <signal.h>
#include <stddef.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <unistd.h>

int wn_signals_open(int flags)
{
    sigset_t mask;
    (void)sigemptyset(&mask);
    (void)sigaddset(&mask, SIGTERM);
    (void)sigaddset(&mask, SIGINT);
    (void)sigaddset(&mask, SIGHUP);
    (void)sigprocmask(SIG_BLOCK, &mask, NULL);
    return signalfd(-1, &mask, SFD_CLOEXEC | flags);
}

bool wn_peer_is_ours(int fd)
{
    struct ucred peer = {.uid = (uid_t)-1};
    socklen_t len = sizeof peer;
    return getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &peer, &len) == 0 && peer.uid == geteuid();
}

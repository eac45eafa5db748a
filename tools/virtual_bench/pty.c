/* Virtual bench: a pseudo-terminal that behaves like a serial port with the instrument on it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _XOPEN_SOURCE 700
#include "virtual_bench/pty.h"

#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <termios.h>
#include <unistd.h>

static int set_raw(int fd)
{
    struct termios tio;

    if (tcgetattr(fd, &tio) != 0) {
        return -1;
    }
    tio.c_iflag = 0;
    tio.c_oflag = 0;
    tio.c_lflag = 0;
    tio.c_cflag = (tio.c_cflag & ~(tcflag_t)(CSIZE | PARENB)) | CS8 | CREAD | CLOCAL;
    tio.c_cc[VMIN] = 1;
    tio.c_cc[VTIME] = 0;
    return tcsetattr(fd, TCSANOW, &tio);
}

static int open_pair(struct wn_pty *p, struct wn_error *err)
{
    const char *name;

    p->master = posix_openpt(O_RDWR | O_NOCTTY);
    if (p->master < 0 || grantpt(p->master) != 0 || unlockpt(p->master) != 0 ||
        (name = ptsname(p->master)) == NULL) {
        return wn_error_set(err, WN_EIO, "no pseudo-terminal: %s; is /dev/pts mounted?",
                            strerror(errno));
    }
    (void)snprintf(p->path, sizeof p->path, "%s", name);
    p->slave = open(p->path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    if (p->slave < 0 || set_raw(p->slave) != 0 || fcntl(p->master, F_SETFD, FD_CLOEXEC) != 0 ||
        fcntl(p->master, F_SETFL, O_NONBLOCK) != 0) {
        return wn_error_set(err, WN_EIO, "%s: %s", p->path, strerror(errno));
    }
    return WN_OK;
}

/* By way of a second name, so that there is never a moment without a link. */
static int make_link(struct wn_pty *p, const char *link, struct wn_error *err)
{
    char fresh[PATH_MAX];
    struct stat st;
    int n = snprintf(fresh, sizeof fresh, "%s.%ld", link, (long)getpid());

    if (n < 0 || (size_t)n >= sizeof fresh) {
        return wn_error_set(err, WN_ERANGE, "--link: the name is too long");
    }
    if (lstat(link, &st) == 0 && !S_ISLNK(st.st_mode)) {
        return wn_error_set(err, WN_EEXIST,
                            "%s: is not a link and is left alone; choose another --link", link);
    }
    (void)unlink(fresh);
    if (symlink(p->path, fresh) != 0) {
        return wn_error_set(err, WN_EIO, "%s: %s; does its directory exist?", link,
                            strerror(errno));
    }
    if (rename(fresh, link) != 0) {
        int why = errno;
        (void)unlink(fresh);
        return wn_error_set(err, WN_EIO, "%s: %s", link, strerror(why));
    }
    p->link = link;
    return WN_OK;
}

int wn_pty_open(struct wn_pty *p, const char *link, struct wn_error *err)
{
    int rc;

    *p = (struct wn_pty){.master = -1, .slave = -1};
    rc = open_pair(p, err);
    if (rc == WN_OK && link != NULL) {
        rc = make_link(p, link, err);
    }
    if (rc != WN_OK) {
        wn_pty_close(p);
    }
    return rc;
}

void wn_pty_close(struct wn_pty *p)
{
    char target[sizeof p->path];
    ssize_t n;

    if (p->link != NULL) {
        n = readlink(p->link, target, sizeof target);
        if (n == (ssize_t)strlen(p->path) && memcmp(target, p->path, (size_t)n) == 0) {
            (void)unlink(p->link); /* gone already is as good */
        }
    }
    if (p->slave >= 0) {
        (void)close(p->slave);
    }
    if (p->master >= 0) {
        (void)close(p->master);
    }
    *p = (struct wn_pty){.master = -1, .slave = -1};
}

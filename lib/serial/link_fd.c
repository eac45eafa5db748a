/* Non-blocking reads and writes on a terminal's descriptor.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

static struct fd_link *of(const struct wn_link *l)
{
    return (struct fd_link *)(void *)(uintptr_t)l;
}

static int link_fd(const struct wn_link *l)
{
    return of(l)->fd;
}

static int gone(const struct fd_link *l, const char *how, struct wn_error *err)
{
    return wn_error_set(err, WN_EGONE, "%s is gone (%s): plug it in again; it is reopened by itself", l->path,
                        how);
}

/* With VMIN=1 no data is EAGAIN and a hang-up is 0. */
static int link_read(struct wn_link *link, void *buf, size_t size, size_t *got, struct wn_error *err)
{
    struct fd_link *l = of(link);
    ssize_t n = read(l->fd, buf, size);
    *got = n > 0 ? (size_t)n : 0;
    if (n > 0 || (n < 0 && (errno == EAGAIN || errno == EINTR))) {
        return WN_OK;
    }
    return gone(l, n == 0 ? "hung up" : strerror(errno), err);
}

static int link_write(struct wn_link *link, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    struct fd_link *l = of(link);
    ssize_t n = write(l->fd, data, len);
    *put = n > 0 ? (size_t)n : 0;
    if (n >= 0 || errno == EAGAIN || errno == EINTR) {
        return WN_OK;
    }
    return gone(l, strerror(errno), err);
}

static void link_flush(struct wn_link *link)
{
    (void)tcflush(of(link)->fd, TCIOFLUSH);
}

static int link_set_line(struct wn_link *link, enum wn_line line, bool on, struct wn_error *err)
{
    struct fd_link *l = of(link);
    int bit = line == WN_LINE_DTR ? TIOCM_DTR : TIOCM_RTS;
    if (ioctl(l->fd, on ? TIOCMBIS : TIOCMBIC, &bit) != 0) {
        return wn_error_set(err, WN_ESTATE, "%s has no modem lines (%s)", l->path, strerror(errno));
    }
    return WN_OK;
}

static void link_close(struct wn_link *link)
{
    struct fd_link *l = of(link);
    (void)tcflush(l->fd, TCOFLUSH); /* a close with output stuck would wait for up to 30 s */
    if (l->owner != NULL) {
        l->close_owner(l->owner);
    } else {
        (void)close(l->fd);
    }
    free(l);
}

int fd_link_create(struct wn_link **out, int fd, const char *path, void *owner,
                   void (*close_owner)(void *), struct wn_error *err)
{
    static const struct wn_link_ops ops = {.fd = link_fd,
                                           .read = link_read,
                                           .write = link_write,
                                           .flush = link_flush,
                                           .set_line = link_set_line,
                                           .close = link_close};
    struct fd_link *l = calloc(1, sizeof *l);
    if (l == NULL) {
        return wn_error_set(err, WN_ENOMEM, "%s: out of memory", path);
    }
    l->link.ops = &ops;
    l->fd = fd;
    l->owner = owner;
    l->close_owner = close_owner;
    (void)snprintf(l->path, sizeof l->path, "%s", path);
    *out = &l->link;
    return WN_OK;
}

int fd_lock(int fd, const char *path, struct wn_error *err)
{
    if (flock(fd, LOCK_EX | LOCK_NB) != 0) {
        return wn_error_set(err, WN_EBUSY,
                            "%s is in use by another program: stop it first (wane ports tells who)", path);
    }
    return WN_OK;
}

static bool same_settings(const struct termios *a, const struct termios *b)
{
    return a->c_iflag == b->c_iflag && a->c_oflag == b->c_oflag && a->c_lflag == b->c_lflag &&
           a->c_cflag == b->c_cflag && a->c_cc[VMIN] == b->c_cc[VMIN] &&
           a->c_cc[VTIME] == b->c_cc[VTIME];
}

int fd_set_raw(int fd, const struct wn_port_settings *s, struct wn_error *err)
{
    struct termios want, have;
    if (tcgetattr(fd, &want) != 0) {
        return wn_error_set(err, WN_EINVAL, "%s is no terminal: %s", s->path, strerror(errno));
    }
    want.c_iflag &= (tcflag_t) ~(IGNBRK | BRKINT | PARMRK | ISTRIP | INLCR | IGNCR | ICRNL | IXON | IXOFF |
                                 IXANY | IUCLC | IMAXBEL | INPCK);
    want.c_oflag &= (tcflag_t)~OPOST;
    want.c_lflag &= (tcflag_t) ~(ECHO | ECHOE | ECHOK | ECHONL | ICANON | ISIG | IEXTEN | NOFLSH | TOSTOP);
    want.c_cflag &= (tcflag_t)~CRTSCTS;
    want.c_cflag |= CREAD | CLOCAL;
    want.c_cflag = s->drop_on_close ? want.c_cflag | HUPCL : want.c_cflag & (tcflag_t)~HUPCL;
    want.c_cc[VMIN] = 1;
    want.c_cc[VTIME] = 0;
    if (tcsetattr(fd, TCSANOW, &want) != 0 || tcgetattr(fd, &have) != 0) {
        return wn_error_set(err, WN_EINVAL, "%s takes no settings: %s", s->path, strerror(errno));
    }
    if (!same_settings(&want, &have)) {
        return wn_error_set(err, WN_EINVAL, "%s did not take its settings (flags %#x %#x, wanted %#x %#x)",
                            s->path, have.c_iflag, have.c_cflag, want.c_iflag, want.c_cflag);
    }
    return WN_OK;
}

int open_error(const char *path, int errnum, struct wn_error *err)
{
    switch (errnum) {
    case ENOENT:
    case ENXIO:
    case ENODEV:
        return wn_error_set(err, WN_ENOENT,
                            "port %s does not exist: plug the instrument in, or see wane ports for the right name",
                            path);
    case EACCES:
    case EPERM:
        return wn_error_set(err, WN_EACCESS,
                            "port %s may not be opened: add the service's user to the group dialout, and look "
                            "whether the unit's DeviceAllow names this kind of port",
                            path);
    case EBUSY:
        return wn_error_set(err, WN_EBUSY, "port %s is held by another program: wane ports tells who", path);
    default:
        return wn_error_set(err, WN_EIO, "port %s: %s", path, strerror(errnum));
    }
}

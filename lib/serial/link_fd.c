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

static int gone(struct fd_link *l, const char *how, struct wn_error *err)
{
    l->gone = true;
    return wn_error_set(
        err, WN_EGONE, "%s is gone (%s): plug it in again; it is reopened by itself", l->path, how);
}

/* Reads of nothing without a hang-up: another program has put the port into a mode of its own
 * (libserialport does, with VMIN=0). */
static bool was_meddled_with(const struct fd_link *l)
{
    struct pollfd f = {l->fd, POLLIN, 0};
    bool there = poll(&f, 1, 0) >= 0 && (f.revents & (POLLHUP | POLLERR | POLLNVAL)) == 0;
    return there && tcsetattr(l->fd, TCSANOW, &l->settings) == 0;
}

/* With VMIN=1 no data is EAGAIN and a hang-up is 0. Any other error of a terminal's read or write
 * means that it is of no more use. */
static int link_read(struct wn_link *link, void *buf, size_t size, size_t *got,
                     struct wn_error *err)
{
    struct fd_link *l = of(link);
    *got = 0;
    if (l->gone) {
        return gone(l, "earlier", err);
    }
    ssize_t n = read(l->fd, buf, size);
    if (n > 0) {
        *got = (size_t)n;
        return WN_OK;
    }
    if (size == 0 || (n < 0 && (errno == EAGAIN || errno == EINTR))) {
        return WN_OK;
    }
    if (n == 0 && was_meddled_with(l)) {
        return WN_OK;
    }
    return gone(l, n == 0 ? "hung up" : strerror(errno), err);
}

static int link_write(struct wn_link *link, const void *data, size_t len, size_t *put,
                      struct wn_error *err)
{
    struct fd_link *l = of(link);
    *put = 0;
    if (l->gone) {
        return gone(l, "earlier", err);
    }
    ssize_t n = write(l->fd, data, len);
    if (n >= 0) {
        *put = (size_t)n;
        return WN_OK;
    }
    return errno == EAGAIN || errno == EINTR ? WN_OK : gone(l, strerror(errno), err);
}

static void link_flush(struct wn_link *link)
{
    (void)tcflush(of(link)->fd, TCIOFLUSH);
}

static int link_set_line(struct wn_link *link, enum wn_line line, bool on, struct wn_error *err)
{
    struct fd_link *l = of(link);
    int bit = line == WN_LINE_DTR ? TIOCM_DTR : TIOCM_RTS;
    if (l->gone) {
        return gone(l, "earlier", err);
    }
    if (ioctl(l->fd, on ? TIOCMBIS : TIOCMBIC, &bit) == 0) {
        return WN_OK;
    }
    if (errno == ENOTTY || errno == EINVAL) {
        return wn_error_set(err, WN_ESTATE, "%s has no modem lines: an interlock needs a real port",
                            l->path);
    }
    return gone(l, strerror(errno), err);
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
    (void)tcgetattr(fd, &l->settings);
    *out = &l->link;
    return WN_OK;
}

static int busy(const char *path, const char *real, struct wn_error *err)
{
    char holder[128];
    const char *who = real != NULL ? wn_port_holder(real, holder, sizeof holder) : NULL;
    return wn_error_set(
        err, WN_EBUSY,
        "port %s is in use by %s: stop that first; `wane ports` shows who holds what", path,
        who != NULL ? who : "another program (of another user, maybe a modem manager)");
}

int fd_check_lock(const char *path, const char *real, struct wn_error *err)
{
    char holder[128];
    return port_locker(real, holder, sizeof holder) != NULL ? busy(path, real, err) : WN_OK;
}

int fd_lock(int fd, const char *path, const char *real, struct wn_error *err)
{
    if (flock(fd, LOCK_EX | LOCK_NB) == 0) {
        return WN_OK;
    }
    return errno == EWOULDBLOCK
               ? busy(path, real, err)
               : wn_error_set(err, WN_EIO, "port %s cannot be locked: %s", path, strerror(errno));
}

static void make_raw(struct termios *t, const struct wn_port_settings *s)
{
    t->c_iflag &= (tcflag_t) ~(IGNBRK | BRKINT | PARMRK | IGNPAR | ISTRIP | INLCR | IGNCR | ICRNL |
                               IXON | IXOFF | IXANY | IUCLC | IMAXBEL | INPCK);
    t->c_iflag |=
        s->parity != 'N' ? INPCK : 0; /* a wrong parity reads as NUL, which spoils the line */
    t->c_oflag &= (tcflag_t)~OPOST;
    t->c_lflag &=
        (tcflag_t) ~(ECHO | ECHOE | ECHOK | ECHONL | ICANON | ISIG | IEXTEN | NOFLSH | TOSTOP);
    t->c_cflag &= (tcflag_t) ~(CRTSCTS | CSIZE | CSTOPB | PARENB | PARODD | HUPCL);
    t->c_cflag |= CREAD | CLOCAL | (s->bits == 7 ? CS7 : CS8);
    t->c_cflag |= s->stop_bits == 2 ? CSTOPB : 0;
    t->c_cflag |= s->parity != 'N' ? PARENB : 0;
    t->c_cflag |= s->parity == 'O' ? PARODD : 0;
    t->c_cflag |= s->drop_on_close ? HUPCL : 0;
    t->c_cc[VMIN] = 1;
    t->c_cc[VTIME] = 0;
}

/* What differs between the settings wanted and those the port has; NULL when nothing does. */
static const char *difference(const struct termios *a, const struct termios *b)
{
    const tcflag_t format = CSIZE | CSTOPB | PARENB | PARODD;
    if ((a->c_cflag & format) != (b->c_cflag & format)) {
        return "the number of bits, the parity or the stop bits";
    }
    if (((a->c_cflag ^ b->c_cflag) & CRTSCTS) != 0 ||
        ((a->c_iflag ^ b->c_iflag) & (IXON | IXOFF | IXANY)) != 0) {
        return "the flow control";
    }
    if (((a->c_cflag ^ b->c_cflag) & HUPCL) != 0) {
        return "what the modem lines do at close";
    }
    bool same = a->c_iflag == b->c_iflag && a->c_oflag == b->c_oflag && a->c_lflag == b->c_lflag &&
                a->c_cflag == b->c_cflag && a->c_cc[VMIN] == b->c_cc[VMIN] &&
                a->c_cc[VTIME] == b->c_cc[VTIME];
    return same ? NULL : "raw mode";
}

int fd_set_raw(int fd, const struct wn_port_settings *s, struct wn_error *err)
{
    struct termios want, have;
    if (tcgetattr(fd, &want) != 0) {
        return wn_error_set(err, WN_EINVAL,
                            "%s is no serial port (%s); `wane ports` shows the ports", s->path,
                            strerror(errno));
    }
    make_raw(&want, s);
    if (tcsetattr(fd, TCSANOW, &want) != 0 || tcgetattr(fd, &have) != 0) {
        return wn_error_set(
            err, WN_EINVAL,
            "port %s takes no settings (%s): another adapter or other settings are needed", s->path,
            strerror(errno));
    }
    const char *differs =
        difference(&want, &have); /* tcsetattr succeeds when any one setting was taken */
    if (differs != NULL) {
        return wn_error_set(err, WN_EINVAL,
                            "port %s does not take %s (%d%c%d wanted): another adapter or other "
                            "settings are needed",
                            s->path, differs, s->bits, s->parity, s->stop_bits);
    }
    return WN_OK;
}

static int set_one_line(int fd, int bit, enum wn_line_policy policy,
                        const struct wn_port_settings *s, struct wn_error *err)
{
    if (policy == WN_LINE_LEAVE ||
        ioctl(fd, policy == WN_LINE_ON ? TIOCMBIS : TIOCMBIC, &bit) == 0) {
        return WN_OK;
    }
    return wn_error_set(err, WN_ESTATE,
                        "port %s: %s cannot be set (%s): an interlock needs a real port", s->path,
                        bit == TIOCM_DTR ? "DTR" : "RTS", strerror(errno));
}

int fd_set_lines(int fd, const struct wn_port_settings *s, struct wn_error *err)
{
    int rc = set_one_line(fd, TIOCM_DTR, s->dtr, s, err);
    return rc == WN_OK ? set_one_line(fd, TIOCM_RTS, s->rts, s, err) : rc;
}

int open_error(const char *path, const char *real, int errnum, struct wn_error *err)
{
    switch (errnum) {
    case ENOENT:
    case ENXIO:
    case ENODEV:
    case ENOTDIR:
        return wn_error_set(err, WN_ENOENT,
                            "port %s does not exist: plug the instrument in and switch it on; "
                            "`wane ports` shows the "
                            "ports there are",
                            path);
    case EACCES:
        return wn_error_set(err, WN_EACCESS,
                            "port %s may not be opened: add the user to the group dialout (adduser "
                            "USER dialout) and log in again",
                            path);
    case EPERM: /* not by the file's mode: a unit names drivers, and one not loaded is no driver */
        return wn_error_set(err, WN_EACCESS,
                            "port %s may not be opened by this service: its driver was not loaded "
                            "when the service started, or DeviceAllow in the unit lacks it: "
                            "systemctl restart waned",
                            path);
    case EBUSY:
        return busy(path, real, err);
    default:
        return wn_error_set(err, WN_EIO, "port %s cannot be opened: %s", path, strerror(errnum));
    }
}

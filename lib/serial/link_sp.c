/* A real serial port as a link: found, opened and set up by libserialport, in the order that was found to be safe.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>

static int sp_error(const char *path, const char *what, enum sp_return rc, struct wn_error *err)
{
    int errnum = errno;
    if (rc == SP_ERR_FAIL && errnum != 0) {
        return open_error(path, errnum, err);
    }
    return wn_error_set(err, WN_EINVAL, "port %s: %s is not possible (%s)", path, what,
                        rc == SP_ERR_SUPP ? "not supported" : "wrong argument");
}

static void close_port(void *owner)
{
    struct sp_port *port = owner;
    (void)sp_close(port);
    sp_free_port(port);
}

static int own_it(int fd, const char *path, struct wn_error *err)
{
    if (fcntl(fd, F_SETFD, FD_CLOEXEC) != 0 || ioctl(fd, TIOCEXCL) != 0) {
        return wn_error_set(err, WN_EIO, "port %s: %s", path, strerror(errno));
    }
    return fd_lock(fd, path, err);
}

static int set_line(struct sp_port *port, const struct wn_port_settings *s, struct wn_error *err)
{
    enum sp_parity parity = s->parity == 'E' ? SP_PARITY_EVEN
                            : s->parity == 'O' ? SP_PARITY_ODD
                                               : SP_PARITY_NONE;
    enum sp_return rc;
    if ((rc = sp_set_baudrate(port, s->baud)) != SP_OK) {
        return sp_error(s->path, "this baud rate", rc, err);
    }
    if ((rc = sp_set_bits(port, s->bits)) != SP_OK || (rc = sp_set_parity(port, parity)) != SP_OK ||
        (rc = sp_set_stopbits(port, s->stop_bits)) != SP_OK) {
        return sp_error(s->path, "this character format", rc, err);
    }
    rc = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE);
    return rc == SP_OK ? WN_OK : sp_error(s->path, "no flow control", rc, err);
}

/* One ioctl each, and no sp_set_* after it: those write the lines back to what they were. */
static void set_modem_lines(int fd, const struct wn_port_settings *s)
{
    int on = (s->dtr == WN_LINE_ON ? TIOCM_DTR : 0) | (s->rts == WN_LINE_ON ? TIOCM_RTS : 0);
    int off = (s->dtr == WN_LINE_OFF ? TIOCM_DTR : 0) | (s->rts == WN_LINE_OFF ? TIOCM_RTS : 0);
    if (on != 0) {
        (void)ioctl(fd, TIOCMBIS, &on);
    }
    if (off != 0) {
        (void)ioctl(fd, TIOCMBIC, &off);
    }
}

int link_sp_open(struct wn_link **out, const char *real, const struct wn_port_settings *s,
                 struct wn_error *err)
{
    struct sp_port *port = NULL;
    int fd = -1;
    errno = 0;
    enum sp_return sp = sp_get_port_by_name(real, &port);
    if (sp != SP_OK) {
        return sp_error(s->path, "finding it", sp, err);
    }
    if ((sp = sp_open(port, SP_MODE_READ_WRITE)) != SP_OK) {
        int rc = sp_error(s->path, "opening it", sp, err);
        sp_free_port(port);
        return rc;
    }
    int rc = sp_get_port_handle(port, &fd) == SP_OK ? WN_OK
                                                    : wn_error_set(err, WN_EIO, "port %s: no handle", s->path);
    rc = rc == WN_OK ? own_it(fd, s->path, err) : rc;
    rc = rc == WN_OK ? set_line(port, s, err) : rc;
    rc = rc == WN_OK ? fd_set_raw(fd, s, err) : rc;
    if (rc == WN_OK) {
        set_modem_lines(fd, s);
        (void)tcflush(fd, TCIOFLUSH);
        rc = fd_link_create(out, fd, s->path, port, close_port, err);
    }
    if (rc != WN_OK) {
        (void)tcflush(fd, TCOFLUSH);
        close_port(port);
    }
    return rc;
}

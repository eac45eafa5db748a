/* A real serial port as a link: opened and set up by libserialport, in the order found safe.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <fcntl.h>
#include <libserialport.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>

static int sp_error(const struct wn_port_settings *s, const char *real, const char *what,
                    enum sp_return rc, struct wn_error *err)
{
    int errnum = sp_last_error_code(); /* errno: to be asked at once */
    if (rc == SP_ERR_FAIL && errnum != 0 && errnum != EINVAL) {
        return open_error(s->path, real, errnum, err);
    }
    return wn_error_set(
        err, WN_EINVAL,
        "port %s: %s is not possible (%d baud, %d%c%d wanted): another adapter or other settings "
        "are needed",
        s->path, what, s->baud, s->bits, s->parity, s->stop_bits);
}

static void close_port(void *owner)
{
    struct sp_port *port = owner;
    (void)sp_close(port);
    sp_free_port(port);
}

/* libserialport 0.1.1 leaves the port open to children and to other programs. */
static int own_it(int fd, const char *real, const struct wn_port_settings *s, struct wn_error *err)
{
    if (fcntl(fd, F_SETFD, FD_CLOEXEC) != 0 || ioctl(fd, TIOCEXCL) != 0) {
        return open_error(s->path, real, errno, err);
    }
    return fd_lock(fd, s->path, real, err);
}

static int set_format(struct sp_port *port, const char *real, const struct wn_port_settings *s,
                      struct wn_error *err)
{
    enum sp_parity parity = s->parity == 'E'   ? SP_PARITY_EVEN
                            : s->parity == 'O' ? SP_PARITY_ODD
                                               : SP_PARITY_NONE;
    enum sp_return rc = sp_set_baudrate(port, s->baud);
    if (rc != SP_OK) {
        return sp_error(s, real, "this baud rate", rc, err);
    }
    if ((rc = sp_set_bits(port, s->bits)) != SP_OK || (rc = sp_set_parity(port, parity)) != SP_OK ||
        (rc = sp_set_stopbits(port, s->stop_bits)) != SP_OK) {
        return sp_error(s, real, "this character format", rc, err);
    }
    rc = sp_set_flowcontrol(port, SP_FLOWCONTROL_NONE);
    return rc == SP_OK ? WN_OK : sp_error(s, real, "working without flow control", rc, err);
}

/* An adapter may take a baud rate and use another one. */
static int check_baud(struct sp_port *port, const char *real, const struct wn_port_settings *s,
                      struct wn_error *err)
{
    struct sp_port_config *config = NULL;
    int baud = 0;
    enum sp_return rc = sp_new_config(&config);
    if (rc == SP_OK) {
        rc = sp_get_config(port, config);
    }
    if (rc == SP_OK) {
        rc = sp_get_config_baudrate(config, &baud);
    }
    sp_free_config(config);
    if (rc != SP_OK) {
        return sp_error(s, real, "reading the settings back", rc, err);
    }
    if (baud != s->baud) {
        return wn_error_set(err, WN_EINVAL,
                            "port %s: %d baud were set, but it has %d: use a rate it knows",
                            s->path, s->baud, baud);
    }
    return WN_OK;
}

/* The lines first: a relay that is to be open must not close for as long as an adapter needs for
 * all its settings. sp_set_* write DTR and RTS back to what they were. And last: with hardware
 * handshake left on by another program, they raise RTS. */
static int set_up(struct sp_port *port, int fd, const char *real, const struct wn_port_settings *s,
                  struct wn_error *err)
{
    int rc = own_it(fd, real, s, err);
    if (rc == WN_OK) {
        rc = fd_set_lines(fd, s, err);
    }
    if (rc == WN_OK) {
        rc = set_format(port, real, s, err);
    }
    if (rc == WN_OK) {
        rc = fd_set_raw(fd, s, err);
    }
    if (rc == WN_OK) {
        rc = check_baud(port, real, s, err);
    }
    if (rc == WN_OK) {
        rc = fd_set_lines(fd, s, err);
    }
    return rc;
}

int link_sp_open(struct wn_link **out, const char *real, const struct wn_port_settings *s,
                 struct wn_error *err)
{
    struct sp_port *port = NULL;
    int fd = -1;
    if (fd_check_lock(s->path, real, err) != WN_OK) {
        return WN_EBUSY; /* opened by root, sp_open() would change the settings under its holder */
    }
    enum sp_return sp = sp_get_port_by_name(real, &port);
    if (sp != SP_OK) {
        return open_error(s->path, real, ENOENT, err);
    }
    if ((sp = sp_open(port, SP_MODE_READ_WRITE)) != SP_OK) {
        int rc = sp_error(s, real, "opening it", sp, err);
        sp_free_port(port);
        return rc;
    }
    int rc = sp_get_port_handle(port, &fd) == SP_OK
                 ? set_up(port, fd, real, s, err)
                 : wn_error_set(err, WN_EIO, "port %s: libserialport gives no descriptor", s->path);
    if (rc == WN_OK) {
        (void)tcflush(fd, TCIFLUSH);
        rc = fd_link_create(out, fd, s->path, port, close_port, err);
    }
    if (rc != WN_OK) {
        (void)tcflush(fd, TCOFLUSH);
        close_port(port);
    }
    return rc;
}

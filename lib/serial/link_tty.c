/* A plain terminal as a link: pseudo-terminals, which libserialport does not open.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <errno.h>
#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

/* No TIOCEXCL here: on a pty it outlives the close while the guard holds its duplicate. No baud
 * rate: a pty has none. */
int link_tty_open(struct wn_link **out, const char *real, const struct wn_port_settings *s,
                  struct wn_error *err)
{
    struct stat st;
    if (stat(real, &st) == 0 &&
        !S_ISCHR(st.st_mode)) { /* not even opened: a FIFO would look like a silent instrument */
        return wn_error_set(err, WN_EINVAL, "%s is no serial port; `wane ports` shows the ports",
                            s->path);
    }
    int fd = open(real, O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
    if (fd < 0) {
        return open_error(s->path, real, errno, err);
    }
    int rc = fd_lock(fd, s->path, real, err);
    if (rc == WN_OK) {
        rc = fd_set_raw(fd, s, err);
    }
    if (rc == WN_OK) {
        rc = fd_set_lines(fd, s, err);
    }
    if (rc == WN_OK) {
        rc = fd_link_create(out, fd, s->path, NULL, NULL, err);
    }
    if (rc != WN_OK) {
        (void)close(fd);
    }
    return rc;
}

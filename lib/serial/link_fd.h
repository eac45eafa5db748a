/* What both kinds of links share. Not for other modules.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_SERIAL_LINK_FD_H
#define WN_SERIAL_LINK_FD_H

#include <termios.h>

#include "serial/serial.h"

struct fd_link {
    struct wn_link link; /* first: a wn_link is one of these */
    int fd;
    void *owner; /* of the descriptor; NULL: close(fd) */
    void (*close_owner)(void *owner);
    char path[256];
    struct termios settings; /* as they were verified */
    bool gone;               /* for good: a port that comes back is opened anew */
};

/** Makes a link of a descriptor, which it closes from then on; on error the caller still has it.
 * owner NULL when the link closes it itself. */
int fd_link_create(struct wn_link **out, int fd, const char *path, void *owner,
                   void (*close_owner)(void *), struct wn_error *err);
/** Takes an advisory lock, so that two of our programs never share a port. WN_EBUSY. */
int fd_lock(int fd, const char *path, const char *real, struct wn_error *err);
/** Is the port locked by somebody? Looked up without opening it, which would raise its lines and
 * change its settings. WN_EBUSY. */
int fd_check_lock(const char *path, const char *real, struct wn_error *err);
/** Who has locked the port, as wn_port_holder(). */
const char *port_locker(const char *real, char *buf, size_t size);
/** Raw mode with VMIN=1 (so that a read tells a hang-up from silence), character format, no flow
 * control; set, read back and compared one by one. */
int fd_set_raw(int fd, const struct wn_port_settings *s, struct wn_error *err);
/** DTR and RTS by policy, one ioctl each. WN_ESTATE where there are none. */
int fd_set_lines(int fd, const struct wn_port_settings *s, struct wn_error *err);
/** Error for errno after opening a path; real is its real path, NULL when unknown. */
int open_error(const char *path, const char *real, int errnum, struct wn_error *err);

int link_tty_open(struct wn_link **out, const char *real, const struct wn_port_settings *s,
                  struct wn_error *err);
int link_sp_open(struct wn_link **out, const char *real, const struct wn_port_settings *s,
                 struct wn_error *err);

#endif

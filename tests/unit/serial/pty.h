/* A pseudo-terminal pair for tests of links: the test is the instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_PTY_H
#define WN_TESTS_PTY_H

#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include "serial/serial.h"

struct pty {
    int master;    /* -1: closed */
    char path[64]; /* of the slave */
};

void pty_open(struct pty *p);
/** The instrument unplugs. */
void pty_close(struct pty *p);
/** Waits (for at most five seconds) until the descriptor is ready for what poll() calls `what`. */
void pty_wait(int fd, short what);
/** Reads exactly n bytes from the link, waiting for them. */
void pty_read_link(struct wn_link *l, char *buf, size_t n);
/** Reads exactly n bytes at the instrument's end. */
void pty_read_master(const struct pty *p, char *buf, size_t n);
void pty_write_master(const struct pty *p, const char *data, size_t n);
/** Every byte value, both ways. */
void pty_check_transparent(const struct pty *p, struct wn_link *l);
/** Unplugs, and checks that every operation says WN_EGONE, the first one included. */
void pty_check_gone(struct pty *p, struct wn_link *l);

#endif

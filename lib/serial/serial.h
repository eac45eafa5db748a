/* Serial links: real ports through libserialport, ptys through termios, one interface.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * libserialport 0.1.1 cannot open a pty, blocks on the wall clock and mistakes a hang-up for
 * silence; so it is used to find, open and set up real ports, and every read and write goes through
 * our own non-blocking descriptor. */
#ifndef WN_SERIAL_SERIAL_H
#define WN_SERIAL_SERIAL_H

#include <stdbool.h>

#include "base/err.h"
#include "port/link.h"

enum wn_line_policy { WN_LINE_LEAVE, WN_LINE_ON, WN_LINE_OFF };

struct wn_port_settings {
    const char *path; /* as configured; resolved anew at every open (borrowed) */
    int baud;
    int bits;      /* 8 */
    char parity;   /* 'N', 'E', 'O' */
    int stop_bits; /* 1 */
    enum wn_line_policy dtr, rts;
    bool drop_on_close; /* modem lines fall at the last close (HUPCL) */
};

/** 8N1, lines left as the kernel sets them, dropped at close. */
void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud);

/** Opens a port: exclusive, close-on-exec, raw, non-blocking, settings read back and compared.
 * Returns at once; a settling time is the caller's affair.
 *
 * Opening a real port raises DTR and RTS for a moment whatever the policy says (the kernel does it
 * inside open): a board may restart, a relay click. WN_LINE_OFF drops them right after. While a
 * duplicate of the descriptor is open elsewhere (the guard's), the port stays locked and the modem
 * lines do not fall.
 *
 * @return WN_OK       *out owned by the caller, close with (*out)->ops->close(*out)
 * @return WN_ENOENT   no such port; WN_EACCESS not permitted; WN_EBUSY somebody else holds it;
 * WN_EINVAL not a terminal, or the settings were not taken; WN_ESTATE a modem line is to be set
 * that it has not; WN_EIO anything else. The text names the port and the remedy. */
int wn_link_open(struct wn_link **out, const struct wn_port_settings *s, struct wn_error *err);

/** One real port, for `wane ports`; texts are borrowed during the callback; NULL where unknown. */
struct wn_port_info {
    const char *path, *description, *serial_number, *by_id, *by_path;
    int usb_vid, usb_pid; /* -1: not USB */
    const char *
        holder; /* "waned (pid 123)" of who has it open, as far as may be seen; NULL nobody known */
};
typedef void (*wn_port_fn)(const struct wn_port_info *info, void *ctx);
/** Calls fn for every serial port of the computer. *count how many. No port is opened by us;
 * libserialport itself opens those of the board (ttyS) for a moment, to leave out those that are
 * not there. WN_EIO: sysfs cannot be read. */
int wn_ports_list(wn_port_fn fn, void *ctx, int *count, struct wn_error *err);

/** Who has the port open (its real path, no symlink): "minicom (pid 123)" in buf; NULL when nobody
 * is seen. Another user's program is seen only when it locks its port, as ours do. */
const char *wn_port_holder(const char *real, char *buf, size_t size);

#endif

/* Serial links: real ports through libserialport, ptys through termios, one interface.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * libserialport 0.1.1 cannot open a pty, blocks on the wall clock and mistakes a hang-up for
 * silence; so it is used to find, open and set up real ports, and every read and write goes through
 * our own non-blocking descriptor. */
#ifndef WN_SERIAL_SERIAL_H
#define WN_SERIAL_SERIAL_H

#include <stdbool.h>
#include <stddef.h>

#include "base/err.h"
#include "port/link.h"

enum wn_line_policy { WN_LINE_LEAVE, WN_LINE_ON, WN_LINE_OFF };

struct wn_port_settings {
    const char *path;  /* as configured; resolved anew at every open (borrowed) */
    const char *share; /* socket of the process that has the port; NULL: it is opened (borrowed) */
    int baud;
    int bits;      /* 8 */
    char parity;   /* 'N', 'E', 'O' */
    int stop_bits; /* 1 */
    enum wn_line_policy dtr, rts;
    bool drop_on_close; /* modem lines fall at the last close (HUPCL) */
};

/** 8 data bits, lines left as the kernel sets them, dropped at close. */
void wn_port_settings_init(struct wn_port_settings *s, const char *path, int baud, int parity,
                           int stop_bits);

/** Opens a port: a device's path, "tcp://HOST:PORT" (a serial server that hands bytes through) or
 * "rfc2217://HOST:PORT" (one that speaks telnet with the COM port option). HOST is an IPv4 address,
 * an IPv6 address in brackets or a name that stands in /etc/hosts: a look-up elsewhere may take
 * longer than a station may be deaf. What follows is about devices; the two others are below.
 *
 * Exclusive, close-on-exec, raw, non-blocking, settings read back and compared.
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

/* Shared ports: each write is one packet, commands and the queries behind them, and is carried out
 * without anything of others in between; each answer comes as one packet and is that to one's own
 * queries alone (instrument/share.h). Baud rate and format are not looked at; there are no modem
 * lines (WN_ESTATE); flush() throws away answers, not questions. WN_EGONE when the other process
 * has ended or has lost the port. A duplicate of the descriptor asks like its owner.
 *
 * Ports behind a serial server.
 *
 * Opening returns at once; until the connection stands (and, with RFC 2217, every setting is
 * confirmed) reads bring nothing and writes take nothing. What does not come about within 3 s, is
 * refused by the server or turns out otherwise than it was set, is WN_EGONE from then on, with the
 * reason; so is a peer that has died: it is noticed within 4 s, also while nothing is said.
 *
 * Raw (tcp://): baud rate, format and flow control are set at the server, and nothing here can tell
 * whether they are right; there are no modem lines (WN_ESTATE), and what is in the server's queues
 * cannot be thrown away. RFC 2217: all of that is set, read back and there; flush() purges the
 * server's queues and lets nothing in that was sent before the server has said so. A line that is
 * set is told at once and confirmed later; what is not confirmed within 2 s ends the link.
 *
 * Two of our programs on one computer never share a server's port. Whether somebody else may, the
 * server decides: let it take one connection at a time. The lock is the link's, not the
 * descriptor's: while a duplicate is open elsewhere, the server must refuse.
 *
 * The descriptor goes to the guard like any other. The guard writes its bytes as they are, so they
 * must be handed to it as they stand on the connection: wn_link_wire_bytes() doubles each 0xff for
 * RFC 2217. What it reads is the instrument's reply and nothing else, as reports of the server are
 * turned off; a confirmation that was under way may spoil the first line, so it must ask again.
 * tcflush() and the ioctl for modem lines fail on such a descriptor; the bytes of
 * wn_link_line_bytes() do what the latter does. An interlock on a line that crosses a network is
 * worth less than one on a cable: it stays as it is when the network is gone, unless the server
 * drops its lines with the connection. */

/** Waits until a link just opened can be used, at most limit_ms: for programs that have nothing
 * else to do. A device always can. WN_ETIMEOUT; WN_EGONE as from read(). Input before that is
 * dropped. */
int wn_link_wait(struct wn_link *l, int limit_ms, struct wn_error *err);

/** How the instrument's bytes data[0..len) stand on the descriptor of a link to `path`: into
 * out[0..*n). WN_ENOSPACE. */
int wn_link_wire_bytes(const char *path, const void *data, size_t len, void *out, size_t size,
                       size_t *n, struct wn_error *err);

/** What to write on the descriptor of a link to `path` to set a modem line, into out[0..*n).
 * WN_ESTATE where bytes do not do it (a device: TIOCMBIC) or nothing does (tcp://). */
int wn_link_line_bytes(const char *path, enum wn_line line, bool on, void *out, size_t size,
                       size_t *n, struct wn_error *err);

/** One real port, for `wane ports`; texts are borrowed during the callback; NULL where unknown. */
struct wn_port_info {
    const char *path, *description, *serial_number, *by_id, *by_path;
    int usb_vid, usb_pid; /* -1: not USB */
    const char *driver;   /* of the kernel: "ftdi_sio" */
    int latency_ms;       /* so long an FTDI adapter keeps a short reply back; -1: no such timer */
    const char *holder;   /* as wn_port_holder() */
};

/** The name to write into a configuration: the same after a reboot and whatever else is plugged in.
 * NULL none. */
const char *wn_port_stable_name(const struct wn_port_info *i);
/** An adapter without a serial number of its own (most with a CH340): two of them have the same
 * name in by-id, so that only where it is plugged in tells them apart. */
bool wn_port_is_nameless(const struct wn_port_info *i);
/** Does waiting for the adapter's timer take more than a tenth of the interval, with so many
 * replies to a reading? */
bool wn_port_is_slow(const struct wn_port_info *i, int replies, double interval_s);

typedef void (*wn_port_fn)(const struct wn_port_info *info, void *ctx);
/** Calls fn for every serial port of the computer. *count how many. No port is opened by us;
 * libserialport itself opens those of the board (ttyS) for a moment, to leave out those that are
 * not there. WN_EIO: sysfs cannot be read. */
int wn_ports_list(wn_port_fn fn, void *ctx, int *count, struct wn_error *err);

/** Who has the port open (its real path, no symlink): "minicom (pid 123)", or "station A (pid 123)"
 * for one of ours, in buf; NULL when nobody is seen. Another user's program is seen only when it
 * locks its port, as ours do. Of an address of a serial server: whether one of our stations on this
 * computer has it. */
const char *wn_port_holder(const char *real, char *buf, size_t size);

#endif

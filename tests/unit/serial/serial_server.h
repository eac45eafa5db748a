/* A TCP serial server for tests: raw, or with the server's side of RFC 2217 and its bad habits.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_SERIAL_SERVER_H
#define WN_TESTS_SERIAL_SERVER_H

#include "support/near.h"

#include <stdbool.h>

#include "port/link.h"

enum { SERVER_DATA = 1 << 21, SERVER_LOG = 400 };

struct server {
    int listener, fd;
    char path[64]; /* tcp://127.0.0.1:PORT, or rfc2217:// */
    bool telnet;
    /* bad habits */
    int refuses; /* option it does not know; -1 none */
    int mute;    /* command it never confirms; -1 none */
    int alters;  /* command that it confirms with another value; -1 none */
    unsigned alters_to;
    /* what came */
    unsigned char data[SERVER_DATA];
    size_t len;
    char log[SERVER_LOG]; /* " 1=9600 2=8 ..." commands and values in order */
    bool closed, reset;   /* by the client */
    int state, verb;
    unsigned char sub[64];
    size_t sub_len;
};

/** Listens on a free port of the loopback. */
void server_open(struct server *s, bool telnet);
void server_close(struct server *s);
/** Waits until the client or the link has something to do (5 s at most), and does the server's. */
void server_turn(struct server *s, struct wn_link *l);
/** The same, with the event of poll() that the link waits for. */
void server_turn_for(struct server *s, struct wn_link *l, short what);
/** What can be done without waiting: takes a client, or what it has sent. */
void server_serve(struct server *s);
/** Until the link can be used, or is gone: what wn_link_wait() says. */
int server_connect(struct server *s, struct wn_link *l, struct wn_error *err);
/** Sends bytes as they are. */
void server_send(struct server *s, const void *bytes, size_t len);
/** Confirms a command with a value of one byte, asked or not. */
void server_confirm(struct server *s, int command, unsigned value);
/** From now on the peer is dead: it neither hears nor says anything, not even in its kernel. */
void server_die(struct server *s);

#endif

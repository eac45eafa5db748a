/* RFC 2217: settings are set, confirmed and kept, lines too; what is otherwise ends the link.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "base/prng.h"
#include "serial/rfc2217.h"
#include "serial/serial.h"
#include "serial_server.h"

static struct server server;

static struct wn_link *open_with(const struct wn_port_settings *s)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    struct wn_port_settings here = *s;
    here.path = server.path;
    if (wn_link_open(&l, &here, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return l;
}

static struct wn_port_settings usual(void)
{
    struct wn_port_settings s;
    wn_port_settings_init(&s, NULL, 9600, 'N', 1);
    return s;
}

static struct wn_link *begin(const struct wn_port_settings *s)
{
    struct wn_error err = {0};
    server_open(&server, true);
    struct wn_link *l = open_with(s);
    if (server_connect(&server, l, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return l;
}

static void end(struct wn_link *l)
{
    l->ops->close(l);
    server_close(&server);
}

/* Until the server has seen these commands at the end of its log. */
static void until_logged(const char *last)
{
    size_t n = strlen(last);
    for (;;) {
        size_t have = strlen(server.log);
        if (have >= n && strcmp(server.log + have - n, last) == 0) {
            return;
        }
        server_turn(&server, NULL);
    }
}

/* Turns both sides until the link is gone; the reason must hold these words. */
static void until_gone(struct wn_link *l, const char *words)
{
    struct wn_error err = {0};
    char buf[16];
    size_t got;
    for (;;) {
        struct pollfd f[2] = {{l->ops->fd(l), POLLIN, 0}, {server.fd, POLLIN, 0}};
        int rc = l->ops->read(l, buf, sizeof buf, &got, &err);
        if (rc == WN_EGONE) {
            break;
        }
        assert_int_equal(rc, WN_OK);
        if (poll(f, 2, 100) > 0 && f[1].revents != 0) { /* a limit of the link may have to pass */
            server_turn(&server, NULL);
        }
    }
    if (strstr(err.text, words) == NULL || strstr(err.text, server.path) == NULL) {
        fail_msg("%s", err.text);
    }
}

static void settings_are_set_in_order(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_link *l = begin(&s);
    assert_string_equal(server.log, " 10=0 11=0 1=9600 2=8 3=1 4=1 5=1");
    end(l);
    s.baud = 16711935; /* 0x00ff00ff: bytes that must be doubled */
    s.bits = 7;
    s.parity = 'E';
    s.stop_bits = 2;
    s.dtr = WN_LINE_OFF;
    s.rts = WN_LINE_ON;
    l = begin(&s);
    assert_string_equal(server.log, " 5=9 5=11 10=0 11=0 1=16711935 2=7 3=3 4=2 5=1");
    end(l);
    s.parity = 'O';
    l = begin(&s);
    assert_non_null(strstr(server.log, " 3=2 "));
    end(l);
}

static void refuse(int command, unsigned to, const char *words)
{
    struct wn_port_settings s = usual();
    struct wn_error err = {0};
    server_open(&server, true);
    server.alters = command;
    server.alters_to = to;
    struct wn_link *l = open_with(&s);
    assert_int_equal(server_connect(&server, l, &err), WN_EGONE);
    if (strstr(err.text, words) == NULL) {
        fail_msg("%s", err.text);
    }
    end(l);
}

static void a_setting_that_is_not_taken_is_refused(void **state)
{
    (void)state;
    refuse(1, 4800, "the baud rate is not taken: the server has 4800");
    refuse(2, 7, "data bits is not taken: the server has 7");
    refuse(3, 3, "the parity is not taken: the server has 3");
    refuse(4, 2, "stop bits is not taken: the server has 2");
    refuse(5, 3, "without flow control is not taken: the server has 3");
}

static void refuse_option(int option, const char *words)
{
    struct wn_port_settings s = usual();
    struct wn_error err = {0};
    server_open(&server, true);
    server.refuses = option;
    struct wn_link *l = open_with(&s);
    assert_int_equal(server_connect(&server, l, &err), WN_EGONE);
    if (strstr(err.text, words) == NULL) {
        fail_msg("%s", err.text);
    }
    end(l);
}

static void a_server_without_the_options_is_refused(void **state)
{
    (void)state;
    refuse_option(44, "does not know RFC 2217: use tcp://");
    refuse_option(0, "changes bytes on their way");
}

/* One that says nothing is waited for no longer than the limit. */
static void a_server_that_is_silent_is_refused(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    server_open(&server, true);
    server.refuses = -2;
    struct wn_link *l = open_with(&s);
    server_turn(&server, NULL);
    until_gone(l, "does not confirm that it speaks RFC 2217 at all");
    end(l);
}

static void a_setting_that_is_not_confirmed_is_refused(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    server_open(&server, true);
    server.mute = 3;
    struct wn_link *l = open_with(&s);
    server_turn(&server, NULL);
    until_gone(l, "does not confirm the parity");
    end(l);
}

/* Somebody at the server changes a setting in the middle of the conversation. */
static void a_setting_that_changes_later_is_noticed(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_link *l = begin(&s);
    server_confirm(&server, 2, 8); /* what is, once more: no harm */
    server_confirm(&server, 2, 7);
    until_gone(l, "the server has 7 instead");
    end(l);
}

static void lines_are_set_and_watched(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_link *l = begin(&s);
    struct wn_error err = {0};
    server_confirm(&server, 5, 9); /* nobody has set it yet: it may be as it likes */
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, true, &err), WN_OK);
    until_logged(" 5=8");
    assert_int_equal(l->ops->set_line(l, WN_LINE_RTS, false, &err), WN_OK);
    until_logged(" 5=12");
    for (int i = 0; i < 3; i++) { /* faster than the answers come */
        assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, i % 2 == 1, &err), WN_OK);
    }
    until_logged(" 5=9 5=8 5=9");
    server_confirm(&server, 5, 12); /* behind all the answers; as it is */
    server_send(&server, "x", 1);
    char c = 0;
    for (size_t got = 0; got == 0;) {
        server_turn(&server, l);
        assert_int_equal(l->ops->read(l, &c, 1, &got, &err), WN_OK);
    }
    assert_int_equal(c, 'x');
    server_confirm(&server, 5, 8);
    until_gone(l, "does not confirm DTR as it was set");
    end(l);
}

static void a_line_that_is_not_there_is_noticed(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_error err = {0};
    struct wn_link *l = begin(&s);
    server.mute = 5;
    assert_int_equal(l->ops->set_line(l, WN_LINE_RTS, false, &err), WN_OK);
    until_gone(l, "does not confirm RTS as it was set");
    end(l);
    server_open(&server, true);
    server.alters = 5;
    server.alters_to = 11;
    s.rts = WN_LINE_OFF;
    l = open_with(&s);
    server_turn(&server, NULL);
    until_gone(l, "does not confirm RTS as it was set");
    end(l);
}

/* A line set before the connection stands is not forgotten. */
static void a_line_may_be_set_early(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_error err = {0};
    server_open(&server, true);
    struct wn_link *l = open_with(&s);
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, false, &err), WN_OK);
    assert_int_equal(server_connect(&server, l, &err), WN_OK);
    assert_int_equal(strncmp(server.log, " 5=9 ", 5), 0);
    end(l);
}

static void lines_fall_at_close(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    for (int drop = 0; drop < 2; drop++) {
        s.drop_on_close = drop != 0;
        struct wn_link *l = begin(&s);
        server.log[0] = '\0';
        l->ops->close(l);
        while (!server.closed) {
            server_turn(&server, NULL);
        }
        assert_string_equal(server.log, drop != 0 ? " 5=9 5=12" : "");
        server_close(&server);
    }
}

/* What the server sent before it has confirmed the purge is old, however late it comes. */
static void flush_lets_nothing_old_in(void **state)
{
    (void)state;
    struct wn_port_settings s = usual();
    struct wn_link *l = begin(&s);
    char buf[16];
    size_t got = 0, have = 0;
    server.mute = 12;
    l->ops->flush(l);
    until_logged(" 12=3");
    server_send(&server, "old\xff\xff\n", 6);
    while (poll(&(struct pollfd){l->ops->fd(l), POLLIN, 0}, 1, 5000) == 1 && have++ < 1) {
        assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, NULL), WN_OK);
        assert_int_equal(got, 0);
        server_send(&server, "old", 3);
        server_confirm(&server, 12, 3);
        server_send(&server, "new\n", 4);
    }
    for (have = 0; have < 4; have += got) {
        server_turn(&server, l);
        assert_int_equal(l->ops->read(l, buf + have, sizeof buf - have, &got, NULL), WN_OK);
    }
    assert_int_equal(have, 4);
    assert_memory_equal(buf, "new\n", 4);
    end(l);
}

/* The guard's view: a duplicate of the descriptor, bytes made ready beforehand, no telnet. */
static void a_guard_can_speak_through_it(void **state)
{
    (void)state;
    static const unsigned char off[] = {0x01, 0xff, 0x0d, 0xff, 0xff, 0x0a};
    unsigned char wire[32];
    size_t n = 0;
    struct wn_error err = {0};
    struct wn_port_settings s = usual();
    struct wn_link *l = begin(&s);
    int fd = dup(l->ops->fd(l));
    assert_int_equal(wn_link_wire_bytes(server.path, off, sizeof off, wire, sizeof wire, &n, &err),
                     WN_OK);
    assert_int_equal(n, sizeof off + 3);
    assert_int_equal(write(fd, wire, n), n);
    while (server.len < sizeof off) {
        server_turn(&server, NULL);
    }
    assert_memory_equal(server.data, off, sizeof off);
    server_send(&server, "0\n", 2);
    assert_int_equal(poll(&(struct pollfd){fd, POLLIN, 0}, 1, 5000), 1);
    assert_int_equal(read(fd, wire, sizeof wire), 2);
    assert_memory_equal(wire, "0\n", 2);
    assert_int_equal(
        wn_link_line_bytes(server.path, WN_LINE_RTS, false, wire, sizeof wire, &n, &err), WN_OK);
    assert_int_equal(write(fd, wire, n), n);
    until_logged(" 5=12");
    assert_int_equal(close(fd), 0);
    end(l);
}

static void bytes_on_the_wire(void **state)
{
    (void)state;
    unsigned char out[8];
    size_t n = 77;
    struct wn_error err = {0};
    assert_int_equal(wn_link_wire_bytes("tcp://h:1", "a\xff", 2, out, 2, &n, &err), WN_OK);
    assert_memory_equal(out, "a\xff", 2);
    assert_int_equal(wn_link_wire_bytes("/dev/ttyUSB0", "a\xff", 2, out, 1, &n, &err), WN_ENOSPACE);
    assert_int_equal(n, 0);
    assert_int_equal(wn_link_wire_bytes("rfc2217://h:1", "a\xff", 2, out, 2, &n, &err),
                     WN_ENOSPACE);
    assert_int_equal(n, 0);
    assert_int_equal(wn_link_wire_bytes("rfc2217://h:1", "a\xff", 2, out, 3, &n, &err), WN_OK);
    assert_memory_equal(out, "a\xff\xff", 3);
    assert_int_equal(wn_link_line_bytes("tcp://h:1", WN_LINE_DTR, false, out, 8, &n, &err),
                     WN_ESTATE);
    assert_int_equal(wn_link_line_bytes("/dev/ttyS0", WN_LINE_DTR, false, out, 8, &n, &err),
                     WN_ESTATE);
    assert_int_equal(wn_link_line_bytes("rfc2217://h:1", WN_LINE_DTR, false, out, 6, &n, &err),
                     WN_ENOSPACE);
}

static size_t any_input(struct wn_prng *p, uint8_t *bytes, size_t size)
{
    static const uint8_t likely[] = {255, 255, 255, 250, 240, 44, 0, 101, 105, 112, 253, 251, 254};
    size_t n = wn_prng_below(p, size);
    for (size_t i = 0; i < n; i++) {
        bytes[i] = wn_prng_below(p, 3) != 0 ? likely[wn_prng_below(p, sizeof likely)]
                                            : (uint8_t)wn_prng_below(p, 256);
    }
    return n;
}

/* Any input, however cut into pieces, gives the same bytes, answers and faults. */
static void any_input_in_any_pieces(void **state)
{
    (void)state;
    const char *text = getenv("SEED");
    int64_t seed = 20260603;
    struct wn_prng p;
    long ready = 0;
    if (text != NULL) {
        assert_int_equal(wn_num_parse_int(text, strlen(text), &seed), 0);
    }
    print_message("SEED=%lld\n", (long long)seed);
    wn_prng_init(&p, (uint64_t)seed);
    struct wn_port_settings s = usual();
    static const uint8_t good[] =
        "\xff\xfd\x2c\xff\xfd\0\xff\xfb\0\xff\xfa\x2c\x65\0\0\x25\x80\xff\xf0"
        "\xff\xfa\x2c\x66\x08\xff\xf0\xff\xfa\x2c\x67\x01\xff\xf0"
        "\xff\xfa\x2c\x68\x01\xff\xf0\xff\xfa\x2c\x69\x01\xff\xf0";
    for (int round = 0; round < 20000; round++) {
        struct rfc2217 whole, pieces;
        uint8_t in[200], a[200], b[200];
        size_t at = 0, out = 0;
        if (wn_prng_below(&p, 2) != 0) {
            memcpy(in, good, sizeof good - 1);
            at = sizeof good - 1;
        }
        size_t n = at + any_input(&p, in + at, sizeof in - at);
        rfc2217_begin(&whole, &s);
        rfc2217_begin(&pieces, &s);
        memcpy(a, in, n);
        size_t len = rfc2217_take(&whole, a, n);
        assert_true(len <= n);
        for (size_t from = 0; from < n;) {
            size_t m = 1 + wn_prng_below(&p, 9);
            m = m < n - from ? m : n - from;
            memcpy(b + out, in + from, m);
            out += rfc2217_take(&pieces, b + out, m);
            from += m;
        }
        assert_int_equal(out, len);
        assert_memory_equal(a, b, len);
        assert_int_equal(whole.out_len, pieces.out_len);
        assert_memory_equal(whole.out, pieces.out, whole.out_len);
        assert_string_equal(whole.fault, pieces.fault);
        assert_true(at > 0 || len == 0 || rfc2217_ready(&whole) || whole.fault[0] != '\0');
        ready += len > 0;
    }
    assert_true(ready > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(settings_are_set_in_order),
        cmocka_unit_test(a_setting_that_is_not_taken_is_refused),
        cmocka_unit_test(a_server_without_the_options_is_refused),
        cmocka_unit_test(a_server_that_is_silent_is_refused),
        cmocka_unit_test(a_setting_that_is_not_confirmed_is_refused),
        cmocka_unit_test(a_setting_that_changes_later_is_noticed),
        cmocka_unit_test(lines_are_set_and_watched),
        cmocka_unit_test(a_line_that_is_not_there_is_noticed),
        cmocka_unit_test(a_line_may_be_set_early),
        cmocka_unit_test(lines_fall_at_close),
        cmocka_unit_test(flush_lets_nothing_old_in),
        cmocka_unit_test(a_guard_can_speak_through_it),
        cmocka_unit_test(bytes_on_the_wire),
        cmocka_unit_test(any_input_in_any_pieces),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

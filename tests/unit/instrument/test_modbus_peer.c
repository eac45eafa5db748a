/* A session in MODBUS RTU with an independent instrument: the server side of libmodbus, over a
 * pseudo-terminal, by the real clock.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <unistd.h>

#include "rtu.h"
#include "port/clock.h"
#include "support/near.h"

#ifndef WANE_HAVE_LIBMODBUS

int main(void)
{
    (void)puts("skipped: libmodbus was not there when this was built (Debian: libmodbus-dev)");
    return 77;
}

#else

#include <modbus.h>

enum { UNIT = 7, SIZE = 64 };

static int port;
static pid_t server;

static void fill(modbus_mapping_t *m)
{
    m->tab_input_registers[0] = 0x1234;
    m->tab_input_registers[2] = 77;
    m->tab_input_registers[5] = 37000; /* 3.7 V */
    m->tab_input_registers[6] = (uint16_t)-1500;
    m->tab_input_registers[7] = 251;
    m->tab_input_registers[10] = 0x41b4; /* 22.5 as IEEE 754 has it: 0x41b40000 */
    m->tab_input_registers[20] = 'A' << 8 | 'C';
    m->tab_input_registers[21] = 'M' << 8 | 'E';
}

_Noreturn static void serve(const char *path, int ready)
{
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    modbus_t *ctx = modbus_new_rtu(path, 9600, 'N', 8, 1);
    modbus_mapping_t *map = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    if (ctx == NULL || map == NULL || modbus_set_slave(ctx, UNIT) != 0 ||
        modbus_connect(ctx) != 0 || write(ready, "r", 1) != 1) {
        _exit(1);
    }
    fill(map);
    for (;;) {
        int n = modbus_receive(ctx, query);
        if (n > 0) {
            (void)modbus_reply(ctx, query, n, map);
        } else if (n < 0 && errno == EIO) {
            _exit(0); /* our end is closed */
        }
    }
}

static int begin(void **state)
{
    char path[64], c;
    int ready[2];
    (void)state;
    assert_int_equal(pipe2(ready, O_CLOEXEC), 0);
    port = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC | O_NONBLOCK);
    assert_true(port >= 0 && grantpt(port) == 0 && unlockpt(port) == 0);
    assert_int_equal(ptsname_r(port, path, sizeof path), 0);
    server = fork();
    assert_true(server >= 0);
    if (server == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        (void)close(port);
        serve(path, ready[1]);
    }
    assert_int_equal(close(ready[1]), 0);
    assert_int_equal(read(ready[0], &c, 1), 1); /* its end of the line is open and raw */
    return close(ready[0]);
}

static int end(void **state)
{
    (void)state;
    (void)close(port);
    (void)kill(server, SIGKILL);
    return waitpid(server, NULL, 0) == server ? 0 : -1;
}

static wn_ns now(void)
{
    return wn_clock_monotonic(wn_clock_real());
}

/* One turn of the loop that every program has around a session. */
static void turn(struct wn_session *s)
{
    char buf[256];
    size_t len = 0;
    const char *out = wn_session_output(s, &len);
    ssize_t put = len > 0 ? write(port, out, len) : 0;
    if (put > 0) {
        wn_session_wrote(s, (size_t)put, now());
    }
    struct pollfd p = {port, POLLIN, 0};
    wn_ns left = wn_session_deadline(s) - now();
    (void)poll(&p, 1, left > 0 ? (int)(left / WN_NS_PER_MS) + 1 : 0);
    ssize_t got = read(port, buf, sizeof buf);
    if (got > 0) {
        (void)wn_session_input(s, buf, (size_t)got, now());
    }
    (void)wn_session_tick(s, now());
}

static int ask(struct wn_session *s, enum wn_request request)
{
    const struct wn_setpoints sp = {
        .current_a = 1.5, .voltage_v = 4.2, .interval_s = 1, .voltage_high_v = 4.25};
    wn_session_begin(s, request, &sp, now());
    while (wn_session_result(s) == WN_SESSION_PENDING) {
        turn(s);
    }
    return s->error.code;
}

static void start(struct rtu *t, const char *key, const char *line)
{
    rtu_dialect(&t->dialect, key, line);
    wn_session_init(&t->session, &t->dialect, "tester", "pty");
    assert_int_equal(ask(&t->session, WN_REQUEST_IDENTIFY), WN_OK);
    assert_string_equal(t->session.identity, "model 4660, number 77, name ACME");
}

static void every_request(void **state)
{
    (void)state;
    static struct rtu t;
    start(&t, NULL, NULL);
    for (int i = 0; i < 3; i++) {
        assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
        assert_int_equal(ask(&t.session, WN_REQUEST_SETUP), WN_OK);
        assert_int_equal(ask(&t.session, WN_REQUEST_CHARGE), WN_OK);
        assert_int_equal(ask(&t.session, WN_REQUEST_ON), WN_OK);
        assert_int_equal(ask(&t.session, WN_REQUEST_READ), WN_OK);
        assert_near(t.session.reading.voltage_v, 3.7, 1e-9);
        assert_near(t.session.reading.current_a, 1.5, 1e-9);
        assert_near(t.session.reading.temperature_c, 25.1, 1e-9);
        assert_near(t.session.reading.ambient_c, 22.5, 1e-9);
    }
    assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
    assert_int_equal(t.session.bad_replies + t.session.timeouts, 0);
}

/* Coils by function 15, a discrete input, some bits of a register. */
static void bits(void **state)
{
    (void)state;
    static struct rtu t;
    start(&t, "on =", "on = { remote = 1; enable = 1; range = 9; run = 1; };");
    assert_int_equal(ask(&t.session, WN_REQUEST_ON), WN_OK);
    assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
    start(&t, "output =", "output = { register = \"contact\"; off = 0; };");
    assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
    assert_int_equal(ask(&t.session, WN_REQUEST_ON), WN_EREADBACK); /* nobody has wired it */
    start(&t, "output =", "output = { register = \"remote\"; off = 0; };");
    assert_int_equal(ask(&t.session, WN_REQUEST_ON), WN_OK);
    assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
    assert_int_equal(t.session.bad_replies + t.session.timeouts, 0);
}

static void off_in_the_middle(void **state)
{
    (void)state;
    static struct rtu t;
    start(&t, NULL, NULL);
    for (int turns = 0; turns < 12; turns++) {
        const struct wn_setpoints sp = {.interval_s = 1};
        assert_int_equal(ask(&t.session, WN_REQUEST_ON), WN_OK);
        wn_session_begin(&t.session, WN_REQUEST_READ, &sp, now());
        for (int i = 0; i < turns && wn_session_result(&t.session) == WN_SESSION_PENDING; i++) {
            turn(&t.session);
        }
        assert_int_equal(ask(&t.session, WN_REQUEST_OFF), WN_OK);
    }
}

/* Its own exception, and a unit that is not there. */
static void refused(void **state)
{
    (void)state;
    static struct rtu t;
    start(&t, "alarms", "alarms = { function = 4; address = 3000; };");
    assert_int_equal(ask(&t.session, WN_REQUEST_CHARGE), WN_EINSTRUMENT);
    assert_non_null(strstr(t.session.error.text, "illegal data address (02)"));
    rtu_dialect(&t.dialect, NULL, NULL);
    t.dialect.modbus.unit = 8;
    t.dialect.retries = 0;
    wn_session_init(&t.session, &t.dialect, "tester", "pty");
    assert_int_equal(ask(&t.session, WN_REQUEST_IDENTIFY), WN_ETIMEOUT);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(every_request, begin, end),
        cmocka_unit_test_setup_teardown(bits, begin, end),
        cmocka_unit_test_setup_teardown(off_in_the_middle, begin, end),
        cmocka_unit_test_setup_teardown(refused, begin, end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

#endif

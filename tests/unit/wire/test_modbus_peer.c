/* MODBUS RTU against an independent implementation: the server side of libmodbus, over a pty.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "base/prng.h"
#include "support/near.h"
#include "wire/modbus.h"

#ifndef WANE_HAVE_LIBMODBUS

int main(void)
{
    (void)puts("skipped: libmodbus was not there when this was built (Debian: libmodbus-dev)");
    return 77;
}

#else

#include <modbus.h>

enum { UNIT = 17, SIZE = 2100, LIMIT_MS = 5000 };

struct peer {
    int fd; /* our end */
    pid_t server;
};

/* Registers hold their own address times 7, input registers times 11; every third coil and every
 * fifth input is on. */
static void fill(modbus_mapping_t *m)
{
    for (int i = 0; i < SIZE; i++) {
        m->tab_bits[i] = i % 3 == 0;
        m->tab_input_bits[i] = i % 5 == 0;
        m->tab_registers[i] = (uint16_t)(i * 7);
        m->tab_input_registers[i] = (uint16_t)(i * 11);
    }
}

_Noreturn static void serve(const char *path, int ready)
{
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
    modbus_t *ctx = modbus_new_rtu(path, 115200, 'N', 8, 1);
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

static void begin(struct peer *p)
{
    char path[64], c;
    int ready[2];
    assert_int_equal(pipe2(ready, O_CLOEXEC), 0);
    p->fd = posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(p->fd >= 0);
    assert_int_equal(grantpt(p->fd), 0);
    assert_int_equal(unlockpt(p->fd), 0);
    assert_int_equal(ptsname_r(p->fd, path, sizeof path), 0);
    p->server = fork();
    assert_true(p->server >= 0);
    if (p->server == 0) {
        (void)prctl(PR_SET_PDEATHSIG, SIGKILL);
        (void)close(p->fd);
        serve(path, ready[1]);
    }
    assert_int_equal(close(ready[1]), 0);
    assert_int_equal(read(ready[0], &c, 1), 1); /* its end of the line is open and raw */
    assert_int_equal(close(ready[0]), 0);
}

static void end(struct peer *p)
{
    int status;
    assert_int_equal(close(p->fd), 0);
    (void)kill(p->server, SIGKILL);
    assert_int_equal(waitpid(p->server, &status, 0), p->server);
}

/* One request and its reply, taken as long as the first bytes say. */
static int ask(const struct peer *p, const struct wn_modbus_request *q, uint8_t *frame,
               struct wn_modbus_reply *r, struct wn_error *err)
{
    size_t len, total = 0, have = 0;
    assert_int_equal(wn_modbus_encode(q, frame, WN_MODBUS_FRAME_MAX, &len, err), WN_OK);
    assert_int_equal(write(p->fd, frame, len), len);
    while (total == 0 || have < total) {
        struct pollfd f = {p->fd, POLLIN, 0};
        assert_int_equal(poll(&f, 1, LIMIT_MS), 1);
        size_t want = total > 0 ? total - have : 1;
        ssize_t n = read(p->fd, frame + have, want);
        assert_true(n > 0);
        have += (size_t)n;
        int rc = wn_modbus_expect(q, frame, have, &total, err);
        if (rc != WN_OK) {
            return rc;
        }
    }
    return wn_modbus_decode(q, frame, have, r, err);
}

static void must(const struct peer *p, const struct wn_modbus_request *q, uint8_t *frame,
                 struct wn_modbus_reply *r)
{
    struct wn_error err = {0};
    if (ask(p, q, frame, r, &err) != WN_OK) {
        fail_msg("function %d, %u from %u on: %s", (int)q->function, q->count, q->address,
                 err.text);
    }
}

static void reads_of_every_length(void **state)
{
    (void)state;
    struct peer p;
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_reply r;
    begin(&p);
    for (uint16_t n = 1; n <= WN_MODBUS_READ_REGISTERS_MAX; n++) {
        struct wn_modbus_request q = {WN_MODBUS_READ_HOLDING, UNIT, n, n, NULL};
        must(&p, &q, frame, &r);
        assert_int_equal(r.size, 2 * n);
        for (uint16_t i = 0; i < n; i++) {
            assert_int_equal(wn_modbus_register(&r, i), (n + i) * 7);
        }
        q.function = WN_MODBUS_READ_INPUT_REGISTERS;
        must(&p, &q, frame, &r);
        assert_int_equal(wn_modbus_register(&r, n - 1u), (2 * n - 1) * 11);
    }
    static const uint16_t lengths[] = {1, 7, 8, 9, 16, 17, 1999, 2000};
    for (size_t k = 0; k < sizeof lengths / sizeof lengths[0]; k++) {
        struct wn_modbus_request q = {WN_MODBUS_READ_COILS, UNIT, 31, lengths[k], NULL};
        must(&p, &q, frame, &r);
        for (size_t i = 0; i < lengths[k]; i++) {
            assert_int_equal(wn_modbus_bit(&r, i), (31 + i) % 3 == 0);
        }
        q.function = WN_MODBUS_READ_INPUTS;
        must(&p, &q, frame, &r);
        for (size_t i = 0; i < lengths[k]; i++) {
            assert_int_equal(wn_modbus_bit(&r, i), (31 + i) % 5 == 0);
        }
    }
    end(&p);
}

static void check_registers(const struct peer *p, uint16_t from, uint16_t n, const uint16_t *want)
{
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_reply r;
    struct wn_modbus_request q = {WN_MODBUS_READ_HOLDING, UNIT, from, n, NULL};
    must(p, &q, frame, &r);
    for (uint16_t i = 0; i < n; i++) {
        assert_int_equal(wn_modbus_register(&r, i), want[i]);
    }
}

static void writes_arrive(void **state)
{
    (void)state;
    struct peer p;
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_reply r;
    struct wn_prng random;
    uint16_t values[WN_MODBUS_WRITE_BITS_MAX];
    wn_prng_init(&random, 5);
    begin(&p);
    for (uint16_t n = 1; n <= WN_MODBUS_WRITE_REGISTERS_MAX; n = (uint16_t)(n + 61)) {
        for (uint16_t i = 0; i < n; i++) {
            values[i] = (uint16_t)wn_prng_below(&random, 65536);
        }
        struct wn_modbus_request q = {WN_MODBUS_WRITE_REGISTERS, UNIT, 40, n, values};
        must(&p, &q, frame, &r);
        check_registers(&p, 40, n, values);
    }
    values[0] = 0xbeef;
    struct wn_modbus_request q = {WN_MODBUS_WRITE_REGISTER, UNIT, 41, 1, values};
    must(&p, &q, frame, &r);
    check_registers(&p, 41, 1, values);
    static const uint16_t lengths[] = {1, 7, 8, 9, 1968};
    for (size_t k = 0; k < sizeof lengths / sizeof lengths[0]; k++) {
        for (uint16_t i = 0; i < lengths[k]; i++) {
            values[i] = (uint16_t)wn_prng_below(&random, 2);
        }
        q = (struct wn_modbus_request){WN_MODBUS_WRITE_COILS, UNIT, 3, lengths[k], values};
        must(&p, &q, frame, &r);
        q.function = WN_MODBUS_READ_COILS;
        must(&p, &q, frame, &r);
        for (size_t i = 0; i < lengths[k]; i++) {
            assert_int_equal(wn_modbus_bit(&r, i), values[i]);
        }
    }
    for (uint16_t on = 0; on <= 1; on++) {
        q = (struct wn_modbus_request){WN_MODBUS_WRITE_COIL, UNIT, 2000, 1, &on};
        must(&p, &q, frame, &r);
        q.function = WN_MODBUS_READ_COILS;
        must(&p, &q, frame, &r);
        assert_int_equal(wn_modbus_bit(&r, 0), on);
    }
    end(&p);
}

/* Which of our four orders reads f out of what is in the peer's registers 50 and 51; each that does
 * also writes it so. */
static unsigned orders_of(const struct wn_modbus_reply *r, const uint16_t *registers, float f)
{
    unsigned found = 0;
    for (unsigned order = 0; order < 4; order++) {
        struct wn_modbus_value v;
        uint16_t mine[2];
        double back = 0;
        wn_modbus_value_init(&v, WN_MODBUS_READ_HOLDING, 50, WN_MODBUS_F32);
        v.low_byte_first = (order & 1) != 0;
        v.low_word_first = (order & 2) != 0;
        if (wn_modbus_value_read(&v, r, 50, &back, NULL) == WN_OK && back == (double)f) {
            found |= 1u << order;
            assert_int_equal(wn_modbus_value_write(&v, back, mine, NULL, NULL), WN_OK);
            assert_memory_equal(mine, registers, sizeof mine);
        }
    }
    return found;
}

/* The peer's own functions lay out a float in four orders. Each must be one of ours, and each of
 * ours one of its; which is which is not asked: what the peer calls "abcd" has changed between its
 * versions. */
static void floats_in_every_order(void **state)
{
    (void)state;
    struct peer p;
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_reply r;
    void (*const set[])(float, uint16_t *) = {modbus_set_float_abcd, modbus_set_float_badc,
                                              modbus_set_float_cdab, modbus_set_float_dcba};
    const float f = -1234.5678F;
    unsigned all = 0;
    begin(&p);
    for (int k = 0; k < 4; k++) {
        uint16_t registers[2];
        set[k](f, registers);
        struct wn_modbus_request q = {WN_MODBUS_WRITE_REGISTERS, UNIT, 50, 2, registers};
        must(&p, &q, frame, &r);
        q.function = WN_MODBUS_READ_HOLDING;
        must(&p, &q, frame, &r);
        unsigned found = orders_of(&r, registers, f);
        assert_true(found != 0 && (found & (found - 1)) == 0);
        all |= found;
    }
    assert_int_equal(all, 0xf);
    end(&p);
}

static void refusals_are_understood(void **state)
{
    (void)state;
    struct peer p;
    uint8_t frame[WN_MODBUS_FRAME_MAX];
    struct wn_modbus_reply r;
    begin(&p);
    static const enum wn_modbus_function all[] = {
        WN_MODBUS_READ_COILS,  WN_MODBUS_READ_INPUTS,    WN_MODBUS_READ_HOLDING,
        WN_MODBUS_WRITE_COIL,  WN_MODBUS_WRITE_REGISTER, WN_MODBUS_READ_INPUT_REGISTERS,
        WN_MODBUS_WRITE_COILS, WN_MODBUS_WRITE_REGISTERS};
    for (size_t k = 0; k < sizeof all / sizeof all[0]; k++) {
        struct wn_error err = {0};
        uint16_t one = 1;
        struct wn_modbus_request q = {all[k], UNIT, SIZE, 1, &one};
        assert_int_equal(ask(&p, &q, frame, &r, &err), WN_EINSTRUMENT);
        assert_int_equal(r.exception, 2);
        assert_non_null(strstr(err.text, "illegal data address (02)"));
    }
    static const uint16_t seven = 7; /* and the line is in order after all that */
    uint16_t value = seven;
    struct wn_modbus_request q = {WN_MODBUS_WRITE_REGISTER, UNIT, 1, 1, &value};
    must(&p, &q, frame, &r);
    check_registers(&p, 1, 1, &seven);
    end(&p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(reads_of_every_length),
        cmocka_unit_test(writes_arrive),
        cmocka_unit_test(floats_in_every_order),
        cmocka_unit_test(refusals_are_understood),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

#endif

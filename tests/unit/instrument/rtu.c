/* A session and an instrument that speaks MODBUS, in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "rtu.h"

#include <stdio.h>
#include <string.h>

#include "config/reader.h"

enum { STEPS_MAX = 100000 };

/* clang-format off */
static const char *const text[] = {
    "title = \"test\"; protocol = \"modbus\"; simulated = false; has_clock = false;",
    "unit = 7; baud = 9600; parity = \"even\"; stop_bits = 1;",
    "reply_timeout = \"200 ms\"; settle = \"0 s\";",
    "retries = 2;",
    "echo = false;",
    "registers = {",
    "  model     = { function = 4; address = 0; };",
    "  number    = { function = 4; address = 1; type = \"u32\"; };",
    "  name      = { function = 4; address = 20; type = \"text\"; length = 4; };",
    "  volts     = { function = 4; address = 4; type = \"i32\"; scale = 0.0001; };",
    "  amps      = { function = 4; address = 6; type = \"i16\"; scale = 0.001; };",
    "  warm      = { function = 4; address = 7; type = \"i16\"; scale = 0.1; no_value = 0x8000; };",
    "  air       = { function = 4; address = 10; type = \"f32\"; };",
    "  alarms    = { function = 4; address = 12; };",
    "  mode      = { function = 3; address = 0; };",
    "  set_amps  = { function = 3; address = 1; scale = 0.001; tolerance = 0.002; };",
    "  set_volts = { function = 3; address = 2; type = \"u32\"; scale = 0.0001; tolerance = 0.001; };",
    "  high      = { function = 3; address = 5; scale = 0.001; };",
    "  key       = { function = 3; address = 6; readback = false; };",
    "  step      = { function = 3; address = 8; scale = 0.1; };",
    "  run       = { function = 1; address = 0; };",
    "  remote    = { function = 1; address = 1; write_function = 15; };",
    "  contact   = { function = 2; address = 9; };",
    "  control   = { function = 3; address = 12; };",
    "  enable    = { function = 3; address = 12; first_bit = 2; bits = 1; };",
    "  range     = { function = 3; address = 12; first_bit = 4; bits = 4; };",
    "};",
    "identity = { model = 0x1234; number = \"any\"; name = \"ACME\"; };",
    "setup = { key = 0x55AA; high = \"voltage_high_v\"; };",
    "charge = { mode = 0; set_amps = \"current_a\"; set_volts = \"voltage_v\"; };",
    "discharge = { mode = 1; set_amps = \"current_a\"; set_volts = \"voltage_v\"; };",
    "on = { remote = 1; run = 1; };",
    "off = { run = 0; remote = 0; };",
    "output = { register = \"run\"; off = 0; };",
    "before_read = { step = \"interval_s\"; };",
    "read = { voltage_v = \"volts\"; current_a = \"amps\"; temperature_c = \"warm\"; ambient_c = \"air\"; };",
    "current_sign = \"discharge positive\";",
    "fault = { register = \"alarms\"; mask = 0x00FF; };",
};
/* clang-format on */

void rtu_dialect(struct wn_dialect *d, const char *key, const char *line)
{
    static struct wn_problems problems;
    char all[4000];
    size_t n = 0;
    for (size_t i = 0; i < sizeof text / sizeof text[0]; i++) {
        const char *at = text[i] + strspn(text[i], " ");
        bool other = key != NULL && strncmp(at, key, strlen(key)) == 0;
        n += (size_t)snprintf(all + n, sizeof all - n, "%s\n", other ? line : text[i]);
    }
    assert_true(n < sizeof all);
    problems.n = 0;
    if (wn_config_parse_dialect(all, n, "test.conf", "test", d, &problems) != WN_OK) {
        wn_problems_print(&problems, stderr, "");
        fail();
    }
}

void rtu_init(struct rtu *t, const char *key, const char *line)
{
    static const uint16_t name[] = {'A' << 8 | 'C', 'M' << 8 | 'E', ' ' << 8 | '1', ' ' << 8};
    memset(t, 0, sizeof *t);
    rtu_dialect(&t->dialect, key, line);
    t->now_ns = 1000 * WN_NS_PER_S;
    t->input[0] = 0x1234;
    t->input[2] = 77;
    memcpy(&t->input[20], name, sizeof name);
    t->input[6] = 500;
    t->input[7] = 251;
    t->input[10] = 0x41b8; /* 23.0f */
    wn_session_init(&t->session, &t->dialect, "tester", "/dev/bench");
}

void rtu_begin(struct rtu *t)
{
    rtu_init(t, NULL, NULL);
    assert_int_equal(rtu_do(t, WN_REQUEST_IDENTIFY), WN_SESSION_DONE);
    assert_int_equal(rtu_do(t, WN_REQUEST_SETUP), WN_SESSION_DONE);
    t->replies = t->sents = 0;
}

static unsigned word(const uint8_t *at)
{
    return (unsigned)at[0] << 8 | at[1];
}

/* Writes as the frame says; no address of the tests is beyond what there is. */
static void obey(struct rtu *t, const uint8_t *f)
{
    unsigned at = word(f + 2), value = word(f + 4);
    if (f[1] == WN_MODBUS_WRITE_COIL && !(t->stuck && value == 0)) {
        t->coil[at] = value == 0xff00;
    } else if (f[1] == WN_MODBUS_WRITE_COILS) {
        t->coil[at] = f[7] != 0; /* one */
    } else if (f[1] == WN_MODBUS_WRITE_REGISTER) {
        t->hold[at] = (uint16_t)(t->clamps && at == 1 && value > 2000 ? 2000 : value);
    } else if (f[1] == WN_MODBUS_WRITE_REGISTERS) {
        for (unsigned i = 0; i < value; i++) {
            t->hold[at + i] = (uint16_t)word(f + 7 + 2 * (size_t)i);
        }
    }
}

/* The values a read asks for; those of a reading say how many were given before. */
static void fetch(struct rtu *t, const struct wn_modbus_request *q, uint16_t *values)
{
    if (q->function == WN_MODBUS_READ_INPUT_REGISTERS && q->address == 4) {
        t->serial++;
        t->input[4] = (uint16_t)((unsigned)t->serial >> 16);
        t->input[5] = (uint16_t)((unsigned)t->serial & 0xffffu);
    }
    for (unsigned i = 0; i < q->count; i++) {
        unsigned at = q->address + i;
        values[i] = q->function == WN_MODBUS_READ_COILS     ? t->coil[at]
                    : q->function == WN_MODBUS_READ_INPUTS  ? t->coil[0] && at == 9
                    : q->function == WN_MODBUS_READ_HOLDING ? t->hold[at]
                                                            : t->input[at];
    }
}

static void queue(struct rtu *t, const uint8_t *bytes, size_t len, wn_ns at_ns)
{
    assert_true(t->lines < RTU_LINE && len <= RTU_FRAME);
    wn_ns before_ns = t->lines > 0 ? t->line[t->lines - 1].at_ns : 0; /* nothing overtakes */
    memcpy(t->line[t->lines].byte, bytes, len);
    t->line[t->lines].len = len;
    t->line[t->lines].at_ns = at_ns > before_ns ? at_ns : before_ns;
    t->lines++;
}

void rtu_say(struct rtu *t, const uint8_t *bytes, size_t len, double ms)
{
    queue(t, bytes, len, t->now_ns + wn_ns_from_s(ms / 1000));
}

/* The instrument's exception instead of a reply. */
static size_t refuse(const uint8_t *f, uint8_t code, uint8_t *reply)
{
    unsigned crc = 0xffff;
    reply[0] = f[0];
    reply[1] = f[1] | 0x80;
    reply[2] = code;
    for (int i = 0; i < 3; i++) {
        crc ^= reply[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 1u) != 0 ? crc >> 1 ^ 0xa001u : crc >> 1;
        }
    }
    reply[3] = (uint8_t)(crc & 0xffu);
    reply[4] = (uint8_t)(crc >> 8);
    return 5;
}

static void serve(struct rtu *t, const uint8_t *f, size_t len)
{
    uint8_t reply[RTU_FRAME];
    uint16_t values[128] = {0};
    bool single = f[1] == WN_MODBUS_WRITE_COIL || f[1] == WN_MODBUS_WRITE_REGISTER;
    struct wn_modbus_request q = {.function = (enum wn_modbus_function)f[1],
                                  .unit = f[0],
                                  .address = (uint16_t)word(f + 2),
                                  .count = (uint16_t)(single ? 1 : word(f + 4)),
                                  .values = values};
    size_t n = 0;
    wn_ns delay_ns = 20 * WN_NS_PER_MS;
    if (t->echoes) {
        rtu_say(t, f, len, 1);
    }
    if (t->deaf || f[0] != 7) {
        return;
    }
    if (t->exceptions > 0) {
        t->exceptions--;
        n = refuse(f, t->exception, reply);
    } else {
        values[0] = (uint16_t)(f[1] == WN_MODBUS_WRITE_COIL ? word(f + 4) != 0 : word(f + 4));
        obey(t, f);
        fetch(t, &q, f[1] <= 4 ? values : (uint16_t[128]){0});
        assert_int_equal(wn_modbus_encode_reply(&q, values, reply, sizeof reply, &n, NULL), WN_OK);
    }
    if (t->way != NULL) {
        t->way(t, t->replies, reply, &n, &delay_ns);
    }
    t->replies++;
    if (n > 0) {
        queue(t, reply, n, t->now_ns + delay_ns);
    }
}

static void take_output(struct rtu *t)
{
    size_t len = 0;
    const char *out = wn_session_output(&t->session, &len);
    if (len == 0) {
        return;
    }
    int i = t->sents++ % RTU_LOG;
    assert_true(len <= RTU_FRAME);
    memcpy(t->sent[i].frame, out, len);
    t->sent[i].len = len;
    t->sent[i].at_ns = t->now_ns;
    t->too_early += t->now_ns - t->heard_ns < wn_modbus_silence_ns(t->dialect.baud);
    wn_session_wrote(&t->session, len, t->now_ns);
    serve(t, t->sent[i].frame, len);
}

static void deliver(struct rtu *t)
{
    uint8_t bytes[RTU_FRAME];
    size_t len = t->line[0].len;
    memcpy(bytes, t->line[0].byte, len);
    t->lines--;
    memmove(&t->line[0], &t->line[1], (size_t)t->lines * sizeof t->line[0]);
    t->heard_ns = t->now_ns;
    (void)wn_session_input(&t->session, (const char *)bytes, len, t->now_ns);
}

/* One event: bytes that come, or the session's deadline; false: none before the limit. */
static bool step(struct rtu *t, wn_ns limit_ns)
{
    take_output(t);
    wn_ns deadline_ns = wn_session_deadline(&t->session);
    bool bytes = t->lines > 0 && t->line[0].at_ns <= deadline_ns;
    wn_ns next_ns = bytes ? t->line[0].at_ns : deadline_ns;
    if (next_ns > limit_ns) {
        t->now_ns = limit_ns;
        return false;
    }
    t->now_ns = next_ns > t->now_ns ? next_ns : t->now_ns;
    if (bytes) {
        deliver(t);
    } else {
        (void)wn_session_tick(&t->session, t->now_ns);
    }
    return true;
}

enum wn_session_result rtu_run(struct rtu *t)
{
    int i = 0;
    while (wn_session_result(&t->session) == WN_SESSION_PENDING && i++ < STEPS_MAX) {
        (void)step(t, INT64_MAX);
    }
    assert_true(i < STEPS_MAX);
    return wn_session_result(&t->session);
}

void rtu_run_to(struct rtu *t, int sents)
{
    for (int i = 0; wn_session_result(&t->session) == WN_SESSION_PENDING && i < STEPS_MAX; i++) {
        take_output(t);
        if (t->sents >= sents) {
            return;
        }
        (void)step(t, INT64_MAX);
    }
}

void rtu_wait(struct rtu *t, double ms)
{
    wn_ns limit_ns = t->now_ns + wn_ns_from_s(ms / 1000);
    while (step(t, limit_ns)) {
    }
}

void rtu_request(struct rtu *t, enum wn_request request)
{
    const struct wn_setpoints sp = {.current_a = 1.5,
                                    .voltage_v = 4.2,
                                    .power_w = 10,
                                    .interval_s = 1,
                                    .voltage_high_v = 4.25,
                                    .voltage_low_v = 2.5,
                                    .current_limit_a = 3,
                                    .temperature_limit_c = 60,
                                    .timeout_s = 5};
    wn_session_begin(&t->session, request, &sp, t->now_ns);
}

enum wn_session_result rtu_do(struct rtu *t, enum wn_request request)
{
    rtu_request(t, request);
    return rtu_run(t);
}

void rtu_failed_at(const struct rtu *t, int code, const char *words, const char *file, int line)
{
    const struct wn_error *e = &t->session.error;
    bool right = wn_session_result(&t->session) == WN_SESSION_FAILED && e->code == code &&
                 strstr(e->text, words) != NULL &&
                 strncmp(e->text, "tester on /dev/bench: ", 22) == 0;
    if (!right) {
        print_error("result %d, error %d: %s\nexpected %d with: %s\n",
                    (int)wn_session_result(&t->session), e->code, e->text, code, words);
        _fail(file, line);
    }
}

/* Virtual bench: the switches of an instrument: their words, values and defaults.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "base/num.h"
#include "base/time.h"
#include "virtual_bench/inst.h"

static const char *const kind_names[WN_INST_KINDS] = {"tester",
                                                      "modbus-tester",
                                                      "talker",
                                                      "supply",
                                                      "load",
                                                      "modbus-supply",
                                                      "modbus-load",
                                                      "thermometer",
                                                      "talking-thermometer",
                                                      "modbus-thermometer",
                                                      "relay",
                                                      "modbus-relay"};

enum value_kind { FLAG, NUMBER, TEXT, CHOICE, ACTION };

struct toggle {
    const char *name;
    enum value_kind kind;
    size_t offset;   /* in struct wn_inst_setup: bool, double, text or, for a choice, double */
    size_t size;     /* of a text */
    double min, max; /* of a number, before it is multiplied */
    double unit;
    const char *choices; /* blank-separated */
    const char *about;
};

#define AT(m)   offsetof(struct wn_inst_setup, m)
#define SIZE(m) sizeof(((struct wn_inst_setup *)0)->m)
#define F(n, m, a)                                                                                 \
    {                                                                                              \
        n, FLAG, AT(m), 0, 0.0, 0.0, 0.0, NULL, a                                                  \
    }
#define N(n, m, lo, hi, u, a)                                                                      \
    {                                                                                              \
        n, NUMBER, AT(m), 0, lo, hi, u, NULL, a                                                    \
    }
#define T(n, m, a)                                                                                 \
    {                                                                                              \
        n, TEXT, AT(m), SIZE(m), 0.0, 0.0, 0.0, NULL, a                                            \
    }
#define C(n, m, c, a)                                                                              \
    {                                                                                              \
        n, CHOICE, AT(m), 0, 0.0, 0.0, 0.0, c, a                                                   \
    }

static const struct toggle toggles[] = {
    T("name", name, "in the logs; default: the kind of instrument"),
    N("cell", cell, 1, WN_BENCH_CELLS_MAX, 1, "the cell it is at, or its first output"),
    N("outputs", outputs, 1, WN_INST_OUTPUTS_MAX, 1,
      "of a supply, load or tester; (@N), or INST:NSEL N"),
    C("terminator", end, "lf cr crlf", "end of commands, replies and records"),
    F("echo", echo, "each byte received is sent back"),
    T("prompt", prompt, "behind each reply, and when there is none; \\r \\n \\s are understood"),
    T("banner", banner, "a line at power-on and after a reset"),
    N("delay-ms", delay_s, 0, 1e6, 1e-3, "replies come so late"),
    N("piece", piece, 0, 1000, 1, "replies come in pieces of so many bytes"),
    N("pause-ms", pause_s, 0, 1e6, 1e-3, "between the pieces; default 20"),
    N("char-gap-ms", char_gap_s, 0, 1e4, 1e-3, "bytes that come faster than this are not heard"),
    N("lose", lose, 0, 1, 1, "probability for each byte sent to be lost"),
    N("flip", flip, 0, 1, 1, "... to have a changed bit"),
    N("insert", insert, 0, 1, 1, "... to have a wrong byte before it"),
    N("in-lose", in_lose, 0, 1, 1, "probability for each byte received to be lost"),
    N("in-flip", in_flip, 0, 1, 1, "... to have a changed bit"),
    N("silence", silence, 0, 1e9, 1, "so many replies or records to come are left out"),
    C("checksum", checksum, "none sum8 xor8 crc-8/smbus crc-16/modbus",
      "*HEX behind each reply, over the reply"),
    F("comma", style.comma, "3,7120; lists are then separated by ;"),
    F("unit", style.unit, "3.7120 V"),
    F("prefix", style.prefix, "V=3.7120; I= P= T= s= likewise"),
    F("exponent", style.exponent, "+3.712000E+00"),
    F("unsigned", unsigned_current, "currents without a sign"),
    T("identity", identity, "the whole reply to *IDN?"),
    T("identity-after", identity_after, "the same after a reconnect"),
    {"reset", ACTION, 0, 0, 0.0, 0.0, 0.0, NULL, "power fails for a moment (with @S only)"},
    {"unplug", ACTION, 0, 0, 0.0, 0.0, 0.0, NULL, "the line goes away (with @S only)"},
    N("away-ms", away_s, 0, 1e9, 1e-3, "and comes back after so long by the host's clock"),
    F("restore", restore, "power-on brings the last state back, output and all; default: off"),
    F("stuck", stuck, "output or contact does not open any more"),
    F("two-wire", two_wire, "voltage at its own terminals; default: at the cell"),
    N("lead-mohm", lead_ohm, 0, 1e4, 1e-3, "of the leads when two-wire"),
    N("address", address, 1, 247, 1, "MODBUS; default 1"),
    N("baud", baud, 300, 1e6, 1, "MODBUS: makes t3.5; default 9600"),
    N("busy", busy, 0, 1e9, 1, "MODBUS: so many requests to come get exception 6"),
    F("low-word-first", low_first, "MODBUS: of double registers"),
    F("strict-gap", strict_gap, "MODBUS: a request within t3.5 behind a reply is not heard"),
    F("open", open, "thermometer without a sensor"),
    F("frozen", frozen, "thermometer stands still"),
    N("offset-k", offset_c, -200, 200, 1, "thermometer reads so much too high"),
    C("place", place, "cell ambient", "of a thermometer's first channel; the second is the other"),
    N("interval-s", interval_s, 0.01, 1e5, 1, "of what talks by itself; default 1"),
    N("watchdog-s", watchdog_s, 0, 1e5, 1, "relay: opens after so long a silence; 0: never"),
    C("format", program.format, "delimited fixed binary", "of a talker's records"),
    N("header-every", program.header_every, 0, 1e6, 1, "talker, delimited: records; default 60"),
    N("cycles", program.cycles, 0, 1e6, 1, "talker's program; default 3"),
    N("start-s", program.start_s, 0, 1e6, 1, "it rests so long before the first charge; 10"),
    N("charge-a", program.charge_a, 0, 30, 1, "2.5"),
    N("charge-v", program.charge_v, 0, 6, 1, "4.2"),
    N("taper-a", program.taper_a, 0, 30, 1, "0.125"),
    N("discharge-a", program.discharge_a, 0, 30, 1, "2.5"),
    N("stop-v", program.stop_v, 0, 6, 1, "2.5"),
    N("rest-s", program.rest_s, 0, 1e6, 1, "behind each charge and discharge; 600"),
    T("stop", stop, "the talker's stop command; default: it has none"),
};

enum { TOGGLES = sizeof toggles / sizeof toggles[0] };

const char *wn_inst_kind_name(enum wn_inst_kind kind)
{
    return kind_names[kind];
}

bool wn_inst_kind_has_address(enum wn_inst_kind kind)
{
    return kind == WN_INST_MODBUS_TESTER || kind == WN_INST_MODBUS_SUPPLY ||
           kind == WN_INST_MODBUS_LOAD || kind == WN_INST_MODBUS_THERMOMETER ||
           kind == WN_INST_MODBUS_RELAY;
}

const char *wn_inst_switch_help(int n, const char **about)
{
    static char name[80];

    if (n < 0 || n >= TOGGLES) {
        return NULL;
    }
    *about = toggles[n].about;
    switch (toggles[n].kind) {
    case NUMBER:
        (void)snprintf(name, sizeof name, "%s=N", toggles[n].name);
        break;
    case TEXT:
        (void)snprintf(name, sizeof name, "%s=TEXT", toggles[n].name);
        break;
    case CHOICE:
        (void)snprintf(name, sizeof name, "%s=%s", toggles[n].name, toggles[n].choices);
        break;
    case FLAG:
    case ACTION:
        return toggles[n].name;
    }
    return name;
}

void wn_inst_setup_init(struct wn_inst_setup *s, enum wn_inst_kind kind)
{
    *s = (struct wn_inst_setup){
        .kind = kind,
        .cell = 1,
        .outputs = 1,
        .pause_s = 0.02,
        .address = 1,
        .baud = 9600,
        .away_s = 1.0,
        .interval_s = 1.0,
        .program = {.charge_a = 2.5,
                    .charge_v = 4.2,
                    .taper_a = 0.125,
                    .discharge_a = 2.5,
                    .stop_v = 2.5,
                    .rest_s = 600.0,
                    .start_s = 10.0,
                    .cycles = 3,
                    .header_every = 60},
    };
    (void)snprintf(s->name, sizeof s->name, "%s", kind_names[kind]);
    if (kind != WN_INST_TESTER) { /* whose reply the tester itself knows */
        (void)snprintf(s->identity, sizeof s->identity, "wane project,virtual %s,SIMULATED-1,0",
                       kind_names[kind]);
    }
}

/* Index of the blank-separated word that text[0..len) is; -1: none. */
static int word_index(const char *words, const char *text, size_t len)
{
    for (int n = 0;; n++) {
        size_t word = strcspn(words, " ");
        if (word == len && memcmp(words, text, len) == 0) {
            return n;
        }
        if (words[word] == '\0') {
            return -1;
        }
        words += word + 1;
    }
}

static int set_text(const struct toggle *w, char *to, const char *text, size_t len,
                    struct wn_error *err)
{
    size_t n = 0;

    for (size_t i = 0; i < len; i++) {
        char c = text[i];
        if (c == '\\' && i + 1 < len && strchr("rns\\", text[i + 1]) != NULL) {
            c = text[++i];
            c = (char)(c == 'r' ? '\r' : c == 'n' ? '\n' : c == 's' ? ' ' : '\\');
        }
        if (n + 1 >= w->size) {
            return wn_error_set(err, WN_ERANGE, "%s: at most %zu characters", w->name, w->size - 1);
        }
        to[n++] = c;
    }
    to[n] = '\0';
    return WN_OK;
}

static int set_value(struct wn_inst_setup *s, const struct toggle *w, const char *text, size_t len,
                     struct wn_error *err)
{
    void *at = (char *)s + w->offset;
    double number = 0.0;
    int index;

    switch (w->kind) {
    case FLAG:
        index = len == 0 ? 1 : word_index("off on", text, len);
        if (index < 0) {
            return wn_error_set(err, WN_EINVAL, "%s: write %s or %s=off", w->name, w->name,
                                w->name);
        }
        *(bool *)at = index == 1;
        return WN_OK;
    case NUMBER:
        if (wn_num_parse(text, len, &number) != WN_OK || !(number >= w->min && number <= w->max)) {
            return wn_error_set(err, WN_EINVAL, "%s: write %s=N with a number from %g to %g",
                                w->name, w->name, w->min, w->max);
        }
        *(double *)at = number * w->unit;
        return WN_OK;
    case CHOICE:
        index = word_index(w->choices, text, len);
        if (index < 0) {
            return wn_error_set(err, WN_EINVAL, "%s: write one of: %s", w->name, w->choices);
        }
        *(double *)at = index;
        return WN_OK;
    case TEXT:
        return set_text(w, at, text, len, err);
    case ACTION:
        break;
    }
    return wn_error_set(err, WN_EINVAL, "%s: write %s@S, S seconds by the bench's clock", w->name,
                        w->name);
}

static int plan(struct wn_inst_setup *s, const char *text, size_t len, const char *when,
                struct wn_error *err)
{
    double time_s;
    int to = s->plans;

    if (wn_num_parse(when, strlen(when), &time_s) != WN_OK || !(time_s >= 0.0 && time_s <= 1e9)) {
        return wn_error_set(err, WN_EINVAL, "%s: write seconds behind the @", text);
    }
    if (s->plans == WN_INST_PLANS_MAX || len >= WN_INST_PLAN_TEXT) {
        return wn_error_set(err, WN_ERANGE,
                            "%s: at most %d switches with a time, each of %d characters", text,
                            WN_INST_PLANS_MAX, WN_INST_PLAN_TEXT - 1);
    }
    for (; to > 0 && s->plan[to - 1].time_ns > wn_ns_from_s(time_s); to--) {
        s->plan[to] = s->plan[to - 1];
    }
    s->plan[to].time_ns = wn_ns_from_s(time_s);
    memcpy(s->plan[to].text, text, len);
    s->plan[to].text[len] = '\0';
    s->plans++;
    return WN_OK;
}

int wn_inst_set(struct wn_inst_setup *s, const char *text, struct wn_error *err)
{
    const char *at = strrchr(text, '@');
    size_t len = at != NULL ? (size_t)(at - text) : strlen(text);
    size_t name = strcspn(text, "=@");
    const char *value = text[name] == '=' ? &text[name + 1] : &text[len];
    static struct wn_inst_setup trial;

    for (int i = 0; i < TOGGLES; i++) {
        const struct toggle *w = &toggles[i];
        int rc;
        if (strlen(w->name) != name || memcmp(w->name, text, name) != 0) {
            continue;
        }
        if (at == NULL) {
            return set_value(s, w, value, len - (size_t)(value - text), err);
        }
        trial = *s; /* a wrong value is told now, not when its time comes */
        rc = w->kind == ACTION ? WN_OK
                               : set_value(&trial, w, value, len - (size_t)(value - text), err);
        return rc == WN_OK ? plan(s, text, len, at + 1, err) : rc;
    }
    return wn_error_set(err, WN_EUNKNOWN, "\"%s\": no such switch; --help lists them", text);
}

/* wane try: a dialect against a real instrument, exchange by exchange.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "frames.h"
#include "inquiry.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"

#define OFF_CURRENT_A 0.05 /* less is taken for none */

enum { BAUD, UNIT, CHANNEL, READINGS, SWITCH_ON, CURRENT, VOLTAGE, DISCHARGE, CONFIRM };

static const struct wane_option try_options[] = {
    [BAUD] = {"baud", 0, WANE_COUNT, "N", "else the dialect's"},
    [UNIT] = {"unit", 0, WANE_COUNT, "N", "of several MODBUS instruments on one line"},
    [CHANNEL] = {"channel", 0, WANE_COUNT, "N", "of an instrument with several outputs"},
    [READINGS] = {"readings", 'n', WANE_COUNT, "N", "so many readings; else 5"},
    [SWITCH_ON] =
        {"switch-on", 0, WANE_FLAG, NULL,
         "also set, read back and switch on (a relay: close it), then off again; asks first"},
    [CURRENT] = {"current-a", 0, WANE_NUMBER, "A", "with --switch-on: the current to set"},
    [VOLTAGE] = {"voltage-v", 0, WANE_NUMBER, "V",
                 "with --switch-on: the voltage to set (charge) or to stop at (discharge)"},
    [DISCHARGE] = {"discharge", 0, WANE_FLAG, NULL, "with --switch-on: discharge, not charge"},
    [CONFIRM] = {"confirm", 0, WANE_TEXT, "on", "answers the question beforehand"},
};

struct trial {
    struct inquiry q;
    struct frames frames;      /* MODBUS */
    char record[WN_FRAME_MAX]; /* as far as it has come */
    size_t record_len;
    wn_ns sent_ns; /* of records: when the one before came */
    bool quiet;    /* JSON: the exchanges are gathered */
    json_t *exchanges, *steps;
    int failed;
};

/* One line of text or one frame; means: "" where the text speaks for itself. */
static void tell(struct trial *t, bool sent, const char *text, const char *means, wn_ns now)
{
    double took_ms = wn_ns_to_s(now - t->sent_ns) * 1e3;
    char ms[WN_NUM_SIZE];
    if (t->quiet) {
        json_t *o = json_pack("{s:s,s:s,s:o}", "direction", sent ? "sent" : "received", "text",
                              text, "ms", sent ? json_null() : json_real(took_ms));
        if (means[0] != '\0') {
            wane_put(o, "means", json_string(means));
        }
        (void)json_array_append_new(t->exchanges, o);
        return;
    }
    if (sent) {
        (void)printf("   >> %s\n", text);
    } else {
        (void)printf("   << %-40s %s ms\n", text, wn_num_fixed(took_ms, 1, ms, sizeof ms));
    }
    if (means[0] != '\0') {
        (void)printf("      %s\n", means);
    }
}

static void show_lines(struct trial *t, bool sent, const char *data, size_t len, wn_ns now)
{
    char text[300];
    while (len > 0) {
        const char *stop = memchr(data, '\n', len);
        size_t n = stop != NULL ? (size_t)(stop - data) : len;
        size_t shown = n > 0 && data[n - 1] == '\r' ? n - 1 : n;
        if (shown > 0) {
            tell(t, sent, wn_reply_text(data, shown, text, sizeof text), "", now);
        }
        n += stop != NULL;
        data += n;
        len -= n;
    }
}

static void show_frames(struct trial *t, bool sent, const char *data, size_t len, wn_ns now)
{
    char hex[FRAMES_HEX_SIZE], means[FRAMES_TEXT_SIZE];
    size_t used = 0;
    bool cut = t->frames.sending && !sent; /* whose end never came */
    t->frames.map = &t->q.dialect.modbus;
    while (frames_take(&t->frames, sent, data, len, &used, hex, means)) {
        tell(t, used == 0 ? cut : sent, hex, means, now);
    }
}

/* A record that nobody asked for: text, or bytes in hexadecimal digits. */
static void show_record(struct trial *t, wn_ns now)
{
    char text[3 * sizeof t->record + 1];
    size_t n = 0;
    if (t->record_len == 0) {
        return;
    }
    if (t->q.dialect.records.format != WN_RECORDS_FRAMES) {
        (void)wn_reply_text(t->record, t->record_len, text, sizeof text);
    }
    for (size_t i = 0; i < t->record_len && t->q.dialect.records.format == WN_RECORDS_FRAMES; i++) {
        n += (size_t)snprintf(text + n, sizeof text - n, "%s%02X", i > 0 ? " " : "",
                              (unsigned)(unsigned char)t->record[i]);
    }
    t->sent_ns = t->sent_ns == 0 ? now : t->sent_ns;
    tell(t, false, text, "", now);
    t->sent_ns = now;
    t->record_len = 0;
}

/* As it says itself; 0: not yet. */
static size_t frame_length(const struct trial *t)
{
    const struct wn_records_form *form = &t->q.dialect.records;
    if (form->length > 0) {
        return (size_t)form->length;
    }
    bool told = t->record_len > (size_t)form->length_at;
    return told ? (unsigned char)t->record[form->length_at] + (size_t)form->length_plus : 0;
}

/* A text ends with its line, a frame with its length, or where the next one's mark is. */
static void show_records(struct trial *t, const char *data, size_t len, wn_ns now)
{
    const struct wn_records_form *form = &t->q.dialect.records;
    bool frames = form->format == WN_RECORDS_FRAMES;
    size_t mark = frames ? (size_t)form->mark_len : 0;
    for (size_t i = 0; i < len; i++) {
        if (!frames && (data[i] == '\n' || data[i] == '\r')) {
            show_record(t, now);
            continue;
        }
        t->record[t->record_len++] = data[i];
        bool next = frames && t->record_len > mark &&
                    memcmp(t->record + t->record_len - mark, form->mark, mark) == 0;
        if (next) {
            t->record_len -= mark;
            show_record(t, now);
            memcpy(t->record, form->mark, mark);
            t->record_len = mark;
        } else if (t->record_len == sizeof t->record ||
                   (frames && t->record_len == frame_length(t))) {
            show_record(t, now);
        }
    }
}

/* What passed on the line, one line each; a reply with the time it took. */
static void show(void *ctx, bool sent, const char *data, size_t len, wn_ns now)
{
    struct trial *t = ctx;
    switch (t->q.dialect.protocol) {
    case WN_PROTOCOL_LINES:
        show_lines(t, sent, data, len, now);
        break;
    case WN_PROTOCOL_MODBUS:
        show_frames(t, sent, data, len, now);
        break;
    case WN_PROTOCOL_RECORDS: /* nothing is ever sent here */
        show_records(t, data, len, now);
        return;
    }
    t->sent_ns = sent ? now : t->sent_ns;
}

/* One request, told before and after. False: the trial ends here. */
static bool step(struct trial *t, const char *what, enum wn_request request,
                 const struct wn_setpoints *sp)
{
    struct wn_error err = {0};
    if (!t->quiet) {
        (void)printf("%s\n", what);
    }
    int rc = inquiry_request(&t->q, request, sp, &err);
    if (t->quiet) {
        (void)json_array_append_new(t->steps,
                                    json_pack("{s:s,s:b,s:s}", "step", what, "good", rc == WN_OK,
                                              "error", rc == WN_OK ? "" : err.text));
    } else if (rc != WN_OK) {
        (void)printf("   FAILED: %s\n", err.text);
    }
    t->failed += rc != WN_OK;
    return rc == WN_OK;
}

static void show_value(unsigned has, unsigned bit, const char *name, double value, const char *unit)
{
    char number[WN_NUM_SIZE];
    if ((has & bit) != 0) {
        (void)printf("  %s %s %s", name, wn_num_format(value, 7, number, sizeof number), unit);
    } else {
        (void)printf("  no %s", name);
    }
}

static void show_reading(const struct trial *t)
{
    const struct wn_reading *r = &t->q.session.reading;
    if (t->quiet) {
        return;
    }
    (void)printf("   means");
    show_value(r->has, WN_HAS_VOLTAGE, "voltage", r->voltage_v, "V");
    show_value(r->has, WN_HAS_CURRENT, "current", r->current_a, "A");
    show_value(r->has, WN_HAS_TEMPERATURE, "temperature", r->temperature_c, "degC");
    show_value(r->has, WN_HAS_AMBIENT, "ambient", r->ambient_c, "degC");
    (void)puts("");
}

static struct wn_setpoints nothing_set(void)
{
    struct wn_setpoints sp = wn_setpoints_none();
    sp.interval_s = 1.0;
    return sp;
}

/* A tester that runs its own program is not touched: what flows is its own affair. */
static bool listens(const struct trial *t)
{
    return t->q.dialect.protocol == WN_PROTOCOL_RECORDS;
}

/* Does what was read fit what was switched? direction: +1 charge, -1 discharge, 0 off. */
static bool makes_sense(struct trial *t, int direction)
{
    const struct wn_reading *r = &t->q.session.reading;
    const char *what = NULL;
    if ((r->has & WN_HAS_VOLTAGE) == 0 || (r->has & WN_HAS_CURRENT) == 0) {
        return true; /* told as missing already */
    }
    if (direction == 0 && fabs(r->current_a) > OFF_CURRENT_A && !listens(t)) {
        what = "current flows although the output is off: are voltage and current swapped?";
    } else if (direction != 0 && fabs(r->current_a) > OFF_CURRENT_A &&
               r->current_a * direction < 0) {
        what = "the current has the wrong sign: mend current_sign";
    }
    if (what != NULL) {
        (void)fprintf(t->quiet ? stderr : stdout, "   FAILED: %s\n", what);
        t->failed++;
    }
    return what == NULL;
}

static bool readings(struct trial *t, int64_t n, const char *what, int direction)
{
    struct wn_setpoints sp = nothing_set();
    bool good = true;
    for (int64_t i = 0; i < n && good; i++) {
        good = step(t, what, WN_REQUEST_READ, &sp);
        if (good) {
            show_reading(t);
            good = makes_sense(t, direction);
        }
    }
    return good;
}

/* Somebody must want it, and be there. */
static bool confirmed(const struct wane_args *a, const struct wn_dialect *d)
{
    char answer[16] = "";
    if (a->value[CONFIRM].given) {
        return strcmp(a->value[CONFIRM].text, "on") == 0;
    }
    if (!isatty(STDIN_FILENO)) {
        return false;
    }
    if (d->kind == WN_ROLE_RELAY) {
        (void)fputs("The contact will close. Be there, with nothing connected that could burn.\n",
                    stderr);
    } else {
        (void)fprintf(stderr,
                      "The output will be switched on. What is connected must bear %g A and %g V; "
                      "be there, and know how to disconnect it.\n",
                      a->value[CURRENT].number, a->value[VOLTAGE].number);
    }
    (void)fputs("Type on to go on: ", stderr);
    return fgets(answer, sizeof answer, stdin) != NULL && strcmp(answer, "on\n") == 0;
}

/* The guard's last means, sent while the output is on: it must be enough by itself. */
static void safe_off(struct trial *t)
{
    const struct wn_dialect *d = &t->q.dialect;
    struct wn_setpoints sp = nothing_set();
    struct wn_error err = {0};
    if (!t->quiet) {
        (void)puts("the bytes of safe_off alone, as the guard sends them");
    }
    size_t at = 0, len = 0, put = 0;
    for (const char *off; (off = wn_dialect_safe_off(d, &at, &len)) != NULL;) {
        if (t->q.link->ops->write(t->q.link, off, len, &put, &err) != WN_OK || put != len) {
            t->failed++;
            return;
        }
        show(t, true, off, len, wn_clock_monotonic(t->q.clock));
        inquiry_listen(&t->q, d->protocol == WN_PROTOCOL_LINES ? 0 : d->reply_timeout_s);
    }
    if (step(t, "read", WN_REQUEST_READ, &sp)) {
        show_reading(t);
        if (fabs(t->q.session.reading.current_a) > OFF_CURRENT_A) {
            (void)fprintf(t->quiet ? stderr : stdout,
                          "   FAILED: current still flows: safe_off does not switch off\n");
            t->failed++;
        }
    }
}

static bool discharges(const struct trial *t, const struct wane_args *a)
{
    return t->q.dialect.kind == WN_ROLE_LOAD || a->value[DISCHARGE].given;
}

static void close_relay(struct trial *t)
{
    struct wn_setpoints sp = nothing_set();
    if (step(t, "close the contact", WN_REQUEST_ON, NULL) &&
        step(t, "read", WN_REQUEST_READ, &sp) && !t->q.session.reading.output_on) {
        (void)fprintf(t->quiet ? stderr : stdout,
                      "   FAILED: the contact was told to close and says it is open\n");
        t->failed++;
    }
}

static void switch_on(struct trial *t, const struct wane_args *a)
{
    struct wn_setpoints sp = nothing_set();
    bool discharge = discharges(t, a);
    sp.current_a = a->value[CURRENT].number;
    sp.voltage_v = a->value[VOLTAGE].number;
    if (t->q.dialect.kind == WN_ROLE_RELAY) {
        close_relay(t);
    } else if (step(t, discharge ? "set a discharge, read it back" : "set a charge, read it back",
                    discharge ? WN_REQUEST_DISCHARGE : WN_REQUEST_CHARGE, &sp) &&
               step(t, "switch on", WN_REQUEST_ON, NULL)) {
        (void)readings(t, 3, "read with the output on", discharge ? -1 : 1);
        safe_off(t);
    }
    if (!step(t, "switch off", WN_REQUEST_OFF, NULL)) {
        (void)fprintf(stderr, "THE OUTPUT IS NOT CONFIRMED OFF: disconnect it by hand\n");
    }
}

static int try_all(struct trial *t, const struct wane_args *a)
{
    int64_t n = a->value[READINGS].given ? a->value[READINGS].count : 5;
    bool switches = wn_role_switches(t->q.dialect.kind) && !listens(t);
    if (step(t, "who is there", WN_REQUEST_IDENTIFY, NULL) &&
        (!switches || step(t, "switch off, ask whether it is off", WN_REQUEST_OFF, NULL)) &&
        readings(t, n, "read", 0) && a->value[SWITCH_ON].given) {
        switch_on(t, a);
    }
    return t->failed == 0 ? WANE_DONE : WANE_FAILED;
}

static int report(struct wane *w, struct trial *t, int rc)
{
    const struct wn_session *s = &t->q.session;
    if (w->json) {
        json_t *o = json_object();
        wane_put(o, "dialect", json_string(t->q.dialect.name));
        wane_put(o, "identity", json_string(s->identity));
        wane_put(o, "steps", json_incref(t->steps));
        wane_put(o, "exchanges", json_incref(t->exchanges));
        wane_put(o, "bad_replies", json_integer((json_int_t)s->bad_replies));
        wane_put(o, "timeouts", json_integer((json_int_t)s->timeouts));
        (void)wane_print_json(o);
        return rc;
    }
    (void)printf("%s: %llu exchanges, %llu bad replies, %llu not answered in time\n",
                 rc == WANE_DONE ? "Everything was understood" : "Not everything was understood",
                 (unsigned long long)s->exchanges, (unsigned long long)s->bad_replies,
                 (unsigned long long)s->timeouts);
    if (listens(t) && s->bad_replies > 0) {
        (void)printf("The last bad one: %s\n", s->complaint.text);
    }
    if (rc != WANE_DONE) {
        (void)printf("Compare the lines above with the instrument's manual and mend %s\n",
                     t->q.dialect.file);
    }
    return rc;
}

static int refuse(struct wane *w, const struct wane_args *a, const struct wn_dialect *d)
{
    if (!a->value[SWITCH_ON].given) {
        return WANE_DONE;
    }
    if (d->protocol == WN_PROTOCOL_RECORDS) {
        return wane_usage(w, "--switch-on: this tester runs its own program, and is told nothing");
    }
    if (!wn_role_switches(d->kind)) {
        return wane_usage(w, "--switch-on: a thermometer has nothing to be switched");
    }
    if (d->kind != WN_ROLE_RELAY && (!a->value[CURRENT].given || !a->value[VOLTAGE].given)) {
        return wane_usage(w, "--switch-on needs --current-a and --voltage-v");
    }
    if (!confirmed(a, d)) {
        (void)fprintf(stderr, "wane try: not switched on: it was not confirmed\n");
        return WANE_FAILED;
    }
    return WANE_DONE;
}

/* The dialect, with the channel that is meant. */
static bool read_dialect(struct wane *w, const struct wane_args *a,
                         const struct wn_daemon_config *d, struct inquiry *q)
{
    char beside[WN_PATH_SIZE];
    struct wn_error err = {0};
    int64_t channel = a->value[CHANNEL].given ? a->value[CHANNEL].count : 0;
    int64_t unit = a->value[UNIT].given ? a->value[UNIT].count : 0;
    if (wn_config_read_dialect(inquiry_conf_dir(w, d, beside, sizeof beside), a->operand[0],
                               &q->dialect, &q->problems) != WN_OK) {
        wn_problems_print(&q->problems, stderr, "");
        return false;
    }
    if (wn_dialect_place(&q->dialect, unit < 1000 ? (int)unit : 1000,
                         channel < 1000 ? (int)channel : 1000, &err) != WN_OK) {
        (void)wane_fail(w, &err);
        return false;
    }
    return true;
}

static int run_try(struct wane *w, const struct wane_args *a)
{
    struct wn_error err = {0};
    bool configured = access(w->config_file, F_OK) == 0;
    const struct wn_daemon_config *d = configured ? wane_daemon(w) : NULL;
    struct trial *t = d != NULL || !configured ? calloc(1, sizeof *t) : NULL;
    if (t == NULL) {
        return WANE_FAILED;
    }
    int rc = read_dialect(w, a, d, &t->q) ? refuse(w, a, &t->q.dialect) : WANE_FAILED;
    int64_t baud = a->value[BAUD].given ? a->value[BAUD].count : 0;
    t->quiet = w->json;
    t->exchanges = json_array();
    t->steps = json_array();
    t->q.trace = show;
    t->q.ctx = t;
    if (rc == WANE_DONE) {
        if (inquiry_open(&t->q, a->operand[1], baud < 10000000 ? (int)baud : 10000000, &err) !=
            WN_OK) {
            rc = wane_fail(w, &err);
        } else {
            rc = report(w, t, try_all(t, a));
            inquiry_close(&t->q);
        }
    }
    json_decref(t->exchanges);
    json_decref(t->steps);
    free(t);
    return rc;
}

const struct wane_command cmd_try = {
    .name = "try",
    .synopsis = "DIALECT PORT [--unit N] [--channel N] [--readings N] [--switch-on --current-a A "
                "--voltage-v V]",
    .summary = "try a dialect file on an instrument, exchange by exchange",
    .text =
        "Asks who is there, switches off, reads, and shows every line (of MODBUS every frame)\n"
        "that is sent and received, how long the answer took and what it means. Nothing is\n"
        "switched on unless --switch-on asks for it and it is confirmed. Edit the dialect\n"
        "file and try again until everything is understood. A port that the service holds is in\n"
        "use: stop the service first. A tester that runs its own program is asked nothing and\n"
        "told nothing: its records are shown as they come, with the time since the one before.\n",
    .examples = "  wane try my-load /dev/serial/by-id/usb-MAKER_MODEL-if00-port0\n"
                "  wane try my-load /dev/ttyUSB0 --switch-on --discharge --current-a 0.5 "
                "--voltage-v 3\n",
    .options = try_options,
    .options_n = sizeof try_options / sizeof try_options[0],
    .operands_min = 2,
    .operands_max = 2,
    .run = run_try,
};

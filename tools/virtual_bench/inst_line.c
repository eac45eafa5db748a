/* Virtual bench: an instrument's line, in and out, with its quirks.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <string.h>

#include "base/time.h"
#include "virtual_bench/inst_internal.h"

/* ---- the line out ---- */

void inst_clear_line(struct wn_inst *i)
{
    i->in_len = 0;
    i->overrun = false;
    i->out_len = i->out_sent = 0;
    i->pieces = i->pieces_sent = 0;
}

/* A piece that leaves at host_ns, or behind what leaves later. */
static void queue(struct wn_inst *i, int64_t host_ns, const uint8_t *bytes, size_t len)
{
    struct wn_inst_piece *last = i->pieces > 0 ? &i->piece[i->pieces - 1] : NULL;

    if (len == 0) {
        return;
    }
    if (last != NULL && last->host_ns > host_ns) {
        host_ns = last->host_ns;
    }
    if (len > sizeof i->out - i->out_len || i->pieces == WN_INST_PIECES_MAX) {
        i->lost += (long)len;
        return;
    }
    memcpy(&i->out[i->out_len], bytes, len);
    i->out_len += len;
    if (last != NULL && last->host_ns == host_ns) {
        last->end = i->out_len;
    } else {
        i->piece[i->pieces++] = (struct wn_inst_piece){i->out_len, host_ns};
    }
}

static bool happens(struct wn_inst *i, double probability)
{
    return probability > 0.0 && wn_prng_uniform(&i->noise) < probability;
}

static size_t disturb(struct wn_inst *i, const uint8_t *bytes, size_t len, uint8_t *out)
{
    size_t n = 0;

    for (size_t k = 0; k < len; k++) {
        if (happens(i, i->setup.insert)) {
            out[n++] = (uint8_t)wn_prng_below(&i->noise, 256);
        }
        if (happens(i, i->setup.lose)) {
            continue;
        }
        out[n] = bytes[k];
        if (happens(i, i->setup.flip)) {
            out[n] = (uint8_t)(out[n] ^ 1u << wn_prng_below(&i->noise, 8));
        }
        n++;
    }
    return n;
}

void wn_inst_send(struct wn_inst *i, int64_t host_ns, const void *bytes, size_t len)
{
    uint8_t noisy[2 * (WN_TESTER_REPLY_SIZE + 64)];
    size_t n = disturb(i, bytes, len, noisy);
    size_t piece = i->setup.piece >= 1.0 ? (size_t)i->setup.piece : n;
    int64_t at_ns = host_ns + wn_ns_from_s(i->setup.delay_s);

    if (i->pieces > 0 && i->piece[i->pieces - 1].host_ns > at_ns) {
        at_ns = i->piece[i->pieces - 1].host_ns;
    }
    for (size_t at = 0; at < n; at += piece) {
        queue(i, at_ns, &noisy[at], n - at < piece ? n - at : piece);
        at_ns += wn_ns_from_s(i->setup.pause_s);
    }
}

/* Written the plain way, and not by lib/wire, so that one mistake is not made twice: the tests hold
 * both against published values. Returns the length of "*HEX". */
static size_t write_checksum(int kind, const char *text, size_t len, char out[8])
{
    unsigned sum = 0, all = 0, crc8 = 0, crc16 = 0xffff;

    for (size_t k = 0; k < len; k++) {
        uint8_t byte = (uint8_t)text[k];
        sum += byte;
        all ^= byte;
        crc8 ^= byte;
        crc16 ^= byte;
        for (int bit = 0; bit < 8; bit++) {
            crc8 = (crc8 << 1 ^ ((crc8 & 0x80) != 0 ? 0x07u : 0u)) & 0xff;
            crc16 = crc16 >> 1 ^ ((crc16 & 1) != 0 ? 0xa001u : 0u);
        }
    }
    switch (kind) {
    case 1:
        return (size_t)snprintf(out, 8, "*%02X", sum & 0xff);
    case 2:
        return (size_t)snprintf(out, 8, "*%02X", all);
    case 3:
        return (size_t)snprintf(out, 8, "*%02X", crc8);
    case 4:
        return (size_t)snprintf(out, 8, "*%04X", crc16);
    default:
        return 0;
    }
}

/* Text with the line's end, then the prompt. */
void wn_inst_send_line(struct wn_inst *i, int64_t host_ns, const char *text, size_t len)
{
    static const char *const ends[] = {"\n", "\r", "\r\n"};
    const char *end = ends[(int)i->setup.end];
    char line[WN_TESTER_REPLY_SIZE + 64];
    size_t n = len;

    memcpy(line, text, len);
    if (len > 0) {
        n += write_checksum((int)i->setup.checksum, text, len, &line[n]);
        memcpy(&line[n], end, strlen(end));
        n += strlen(end);
    }
    memcpy(&line[n], i->setup.prompt, strlen(i->setup.prompt));
    wn_inst_send(i, host_ns, line, n + strlen(i->setup.prompt));
}

size_t wn_inst_take(struct wn_inst *i, int64_t host_ns, void *out, size_t size)
{
    size_t until = i->out_sent;
    size_t n;

    for (int k = i->pieces_sent; k < i->pieces && i->piece[k].host_ns <= host_ns; k++) {
        until = i->piece[k].end;
    }
    n = until - i->out_sent < size ? until - i->out_sent : size;
    if (n == 0) {
        return 0;
    }
    memcpy(out, &i->out[i->out_sent], n);
    i->out_sent += n;
    i->sent_ns = host_ns;
    while (i->pieces_sent < i->pieces && i->piece[i->pieces_sent].end <= i->out_sent) {
        i->pieces_sent++;
    }
    if (i->out_sent == i->out_len) {
        i->out_len = i->out_sent = 0;
        i->pieces = i->pieces_sent = 0;
    }
    return n;
}

/* ---- the line in ---- */

static void heard_well(struct wn_inst *i, int64_t host_ns)
{
    i->heard_ns = host_ns;
    for (int k = 0; i->setup.kind == WN_INST_MODBUS_TESTER && k < WN_INST_OUTPUTS_MAX; k++) {
        if (i->world[k] != NULL) {
            wn_tester_heard(i->world[k], host_ns);
        }
    }
}

static void run_line(struct wn_inst *i, int64_t host_ns)
{
    char reply[WN_TESTER_REPLY_SIZE];
    int before = i->errors.count;
    size_t len;

    if (i->overrun) {
        wn_scpi_queue_put(&i->errors, WN_SCPI_INPUT_OVERRUN);
        i->overrun = false;
        i->in_len = 0;
        return;
    }
    len = wn_device_execute(i, i->in, i->in_len, reply);
    i->in_len = 0;
    if (i->errors.count <= before) {
        heard_well(i, host_ns);
    }
    if (len > 0 && i->setup.silence > 0.0) {
        i->setup.silence -= 1.0;
        return;
    }
    wn_inst_send_line(i, host_ns, reply, len);
}

static bool ends_line(const struct wn_inst *i, char c)
{
    switch ((enum wn_inst_end)i->setup.end) {
    case WN_INST_CR:
        return c == '\r';
    case WN_INST_CRLF:
        return c == '\n' && i->in_len > 0 && i->in[i->in_len - 1] == '\r';
    case WN_INST_LF:
        break;
    }
    return c == '\n';
}

static void take_char(struct wn_inst *i, int64_t host_ns, uint8_t byte)
{
    char c = (char)byte;

    if (i->setup.echo) {
        queue(i, host_ns, &byte, 1);
    }
    if (ends_line(i, c)) {
        run_line(i, host_ns);
    } else if (i->in_len == sizeof i->in) {
        i->in[sizeof i->in - 1] = c; /* so that CR LF is still seen */
        i->overrun = true;
    } else {
        i->in[i->in_len++] = c;
    }
}

static void take_byte(struct wn_inst *i, uint8_t byte)
{
    if (i->in_len == sizeof i->in) {
        i->in_len = 0; /* four times too long for a frame: nothing but noise */
    }
    i->in[i->in_len++] = (char)byte;
}

void wn_inst_feed(struct wn_inst *i, int64_t host_ns, const void *bytes, size_t len)
{
    const uint8_t *b = bytes;
    int64_t gap_ns = wn_ns_from_s(i->setup.char_gap_s);
    int64_t silence_ns = wn_mbs_silence_ns((long)i->setup.baud);

    if (i->away || i->setup.kind == WN_INST_TALKING_THERMOMETER) {
        return;
    }
    for (int k = 0; i->setup.kind == WN_INST_TESTER && k < (int)i->setup.outputs; k++) {
        if (i->world[k] != NULL) {
            wn_tester_heard(i->world[k], host_ns); /* it counts whatever comes */
        }
    }
    for (size_t k = 0; k < len; k++) {
        uint8_t byte = b[k];
        bool hasty = gap_ns > 0 && i->in_ns != 0 && host_ns - i->in_ns < gap_ns;
        bool early = i->setup.strict_gap && speaks_modbus(i) && i->sent_ns != 0 &&
                     host_ns - i->sent_ns < silence_ns;
        i->in_ns = host_ns;
        if (hasty || early || happens(i, i->setup.in_lose)) {
            continue;
        }
        if (happens(i, i->setup.in_flip)) {
            byte = (uint8_t)(byte ^ 1u << wn_prng_below(&i->noise, 8));
        }
        if (speaks_modbus(i)) {
            take_byte(i, byte);
        } else {
            take_char(i, host_ns, byte);
        }
    }
    wn_bench_look(i->bench);
}

void inst_run_frame(struct wn_inst *i, int64_t host_ns)
{
    uint8_t frame[sizeof i->in];
    uint8_t reply[WN_MBS_FRAME_MAX];
    long before = i->mbs.good;
    size_t len = i->in_len;

    i->mbs.address = (uint8_t)i->setup.address;
    i->mbs.busy = (int)i->setup.busy;
    memcpy(frame, i->in, len);
    i->in_len = 0; /* first: a measurement lets time pass, which looks for frames */
    len = wn_maps_frame(i, frame, len, reply);
    i->setup.busy = i->mbs.busy;
    if (i->mbs.good > before) {
        heard_well(i, host_ns);
    }
    if (len > 0 && i->setup.silence > 0.0) {
        i->setup.silence -= 1.0;
        return;
    }
    wn_inst_send(i, host_ns, reply, len);
    wn_bench_look(i->bench);
}

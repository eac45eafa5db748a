/* A line of MODBUS units that several ask through one process.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bus.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static uint16_t crc_of(const uint8_t *bytes, size_t len)
{
    unsigned crc = 0xffff;
    for (size_t i = 0; i < len; i++) {
        crc ^= bytes[i];
        for (int bit = 0; bit < 8; bit++) {
            crc = (crc & 1u) != 0 ? crc >> 1 ^ 0xa001u : crc >> 1;
        }
    }
    return (uint16_t)crc;
}

static unsigned digit(char c)
{
    assert_true((c >= '0' && c <= '9') || (c >= 'A' && c <= 'F'));
    return (unsigned)(c <= '9' ? c - '0' : c - 'A' + 10);
}

size_t bus_frame(const char *hex, uint8_t *frame)
{
    size_t n = 0;
    for (const char *at = hex; *at != '\0'; at += at[2] == ' ' ? 3 : 2) {
        frame[n++] = (uint8_t)(digit(at[0]) << 4 | digit(at[1]));
    }
    uint16_t crc = crc_of(frame, n);
    frame[n] = (uint8_t)(crc & 0xffu);
    frame[n + 1] = (uint8_t)(crc >> 8);
    return n + 2;
}

/* Without its CRC, where that is right. */
static void to_hex(const uint8_t *bytes, size_t len, char *hex)
{
    size_t n = 0;
    bool sealed = len > 2 && crc_of(bytes, len) == 0;
    hex[0] = '\0';
    for (size_t i = 0; i < (sealed ? len - 2 : len); i++) {
        n += (size_t)sprintf(hex + n, "%s%02X", i > 0 ? " " : "", bytes[i]);
    }
}

void bus_sit_down(struct bus *b)
{
    static const int units[BUS_CHANNELS] = {7, 8, 8};
    const struct wn_dialect *d[BUS_CHANNELS];
    memset(b, 0, sizeof *b);
    b->now_ns = 1000 * WN_NS_PER_S;
    for (int i = 0; i < BUS_CHANNELS; i++) {
        rtu_dialect(&b->dialect[i], NULL, NULL);
        assert_int_equal(wn_dialect_place(&b->dialect[i], units[i], 0, NULL), WN_OK);
        d[i] = &b->dialect[i];
    }
    wn_share_init(&b->share, d, BUS_CHANNELS);
    for (int i = 0; i < BUS_CHANNELS; i++) {
        b->asker[i] = wn_share_join(&b->share, i);
    }
}

bool bus_asks(struct bus *b, int who, const char *hex)
{
    uint8_t frame[RTU_FRAME];
    size_t len = bus_frame(hex, frame);
    return wn_share_ask(&b->share, b->asker[who], (const char *)frame, len, b->now_ns);
}

void bus_sends_at(struct bus *b, const char *hex, const char *file, int line)
{
    char got[4 * RTU_FRAME];
    size_t len = 0;
    const char *out = wn_share_output(&b->share, &len);
    to_hex((const uint8_t *)out, len, got);
    _assert_string_equal(got, hex, file, line);
    if (len > 0) {
        wn_share_wrote(&b->share, len, b->now_ns);
    }
}

void bus_sends_after_at(struct bus *b, double ms, const char *hex, const char *file, int line)
{
    bus_waits(b, ms - 0.01);
    bus_sends_at(b, "", file, line);
    bus_waits(b, 0.02);
    bus_sends_at(b, hex, file, line);
}

void bus_hears_raw(struct bus *b, const void *bytes, size_t len)
{
    wn_share_input(&b->share, bytes, len, b->now_ns);
}

void bus_hears(struct bus *b, const char *hex)
{
    uint8_t frame[RTU_FRAME];
    size_t len = bus_frame(hex, frame);
    bus_waits(b, 20);
    bus_hears_raw(b, frame, len);
}

void bus_gives_at(struct bus *b, int who, const char *hex, const char *file, int line)
{
    char got[4 * RTU_FRAME];
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    _assert_true(wn_share_take(&b->share, &asker, &data, &len), "an answer", file, line);
    bool none = len == 1 && data[0] == WN_SESSION_NO_ANSWER;
    to_hex((const uint8_t *)data, none ? 0 : len, got);
    _assert_string_equal(got, hex, file, line);
    _assert_int_equal((unsigned)asker, (unsigned)b->asker[who], file, line);
}

void bus_gives_nothing(struct bus *b)
{
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    assert_false(wn_share_take(&b->share, &asker, &data, &len));
}

void bus_waits(struct bus *b, double ms)
{
    wn_ns until_ns = b->now_ns + wn_ns_from_s(ms / 1000);
    for (wn_ns next_ns; (next_ns = wn_share_deadline(&b->share)) <= until_ns;) {
        b->now_ns = next_ns > b->now_ns ? next_ns : b->now_ns;
        wn_share_tick(&b->share, b->now_ns);
        assert_true(wn_share_deadline(&b->share) > b->now_ns); /* or a loop would turn for ever */
    }
    b->now_ns = until_ns;
    wn_share_tick(&b->share, b->now_ns);
}

void bus_begin(struct bus *b)
{
    bus_sit_down(b);
    for (int i = 0; i < 2;
         i++) { /* each once; the probe twice, as an older process may have asked */
        bool first = i == 0;
        (void)bus_asks(b, i, first ? "07 01 00 00 00 01" : "08 01 00 00 00 01");
        for (int k = 0; k < 2; k++) {
            bus_sends(b, first ? "07 04 00 00 00 03" : "08 04 00 00 00 03");
            bus_hears(b, first ? "07 04 06 12 34 00 00 00 4D" : "08 04 06 12 34 00 00 00 4D");
            bus_gives_nothing(b);
            bus_waits(b, 10);
        }
        bus_sends(b, first ? "07 01 00 00 00 01" : "08 01 00 00 00 01");
        bus_hears(b, first ? "07 01 01 00" : "08 01 01 00");
        bus_waits(b, 10);
        bus_gives(b, i, first ? "07 01 01 00" : "08 01 01 00");
    }
    bus_waits(b, 5000); /* what an older process may have asked does not come any more */
    bus_sends(b, "");
    assert_true(wn_share_is_idle(&b->share));
}

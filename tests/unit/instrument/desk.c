/* Three askers at one port.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "desk.h"

#include <stdio.h>
#include <string.h>

void desk_dialect(struct wn_dialect *d, int n)
{
    talk_dialect(d);
    (void)snprintf(d->on.line[0], sizeof d->on.line[0], "OUT 1,(@%d)", n);
    (void)snprintf(d->off.line[0], sizeof d->off.line[0], "OUT 0,(@%d)", n);
    (void)snprintf(d->output_query, sizeof d->output_query, "OUT? (@%d)", n);
    (void)snprintf(d->read[0].query, sizeof d->read[0].query, "ALL? {interval_s},(@%d)", n);
    d->safe_off_len =
        (size_t)snprintf(d->safe_off, sizeof d->safe_off, "\nOUT 0,(@%d)\nOUT 0,(@%d)\n", n, n);
}

static void plain(const char *text, char *out, size_t size)
{
    size_t n = strlen(text);
    assert_true(n < size);
    for (size_t i = 0; i <= n; i++) {
        out[i] = text[i];
        if (text[i] == '|') {
            out[i] = '\n';
        }
    }
}

void sends_at(struct desk *k, const char *want, const char *file, int line)
{
    char text[600], got[2 * WN_SESSION_OUT_MAX];
    size_t len = 0, all = 0;
    plain(want, text, sizeof text);
    for (const char *out; (out = wn_share_output(&k->share, &len)) != NULL && len > 0;) {
        memcpy(got + all, out, len);
        all += len;
        wn_share_wrote(&k->share, len, k->now_ns);
    }
    got[all] = '\0';
    _assert_string_equal(got, text, file, line);
}

void asks(struct desk *k, int who, const char *what)
{
    char text[600];
    plain(what, text, sizeof text);
    (void)wn_share_ask(&k->share, k->asker[who], text, strlen(text), k->now_ns);
}

void says(struct desk *k, const char *what)
{
    char text[600];
    plain(what, text, sizeof text);
    wn_share_input(&k->share, text, strlen(text), k->now_ns);
}

void gives_at(struct desk *k, int who, const char *want, const char *file, int line)
{
    char text[600], got[WN_SHARE_ANSWER_MAX + 1];
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    plain(want, text, sizeof text);
    _assert_true(wn_share_take(&k->share, &asker, &data, &len), "an answer", file, line);
    memcpy(got, data, len);
    got[len] = '\0';
    _assert_string_equal(got, text, file, line);
    _assert_int_equal((unsigned)asker, (unsigned)k->asker[who], file, line);
}

void gives_nothing(struct desk *k)
{
    const char *data = NULL;
    size_t len = 0;
    int asker = -1;
    assert_false(wn_share_take(&k->share, &asker, &data, &len));
}

void waits(struct desk *k, double ms)
{
    k->now_ns += (wn_ns)(ms * WN_NS_PER_MS);
    wn_share_tick(&k->share, k->now_ns);
}

void sit_down(struct desk *k)
{
    const struct wn_dialect *d[] = {&k->dialect[0], &k->dialect[1], &k->dialect[2]};
    k->now_ns = 1000 * WN_NS_PER_S;
    wn_share_init(&k->share, d, 3);
    for (int i = 0; i < 3; i++) {
        k->asker[i] = wn_share_join(&k->share, i);
    }
}

void begin(struct desk *k)
{
    memset(k, 0, sizeof *k);
    for (int i = 0; i < 3; i++) {
        desk_dialect(&k->dialect[i], i + 1);
    }
    sit_down(k);
    asks(k, 0, "OUT? (@1)|");
    sends(k, "|ID?|"); /* who knows what it was told before */
    says(k, "maker,model,17|");
    sends(k, "OUT? (@1)|");
    says(k, "0|");
    gives(k, 0, "0|");
}

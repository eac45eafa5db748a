/* Three askers at an instrument that loses, delays and garbles replies: each gets its own or none,
 * all get as many, and off is off at once and stays so.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "desk.h"

#include <stdio.h>
#include <string.h>

#include "base/prng.h"

/* Every reply names the channel it was asked
 * for. */
struct device {
    struct wn_prng prng;
    bool on[3];
    char pending[64][48]; /* replies under way, in their order */
    wn_ns due_ns[64];
    int n;
};

static void device_line(struct device *v, const char *line, wn_ns now_ns)
{
    int ch = 0, value = 0;
    char reply[48] = "";
    if (sscanf(line, "OUT %d,(@%d)", &value, &ch) == 2) {
        v->on[ch - 1] = value == 1;
    } else if (strcmp(line, "ID?") == 0) {
        (void)snprintf(reply, sizeof reply, "maker,model,17\n");
    } else if (sscanf(line, "OUT? (@%d)", &ch) == 1 || sscanf(line, "ALL? 1,(@%d)", &ch) == 1) {
        (void)snprintf(reply, sizeof reply, "of %d\n", ch);
    }
    if (reply[0] == '\0' || v->n == 64) {
        return;
    }
    double luck = wn_prng_uniform(&v->prng);
    if (luck < 0.02) {
        return;
    }
    if (luck < 0.04) {
        reply[1] = '\x80';
    }
    double late_s = luck > 0.96 ? 2.0 * wn_prng_uniform(&v->prng) : 0.01;
    wn_ns due_ns = now_ns + wn_ns_from_s(late_s);
    wn_ns last_ns = v->n > 0 ? v->due_ns[v->n - 1] : 0;
    memcpy(v->pending[v->n], reply, sizeof reply);
    v->due_ns[v->n++] = due_ns > last_ns ? due_ns : last_ns; /* replies do not overtake */
}

static void device_speaks(struct device *v, struct desk *k)
{
    while (v->n > 0 && v->due_ns[0] <= k->now_ns) {
        wn_share_input(&k->share, v->pending[0], strlen(v->pending[0]), k->now_ns);
        v->n--;
        memmove(v->pending, v->pending[1], (size_t)v->n * sizeof v->pending[0]);
        memmove(v->due_ns, v->due_ns + 1, (size_t)v->n * sizeof v->due_ns[0]);
        return;
    }
}

static void device_hears(struct device *v, struct desk *k)
{
    static char line[600];
    static size_t len;
    size_t n = 0;
    for (const char *out; (out = wn_share_output(&k->share, &n)) != NULL && n > 0;) {
        for (size_t i = 0; i < n; i++) {
            line[len] = out[i];
            len += len + 1 < sizeof line;
            if (out[i] == '\n') {
                line[len - 1] = '\0';
                device_line(v, line, k->now_ns);
                len = 0;
            }
        }
        wn_share_wrote(&k->share, n, k->now_ns);
    }
}

static void test_chaos(void **state)
{
    static struct desk k;
    static struct device v;
    uint64_t seed = talk_seed(20260726);
    long answers[3] = {0}, offs = 0;
    bool wants_off[3] = {false};
    (void)state;
    begin(&k);
    memset(&v, 0, sizeof v);
    wn_prng_init(&v.prng, seed);
    for (int i = 0; i < 200000; i++) {
        const char *data = NULL;
        char text[64];
        size_t len = 0;
        int who = (int)(wn_prng_next(&v.prng) % 3), asker = -1;
        double luck = wn_prng_uniform(&v.prng);
        if (luck < 0.01) {
            (void)snprintf(text, sizeof text, "|OUT 0,(@%d)|OUT? (@%d)|", who + 1, who + 1);
            asks(&k, who, text);
            wants_off[who] = true;
        } else if (luck < 0.1) {
            wants_off[who] = wants_off[who] && luck >= 0.03;
            (void)snprintf(text, sizeof text, luck < 0.03 ? "OUT 1,(@%d)|" : "ALL? 1,(@%d)|",
                           who + 1);
            asks(&k, who, text);
        }
        device_hears(&v, &k);
        for (int c = 0; c < 3; c++) { /* what was last asked for off is off at once, and stays so */
            assert_false(wants_off[c] && v.on[c]);
            offs += wants_off[c];
        }
        k.now_ns += (wn_ns)(wn_prng_uniform(&v.prng) * 20 * WN_NS_PER_MS);
        wn_share_tick(&k.share, k.now_ns);
        device_hears(&v, &k);
        device_speaks(&v, &k);
        if (wn_share_take(&k.share, &asker, &data, &len) && data[0] != '\x15') {
            (void)snprintf(text, sizeof text, "of %d\n", asker + 1);
            assert_int_equal(len, strlen(text));
            assert_memory_equal(data, text, len);
            answers[asker]++;
        }
    }
    print_message(
        "answers %ld %ld %ld, %llu time-outs, %llu garbled, %llu dropped, %ld times off\n",
        answers[0], answers[1], answers[2], (unsigned long long)k.share.timeouts,
        (unsigned long long)k.share.garbled, (unsigned long long)k.share.dropped, offs);
    for (int c = 0; c < 3; c++) { /* fair */
        assert_in_range(answers[c], (answers[0] + answers[1] + answers[2]) / 4, 1000000);
    }
    assert_true(k.share.timeouts > 100 && k.share.garbled > 30 && offs > 1000);
}

int main(void)
{
    const struct CMUnitTest tests[] = {cmocka_unit_test(test_chaos)};
    return cmocka_run_group_tests(tests, NULL, NULL);
}

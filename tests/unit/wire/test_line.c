/* Framing: the same lines come out however the bytes are cut, and nothing else ever does.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "base/prng.h"
#include "support/near.h"
#include "wire/line.h"

enum { TEXT_MAX = 4096 };

/* What came out: each line in brackets, then the number of lines thrown away. */
struct taken {
    char text[TEXT_MAX];
    size_t len;
};

static void add(struct taken *t, const char *line, size_t len)
{
    assert_true(t->len + len + 3 < sizeof t->text);
    t->text[t->len++] = '[';
    memcpy(t->text + t->len, line, len);
    t->len += len;
    t->text[t->len++] = ']';
    t->text[t->len] = '\0';
}

static void feed(struct wn_line_reader *r, const char *data, size_t len, struct taken *out)
{
    const char *line;
    size_t used = 0, n;
    while (wn_line_take(r, data, len, &used, &line, &n)) {
        add(out, line, n);
    }
    assert_int_equal(used, len);
}

/* The rule, written down once more in another way: look at whole lines. */
static uint64_t model(const char *data, size_t len, struct taken *out)
{
    uint64_t discarded = 0;
    for (size_t from = 0, i = 0; i < len; i++) {
        if (data[i] != '\n') {
            continue;
        }
        size_t n = i - from;
        const char *line = data + from;
        bool good = n <= WN_LINE_MAX;
        n -= n > 0 && line[n - 1] == '\r';
        for (size_t k = 0; k < n; k++) {
            good = good && (line[k] == '\t' || (line[k] >= ' ' && line[k] <= '~'));
        }
        if (good) {
            add(out, line, n);
        } else {
            discarded++;
        }
        from = i + 1;
    }
    return discarded;
}

static void check_split(const char *data, size_t len, unsigned cuts)
{
    struct wn_line_reader r;
    struct taken want = {.len = 0}, got = {.len = 0};
    want.text[0] = got.text[0] = '\0';
    uint64_t discarded = model(data, len, &want);
    wn_line_init(&r, '\n');
    size_t from = 0;
    for (size_t i = 1; i <= len; i++) {
        if (i == len || (cuts >> (i - 1) & 1u) != 0) {
            feed(&r, data + from, i - from, &got);
            from = i;
        }
    }
    assert_string_equal(got.text, want.text);
    assert_int_equal(r.discarded, discarded);
}

static void every_short_input_in_every_split(void **state)
{
    (void)state;
    static const char alphabet[] = {'a', '\r', '\n', '\x01'};
    char data[7];
    for (size_t len = 1; len <= 7; len++) {
        unsigned inputs = 1u << (2 * len);
        for (unsigned which = 0; which < inputs; which++) {
            for (size_t i = 0; i < len; i++) {
                data[i] = alphabet[which >> (2 * i) & 3u];
            }
            for (unsigned cuts = 0; cuts < 1u << (len - 1); cuts++) {
                check_split(data, len, cuts);
            }
        }
    }
}

static void typical_conversation_in_every_split(void **state)
{
    (void)state;
    static const char data[] = "+3.7E0,1\r\n\n\xff#\n0,\"N\"\n";
    for (unsigned cuts = 0; cuts < 1u << (sizeof data - 2); cuts++) {
        check_split(data, sizeof data - 1, cuts);
    }
}

static void every_byte_is_judged(void **state)
{
    (void)state;
    for (int c = 0; c < 256; c++) {
        char data[] = {'4', (char)c, '2', '\n', 'x', '\n'};
        check_split(data, sizeof data, 0);
        check_split(data, sizeof data, ~0u);
    }
    struct taken out = {.len = 0};
    struct wn_line_reader r;
    wn_line_init(&r, '\n');
    feed(&r,
         "4\t2\n4\x7f"
         "2\n4\x80"
         "2\n4\0002\n",
         16, &out);
    assert_string_equal(out.text, "[4\t2]");
    assert_int_equal(r.discarded, 3);
}

/* A line of n bytes, `end` behind it, then a short one. */
static void check_length(size_t n, const char *end, bool kept)
{
    static char data[2 * WN_LINE_MAX];
    struct wn_line_reader r;
    struct taken out = {.len = 0};
    memset(data, 'x', n);
    int m = snprintf(data + n, sizeof data - n, "%s%s", end, "next\n");
    wn_line_init(&r, '\n');
    feed(&r, data, n + (size_t)m, &out);
    assert_int_equal(r.discarded, kept ? 0 : 1);
    assert_int_equal(out.len, (kept ? n + 2 : 0) + strlen("[next]"));
    assert_string_equal(out.text + out.len - strlen("[next]"), "[next]");
}

static void a_line_is_delivered_whole_or_not_at_all(void **state)
{
    (void)state;
    check_length(WN_LINE_MAX - 1, "\n", true);
    check_length(WN_LINE_MAX, "\n", true);
    check_length(WN_LINE_MAX + 1, "\n", false);
    check_length(WN_LINE_MAX - 1, "\r\n", true);
    check_length(WN_LINE_MAX, "\r\n", false);
}

static void endless_noise_is_one_discarded_line(void **state)
{
    (void)state;
    struct wn_line_reader r;
    struct taken out = {.len = 0};
    wn_line_init(&r, '\n');
    for (int i = 0; i < 100000; i++) {
        feed(&r, "\xff\x00y", 3, &out);
    }
    feed(&r, "\n1.5\n", 5, &out);
    assert_string_equal(out.text, "[1.5]");
    assert_int_equal(r.discarded, 1);
}

static void reset_forgets_the_beginning_only(void **state)
{
    (void)state;
    struct wn_line_reader r;
    struct taken out = {.len = 0};
    wn_line_init(&r, '\n');
    feed(&r, "3.7", 3, &out);
    wn_line_reset(&r);
    feed(&r, "4.1\n", 4, &out);
    feed(&r, "\x01", 1, &out);
    wn_line_reset(&r);
    feed(&r, "4.2\n", 4, &out);
    assert_string_equal(out.text, "[4.1][4.2]");
    assert_int_equal(r.discarded, 0);
}

static void the_borrowed_line_lasts_until_the_next_call(void **state)
{
    (void)state;
    struct wn_line_reader r;
    const char *line;
    size_t used = 0, n;
    wn_line_init(&r, '\n');
    assert_true(wn_line_take(&r, "abc\nxyz\n", 8, &used, &line, &n));
    assert_int_equal(used, 4);
    assert_int_equal(n, 3);
    assert_memory_equal(line, "abc", 3);
    assert_true(wn_line_take(&r, "abc\nxyz\n", 8, &used, &line, &n));
    assert_memory_equal(line, "xyz", 3);
    assert_false(wn_line_take(&r, "abc\nxyz\n", 8, &used, &line, &n));
}

static void random_bytes_agree_with_the_rule(void **state)
{
    (void)state;
    const char *text = getenv("SEED");
    int64_t seed = 20260501;
    if (text != NULL) {
        assert_int_equal(wn_num_parse_int(text, strlen(text), &seed), 0);
    }
    print_message("SEED=%lld\n", (long long)seed);
    struct wn_prng p;
    wn_prng_init(&p, (uint64_t)seed);
    for (int round = 0; round < 3000; round++) {
        char data[900];
        struct wn_line_reader r;
        struct taken want = {.len = 0}, got = {.len = 0};
        want.text[0] = got.text[0] = '\0';
        uint64_t kinds = wn_prng_below(&p, 3);
        for (size_t i = 0; i < sizeof data; i++) {
            uint64_t k = wn_prng_below(&p, kinds == 0 ? 8 : 400);
            data[i] = k == 0   ? '\n'
                      : k == 1 ? '\r'
                               : (char)(kinds == 2 ? wn_prng_below(&p, 256) : 'a');
        }
        uint64_t discarded = model(data, sizeof data, &want);
        wn_line_init(&r, '\n');
        for (size_t from = 0; from < sizeof data;) {
            size_t n = 1 + wn_prng_below(&p, 200);
            n = n < sizeof data - from ? n : sizeof data - from;
            feed(&r, data + from, n, &got);
            from += n;
        }
        assert_string_equal(got.text, want.text);
        assert_int_equal(r.discarded, discarded);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_short_input_in_every_split),
        cmocka_unit_test(typical_conversation_in_every_split),
        cmocka_unit_test(every_byte_is_judged),
        cmocka_unit_test(a_line_is_delivered_whole_or_not_at_all),
        cmocka_unit_test(endless_noise_is_one_discarded_line),
        cmocka_unit_test(reset_forgets_the_beginning_only),
        cmocka_unit_test(the_borrowed_line_lasts_until_the_next_call),
        cmocka_unit_test(random_bytes_agree_with_the_rule),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

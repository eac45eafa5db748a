/* Virtual bench: whatever comes in, it neither crashes nor switches on.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <stdlib.h>

#include "bench.h"
#include "base/prng.h"

static void feed(struct wn_scpi_input *in, const char *bytes, size_t len)
{
    static char reply[WN_TESTER_REPLY_SIZE];
    bool ready;
    bool overrun;

    for (size_t at = 0; at < len;) {
        size_t n = wn_scpi_input_take(in, &bytes[at], len - at, &ready, &overrun);
        assert_true(n > 0 && n <= len - at);
        at += n;
        if (overrun) {
            wn_tester_overrun(&bench);
        }
        if (ready) {
            /* an exact copy on the heap: reading past its end is seen by the sanitizer */
            char *line = malloc(in->len > 0 ? in->len : 1);
            assert_non_null(line);
            memcpy(line, in->text, in->len);
            assert_true(wn_tester_execute(&bench, line, in->len, reply) <= WN_TESTER_REPLY_SIZE);
            free(line);
            wn_scpi_input_done(in);
        }
        assert_false(bench.output);
        assert_false(bench.relay);
        assert_near(wn_cell_soc(&bench.cell), bench_setup.soc, 1e-12);
    }
}

static void test_random_bytes(void **state)
{
    const uint64_t seed = 13;
    struct wn_scpi_input in = {.len = 0};
    struct wn_prng r;
    char bytes[700];

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    bench_start();
    for (int i = 0; i < 20000; i++) {
        size_t len = 1 + wn_prng_below(&r, sizeof bytes);
        for (size_t k = 0; k < len; k++) {
            bytes[k] = wn_prng_below(&r, 40) == 0 ? '\n' : (char)wn_prng_below(&r, 256);
        }
        feed(&in, bytes, len);
    }
}

/* Pieces of real commands in any order, with characters lost and changed; the only way to switch
 * on, "OUTP ON" and its like, is left out. */
static void test_scrambled_commands(void **state)
{
    static const char *const pieces[] = {
        "SOUR",       "MEAS", ":",    ";",    "?",          " ",          ",",
        "VOLT",       "CURR", "ALL",  "PROT", "HIGH",       "LOW",        "*IDN?",
        "*CLS",       "*RST", "*ESE", "SYST", "ERR",        "NEXT",       "\"",
        "'",          "#",    "(",    "1",    "4.2",        "-3",         "1e9",
        "9.9E37",     "mV",   "A",    "MIN",  "MAX",        "DEF",        "FUNC",
        "DISC",       "CHAR", "POW",  "SIM",  "CELL",       "SOC?",       "RES?",
        "DEL?",       "FAUL", "THER", "OPEN", "FRE",        "SENS",       "GARB",
        "SIL",        "OFFS", "COMM", "TIM",  "\r\n",       "\n",         "\n",
        "\xff",       "TEMP", "AMB?", "CLE",  "MEAS:ALL? ", "SOUR:CURR ", "SIM:FAUL:SIL ",
        "SYST:ERR?\n"};
    const uint64_t seed = 14;
    struct wn_scpi_input in = {.len = 0};
    struct wn_prng r;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    wn_prng_init(&r, seed);
    bench_start();
    for (int i = 0; i < 300000; i++) {
        const char *piece = pieces[wn_prng_below(&r, sizeof pieces / sizeof pieces[0])];
        char changed[32];
        size_t len = strlen(piece);
        memcpy(changed, piece, len);
        if (wn_prng_below(&r, 10) == 0) {
            changed[wn_prng_below(&r, len)] = (char)wn_prng_below(&r, 128);
        }
        feed(&in, changed, len);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_random_bytes),
        cmocka_unit_test(test_scrambled_commands),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Listened dialects and the records that belong to them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "listening.h"

#include <math.h>
#include <stdarg.h>
#include <stddef.h>
#include <setjmp.h>
#include <stdint.h>
#include <cmocka.h>

#include "config/config.h"

void listening_dialect(const char *name, struct wn_dialect *d)
{
    static struct wn_problems problems;
    problems.n = 0;
    (void)wn_config_read_dialect(WANE_SOURCE_DIR "/conf", name, d, &problems);
    wn_problems_print(&problems, stderr, "");
    assert_int_equal(problems.n, 0);
}

const char *listening_name(enum wn_talker_format format)
{
    static const char *const names[] = {"virtual-talker", "virtual-talker-columns",
                                        "virtual-talker-frames"};
    return names[format];
}

size_t listening_record(enum wn_talker_format format, long n, char *buf,
                        struct wn_talker_record *told)
{
    static const struct wn_number_style plain;
    double phase = (double)n * 0.37;
    *told = (struct wn_talker_record){
        .number = n,
        .cycle = 1 + n / 100,
        .step = n % 3 == 0 ? WN_TALKER_CHARGE : WN_TALKER_DISCHARGE,
        .time_s = 1.5 * (double)n,
        .voltage_v = round((3.6 + 0.5 * sin(phase)) * 1e4) / 1e4,
        .current_a = round(2.5 * cos(phase) * 1e4) / 1e4,
        .temperature_c = round((25 + 20 * sin(phase / 7)) * 100) / 100,
        .charge_ah = 1e-3 * (double)(n % 2000),
    };
    size_t len = wn_talker_write(told, format, &plain, buf);
    if (format != WN_TALKER_FRAMED) {
        buf[len++] = '\n';
    }
    return len;
}

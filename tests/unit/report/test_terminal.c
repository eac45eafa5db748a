/* Pictures in characters.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/terminal.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "report/canvas.h"
#include "report/table.h"

static struct wn_picture p;

static int setup(void **state)
{
    (void)state;
    wn_picture_init(&p);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    wn_picture_fini(&p);
    return 0;
}

static void check_text(int columns, int rows, bool utf8, bool colour, const char *want)
{
    struct wn_terminal t = {columns, rows, utf8, colour};
    struct wn_error err = {0};
    char *text = wn_picture_text(&p, &t, &err);
    assert_non_null(text);
    assert_string_equal(text, want);
    free(text);
}

/* A cell that fades by a straight line, and everything a picture of it can hold. */
static void fill(void)
{
    (void)snprintf(p.title, sizeof p.title, "A cell");
    (void)snprintf(p.conditions, sizeof p.conditions, "at 20 °C");
    (void)snprintf(p.x_label, sizeof p.x_label, "cycle");
    (void)snprintf(p.y[0].label, sizeof p.y[0].label, "resistance, mΩ");
    p.y[0].min = 0;
    p.y[0].max = 10;
    p.x_max = 100;
    struct wn_series *band = wn_picture_add(&p, WN_SERIES_BAND, 0, "band");
    struct wn_series *median = wn_picture_add(&p, WN_SERIES_MEDIAN, 0, "median");
    struct wn_series *points = wn_picture_add(&p, WN_SERIES_POINTS, 0, "valid");
    for (int i = 0; i <= 50; i++) {
        wn_series_put(&p, points, i, 10 - 0.1 * i, NAN);
    }
    wn_series_put(&p, band, 50, 4.5, 5.5);
    wn_series_put(&p, band, 100, 0, 5);
    wn_series_put(&p, median, 50, 5, NAN);
    wn_series_put(&p, median, 100, 2.5, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_LIMIT, -1, "limit"), 0, 2, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_MARK, 1, "claim"), 90, 8, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_HOLLOW, 0, "flagged"), 10, 2.5, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_SQUARE, 0, "check-up"), 50, 9.9, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_ERROR, 0, "bars"), 50, 4, 6);
}

static void everything_in_ascii(void **state)
{
    (void)state;
    fill();
    check_text(50, 18, false, false,
               "A cell\n"
               "at 20 degC\n"
               "resistance, mohm\n"
               "     10 +***                 #\n"
               "        |  *****\n"
               "        |       *****                       @\n"
               "        |           *****\n"
               "        |               *****::::::::::::::::::::\n"
               "      5 +                   :*.:::...::::::::::::\n"
               "        |                       ::::::::...::::::\n"
               "        |----o--------------------------------...\n"
               "        |                                 :::::::\n"
               "      0 +                                      ::\n"
               "        ++-------------------+------------------+\n"
               "         0                  50               cycle\n"
               "  * valid   o flagged   # check-up   . median\n"
               "  : band   - limit   @ claim\n");
}

static void dots_in_unicode(void **state)
{
    (void)state;
    fill();
    check_text(44, 14, true, false,
               "A cell\n"
               "at 20 °C\n"
               "resistance, mΩ\n"
               "     10 ┤⠉⠒⠢⢤⣀⡀           □\n"
               "        │     ⠈⠙⠒⠤⢤⣀                   ◆\n"
               "        │           ⠉⠑⠒⠤⢄⣀░░░░░░░░░░░░░░░░░\n"
               "      5 ┤                ░⠉░⠐⠒░⠠⠤░⢀⣀░░░░░░░\n"
               "        │┄┄┄○┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄┄⠈⠉┄⠐⠒┄\n"
               "      0 ┤                            ░░░░░░\n"
               "        └┬────────────────┬───────────────┬\n"
               "         0               50            cycle\n"
               "  • valid   ○ flagged   □ check-up\n"
               "  ╌ median   ░ band   ┄ limit   ◆ claim\n");
}

/* A dot is half a character across and a quarter down: eight of them in the first character. */
static void dots_of_a_character(void **state)
{
    struct canvas c;
    struct wn_series *s = wn_picture_add(&p, WN_SERIES_POINTS, 0, "");
    (void)state;
    for (int x = 0; x < 2; x++) {
        for (int y = 0; y < 4; y++) {
            wn_series_put(&p, s, x, y + 4, NAN);
        }
    }
    assert_true(canvas_make(&c, 2, 2, true));
    c.x = (struct wn_range){0, 3};
    c.y = (struct wn_range){0, 7};
    canvas_draw(&c, &p, 0);
    assert_int_equal(canvas_at(&c, 0, 0)->dots, 0xff);
    assert_int_equal(canvas_at(&c, 0, 0)->rank, RANK_DATA);
    assert_int_equal(canvas_at(&c, 1, 0)->rank, RANK_NOTHING);
    assert_int_equal(canvas_at(&c, 0, 1)->rank, RANK_NOTHING);
    s->n = 1; /* the lowest of the left ones alone */
    memset(c.cell, 0, 4 * sizeof *c.cell);
    canvas_draw(&c, &p, 0);
    assert_int_equal(canvas_at(&c, 0, 0)->dots, 0x40);
    free(c.cell);
}

/* What lies outside is left out, however far it lies, and does not take long. */
static void far_outside(void **state)
{
    struct canvas c;
    struct wn_series *s = wn_picture_add(&p, WN_SERIES_CURVE, 0, "");
    (void)state;
    wn_series_put(&p, s, -1e300, 1e300, NAN);
    wn_series_put(&p, s, 1e300, -1e300, NAN);
    wn_series_put(&p, s, 1e300, 1e300, NAN);
    assert_true(canvas_make(&c, 3, 3, true));
    c.x = c.y = (struct wn_range){0, 1};
    canvas_draw(&c, &p, 0);
    assert_int_equal(canvas_at(&c, 1, 1)->rank, RANK_DATA); /* the line through the middle */
    assert_int_equal(canvas_at(&c, 0, 2)->rank, RANK_NOTHING);
    free(c.cell);
}

/* Without colour two rows of dots would be one: letters; with it dots again. */
static void several_series(void **state)
{
    struct wn_terminal t = {60, 20, true, false};
    struct wn_error err = {0};
    (void)state;
    for (int i = 0; i < 2; i++) {
        struct wn_series *s = wn_picture_add(&p, WN_SERIES_POINTS, i, i == 0 ? "first" : "second");
        for (int k = 0; k < 20; k++) {
            wn_series_put(&p, s, k, k + 5 * i, NAN);
        }
    }
    char *text = wn_picture_text(&p, &t, &err);
    assert_non_null(text);
    assert_non_null(strstr(text, "  a first   b second\n"));
    assert_null(strstr(text, "\033"));
    assert_null(strstr(text, "\xe2\xa0"));
    free(text);
    t.colour = true;
    text = wn_picture_text(&p, &t, &err);
    assert_non_null(text);
    assert_non_null(strstr(text, "\033[38;5;32m•\033[0m first"));
    assert_non_null(strstr(text, "\033[38;5;166m•\033[0m second"));
    assert_non_null(strstr(text, "\xe2\xa0"));
    free(text);
}

/* Every line fits, and all of them, in whatever window. */
static void fits_the_window(void **state)
{
    static const int windows[][2] = {{40, 12}, {80, 24}, {100, 30}, {300, 80}, {500, 200}};
    struct wn_error err = {0};
    (void)state;
    fill();
    (void)snprintf(p.title, sizeof p.title, "%0150d", 0);
    (void)snprintf(p.series[0].label, sizeof p.series[0].label, "%0120d", 0);
    for (int panels = 1; panels <= 2; panels++) {
        p.panels = panels;
        for (size_t i = 0; i < sizeof windows / sizeof windows[0]; i++) {
            struct wn_terminal t = {windows[i][0], windows[i][1], i % 2 == 0, false};
            char *text = wn_picture_text(&p, &t, &err);
            int lines = 0;
            assert_non_null(text);
            for (char *at = text, *end; *at != '\0'; at = end + 1, lines++) {
                end = strchr(at, '\n');
                assert_non_null(end);
                *end = '\0';
                assert_in_range(wn_text_width(at), 0, t.columns);
            }
            if (t.rows >= 24) { /* two panels are of the same height */
                assert_in_range(lines, t.rows - panels, t.rows - 1);
            }
            free(text);
        }
    }
}

/* What a file holds cannot steer the terminal. */
static void names_do_not_steer(void **state)
{
    struct wn_terminal t = {60, 20, true, false};
    struct wn_error err = {0};
    (void)state;
    fill();
    (void)snprintf(p.title, sizeof p.title,
                   "a\033[2Jb\xc2\x9b"
                   "31mc\x7f\xff");
    char *text = wn_picture_text(&p, &t, &err);
    assert_non_null(text);
    assert_memory_equal(text, "a?[2Jb?31mc??\n", 14);
    free(text);
}

static void one_point(void **state)
{
    (void)state;
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_POINTS, 0, ""), 1, 2.5, NAN);
    (void)snprintf(p.x_label, sizeof p.x_label, "cycle");
    check_text(40, 12, false, false,
               "\n"
               "        |\n"
               "    2.6 +\n"
               "        |\n"
               "        |\n"
               "        |                            *\n"
               "        |\n"
               "    2.4 +\n"
               "        |\n"
               "        ++-------------+-------------+-\n"
               "        0.0           0.5          cycle\n");
}

static void nothing(void **state)
{
    struct wn_terminal t = {60, 20, true, false};
    struct wn_error err = {0};
    (void)state;
    assert_null(wn_picture_text(&p, &t, &err));
    assert_int_equal(err.code, WN_EINVAL);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(everything_in_ascii, setup, teardown),
        cmocka_unit_test_setup_teardown(dots_in_unicode, setup, teardown),
        cmocka_unit_test_setup_teardown(dots_of_a_character, setup, teardown),
        cmocka_unit_test_setup_teardown(far_outside, setup, teardown),
        cmocka_unit_test_setup_teardown(several_series, setup, teardown),
        cmocka_unit_test_setup_teardown(fits_the_window, setup, teardown),
        cmocka_unit_test_setup_teardown(names_do_not_steer, setup, teardown),
        cmocka_unit_test_setup_teardown(one_point, setup, teardown),
        cmocka_unit_test_setup_teardown(nothing, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

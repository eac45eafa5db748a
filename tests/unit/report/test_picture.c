/* Pictures: the script that is written, and what gnuplot makes of it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "report/look.h"
#include "report/table.h"
#include "report/thin.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static char dir[64];
static struct wn_picture p;

static int setup(void **state)
{
    (void)state;
    (void)snprintf(dir, sizeof dir, "/tmp/wane-picture-XXXXXX");
    assert_non_null(mkdtemp(dir));
    wn_picture_init(&p);
    return 0;
}

static int teardown(void **state)
{
    (void)state;
    wn_picture_fini(&p);
    return rmdir(dir); /* fails when a test left something behind */
}

static void fill(void)
{
    (void)snprintf(p.title, sizeof p.title, "A cell with an 'apostrophe_and_underscore'");
    (void)snprintf(p.simulated_label, sizeof p.simulated_label, "SIMULATED");
    p.y[0].right_full = 2.5;
    struct wn_series *s = wn_picture_add(&p, WN_SERIES_POINTS, 0, "valid cycle");
    struct wn_series *band = wn_picture_add(&p, WN_SERIES_BAND, 0, "projection");
    for (int i = 0; i < 500; i++) {
        wn_series_put(&p, s, i + 1, 2.5 - 0.001 * i, NAN);
        wn_series_put(&p, band, 500 + i, 2.0 - 0.002 * i, 2.0 - 0.001 * i);
    }
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_LIMIT, -1, "threshold"), 0, 1.75, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_MARK, 1, "claim"), 300, 1.75, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_ERROR, 2, "bars"), 100, 2.75, 3.5);
    (void)wn_picture_add(&p, WN_SERIES_HOLLOW, 0, "flagged"); /* empty: must leave no trace */
}

static const struct wn_style plain = {.look = WN_LOOK_LIGHT};

static void script_says_all(void **state)
{
    struct wn_error err = {0};
    (void)state;
    fill();
    char *text = wn_picture_script(&p, WN_FORMAT_SVG, &plain, &err);
    assert_non_null(text);
    assert_non_null(strstr(text, "'A cell with an ''apostrophe_and_underscore'''"));
    assert_non_null(strstr(text, "'SIMULATED'"));
    assert_non_null(strstr(text, "title 'threshold'"));
    assert_non_null(strstr(text, "1.75 with lines"));
    assert_non_null(strstr(text, "title 'claim'"));
    assert_non_null(strstr(text, "100 2.75 3.5\n")); /* from below to above, thin and light */
    assert_non_null(strstr(text, "using 1:2:(0):($3-$2) with vectors nohead lw 0.9 lc rgb "
                                 "'#a8009e73' notitle"));
    assert_non_null(
        strstr(text, "set yrange [1.")); /* and nothing of a bar is cut off: 1.75 to 3.5 */
    assert_non_null(strstr(text, ":3.58"));
    assert_null(strstr(text, "flagged"));
    assert_null(strstr(text, "nan"));
    free(text);
}

/* Whatever is drawn, no key lies in the data: it begins below the numbers of the lower axis. */
static void key_stands_below(void **state)
{
    struct wn_style style = {.look = WN_LOOK_LIGHT};
    static const int sides[][2] = {{320, 320}, {480, 320}, {960, 600}, {3840, 2160}, {800, 3840}};
    char label[80];
    (void)state;
    for (int n = 1; n <= 24; n += 23) {
        for (int i = 0; i < n; i++) {
            (void)snprintf(label, sizeof label, "a name of many letters, number %d", i);
            wn_series_put(&p, wn_picture_add(&p, WN_SERIES_POINTS, i, label), i, i, NAN);
        }
        for (size_t k = 0; k < sizeof sides / sizeof sides[0]; k++) {
            struct look_layout l;
            style.width_px = sides[k][0];
            style.height_px = sides[k][1];
            look_layout(&p, &style, &l);
            assert_true(l.top > 0 && l.bottom > l.top + 100);
            assert_true(l.key_top >= l.bottom + 40);
            assert_true(l.key_top + LOOK_KEY_ROW * l.key_rows <= l.height);
            assert_true(l.key_columns * l.key_rows >= p.n);
            assert_true(l.left > 0 && l.right > l.left + 200 && l.right < l.width);
        }
    }
}

static void names_are_cut(void **state)
{
    char buf[64];
    (void)state;
    assert_string_equal(look_cut("short", 5, buf, sizeof buf), "short");
    assert_string_equal(look_cut("a longer one", 9, buf, sizeof buf), "a longer…");
    assert_string_equal(look_cut("ääääää", 4, buf, sizeof buf), "äää…");
    assert_string_equal(look_cut("ab cd", 4, buf, sizeof buf), "ab…");
    assert_int_equal(wn_text_width(look_shorten("0123456789 0123456789", 100, 10, buf, sizeof buf)),
                     17);
}

/* Every colour of the palette is another one in every look, and the row from new to old begins and
 * ends with colours of it. */
static void colours_differ(void **state)
{
    char a[LOOK_COLOUR_SIZE], b[LOOK_COLOUR_SIZE];
    struct wn_series s = {.shade = NAN}, t = {.shade = NAN};
    (void)state;
    for (int look = WN_LOOK_LIGHT; look <= WN_LOOK_INLINE; look++) {
        for (int i = 0; i < WN_PICTURE_COLOURS; i++) {
            for (int k = 0; k < i; k++) {
                s.colour = i;
                t.colour = k;
                assert_string_not_equal(look_colour((enum wn_look)look, &s, a),
                                        look_colour((enum wn_look)look, &t, b));
            }
        }
    }
    s.shade = 0;
    assert_string_equal(look_colour(WN_LOOK_LIGHT, &s, a), "#0072b2");
    s.shade = 1;
    assert_string_equal(look_colour(WN_LOOK_LIGHT, &s, a), "#d55e00");
    s.shade = 0.5; /* between the second and the third */
    assert_string_equal(look_colour(WN_LOOK_LIGHT, &s, a), "#9eaa75");
}

static void nothing_to_draw(void **state)
{
    struct wn_error err = {0};
    (void)state;
    assert_null(wn_picture_script(&p, WN_FORMAT_SVG, &plain, &err));
    assert_int_equal(err.code, WN_EINVAL);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_LIMIT, 0, "limit"), 0, 1, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_POINTS, 0, "not finite"), NAN, 1, NAN);
    wn_series_put(&p, NULL, 1, 1, NAN);
    assert_null(wn_picture_script(&p, WN_FORMAT_SVG, &plain, &err));
    assert_int_equal(err.code, WN_EINVAL);
}

static void too_many_series(void **state)
{
    struct wn_error err = {0};
    (void)state;
    for (int i = 0; i < WN_PICTURE_SERIES_MAX; i++) {
        struct wn_series *s = wn_picture_add(&p, WN_SERIES_POINTS, i, "");
        assert_non_null(s);
        wn_series_put(&p, s, 1, 1, NAN);
    }
    char *text = wn_picture_script(&p, WN_FORMAT_SVG, &plain, &err);
    assert_non_null(text);
    free(text);
    assert_null(wn_picture_add(&p, WN_SERIES_POINTS, 0, ""));
    assert_null(wn_picture_script(&p, WN_FORMAT_SVG, &plain, &err));
    assert_int_equal(err.code, WN_ENOMEM);
}

/* The first bytes of a file, then removes it. */
static void take_file(const char *path, char *buf, size_t size)
{
    FILE *f = fopen(path, "r");
    assert_non_null(f);
    size_t n = fread(buf, 1, size - 1, f);
    buf[n] = '\0';
    (void)fclose(f);
    assert_int_equal(unlink(path), 0);
}

/* As a big-endian number: how PNG tells its size. */
static int number_at(const char *at)
{
    int n = 0;
    for (int i = 0; i < 4; i++) {
        n = n << 8 | (unsigned char)at[i];
    }
    return n;
}

static void draws_svg_png_and_pdf(void **state)
{
    static char buf[400000];
    char path[128];
    struct wn_style large = {.look = WN_LOOK_DARK, .width_px = 3840, .height_px = 2160};
    struct wn_error err = {0};
    (void)state;
    fill();
    (void)snprintf(path, sizeof path, "%s/a.svg", dir);
    assert_int_equal(wn_picture_draw(&p, path, &plain, &err), WN_OK);
    take_file(path, buf, sizeof buf);
    assert_memory_equal(buf, "<svg ", 5);
    assert_non_null(strstr(buf, "viewBox=\"0 0 960 600\""));
    assert_non_null(strstr(buf, "</svg>"));
    assert_non_null(strstr(buf, ">SIMULATED<"));
    assert_non_null(strstr(buf, "80 %")); /* the right axis: 2 Ah of 2.5 Ah */
    assert_non_null(strstr(buf, "apostrophe_and_underscore"));
    (void)snprintf(path, sizeof path, "%s/a.png", dir);
    assert_int_equal(wn_picture_draw(&p, path, &large, &err), WN_OK);
    take_file(path, buf, sizeof buf);
    assert_memory_equal(buf, "\x89PNG\r\n\x1a\n", 8);
    assert_int_equal(number_at(buf + 16), 3840);
    assert_int_equal(number_at(buf + 20), 2160);
    (void)snprintf(path, sizeof path, "%s/a.pdf", dir);
    assert_int_equal(wn_picture_draw(&p, path, &plain, &err), WN_OK);
    take_file(path, buf, sizeof buf);
    assert_memory_equal(buf, "%PDF-", 5);
}

/* In a page: the page's colour, nothing from elsewhere, and no id that another picture has. */
static void svg_for_a_page(void **state)
{
    struct wn_style style = {.look = WN_LOOK_INLINE};
    struct wn_error err = {0};
    (void)state;
    fill();
    (void)snprintf(p.subtitle, sizeof p.subtitle, "<b> & \"c\"");
    char *text = wn_picture_svg(&p, &style, "fade-7", &err);
    assert_non_null(text);
    if (text == NULL) {
        return;
    }
    assert_memory_equal(text, "<svg ", 5);
    const char *width = strstr(text, " width="); /* of the paper, not of the whole */
    assert_true(width == NULL || width > strchr(text, '>'));
    assert_non_null(strstr(text, "<desc id=\"fade-7-desc\">&lt;b&gt; &amp; &quot;c&quot;"));
    assert_non_null(strstr(text, "currentColor' stroke-opacity=\"0.13\""));
    assert_non_null(strstr(text, "fill=\"currentColor\" fill-opacity=\"0.07\""));
    assert_null(strstr(text, "rgb(1,1,"));
    assert_null(strstr(text, "rgb(  1,   1,"));
    assert_null(strstr(text, " color=\"black\""));
    assert_null(strstr(text, "Gnuplot"));
    assert_null(strstr(text, "<title>"));
    int ids = 0;
    for (const char *at = strstr(text, " id="); at != NULL; at = strstr(at + 1, " id=")) {
        assert_memory_equal(at + 5, "fade-7-", 7);
        ids++;
    }
    assert_true(ids > 10);
    for (const char *at = strstr(text, "href="); at != NULL; at = strstr(at + 1, "href=")) {
        assert_memory_equal(at + 5, "'#fade-7-", 9);
    }
    free(text);
}

/* Two panels, one key. */
static void two_panels(void **state)
{
    struct wn_error err = {0};
    (void)state;
    p.panels = 2;
    (void)snprintf(p.x_label, sizeof p.x_label, "cycle");
    struct wn_series *upper = wn_picture_add(&p, WN_SERIES_POINTS, 0, "upper values");
    struct wn_series *lower = wn_picture_add(&p, WN_SERIES_POINTS, 1, "lower values");
    lower->panel = 1;
    wn_series_put(&p, upper, 1, 5, NAN);
    wn_series_put(&p, lower, 9, 50, NAN);
    char *text = wn_picture_svg(&p, &plain, "two", &err);
    assert_non_null(text);
    if (text == NULL) {
        return;
    }
    const char *first = strstr(text, ">upper values<"), *second = strstr(text, ">lower values<");
    assert_true(first != NULL && second != NULL);
    assert_null(strstr(first + 1, ">upper values<"));
    assert_null(strstr(second + 1, ">lower values<"));
    free(text);
}

/* A campaign of 5000 cycles: its lowest and highest point, both ends, and few others. */
static void thousands_of_points_are_thinned(void **state)
{
    enum { N = 5000 };
    static bool keep[N];
    struct wn_series *s = wn_picture_add(&p, WN_SERIES_POINTS, 0, "");
    size_t kept = 0;
    (void)state;
    for (int i = 0; i < N; i++) {
        wn_series_put(&p, s, i, i == 1234 ? -5 : i == 4321 ? 9 : 1 + 0.1 * (i % 7), NAN);
    }
    wn_series_thin(s, keep);
    for (int i = 0; i < N; i++) {
        kept += keep[i];
    }
    assert_true(keep[0] && keep[1234] && keep[4321] && keep[N - 1]);
    assert_in_range(kept, 2 * WN_THIN_COLUMNS, 4 * WN_THIN_COLUMNS);
    s->n = 1000;
    wn_series_thin(s, keep);
    for (int i = 0; i < 1000; i++) {
        assert_true(keep[i]);
    }
    s->n = N;
    for (int i = 0; i < N; i++) { /* all in one column */
        s->x[i] = 3;
    }
    wn_series_thin(s, keep);
    assert_true(keep[0] && keep[1234] && keep[4321] && keep[N - 1]);
}

static void failures_leave_nothing(void **state)
{
    struct wn_error err = {0};
    char path[128];
    (void)state;
    fill();
    assert_int_equal(wn_picture_draw(&p, "picture.bmp", &plain, &err), WN_EINVAL);
    assert_int_equal(wn_picture_draw(&p, "picture", &plain, &err), WN_EINVAL);
    (void)snprintf(path, sizeof path, "%s/none/a.svg", dir);
    assert_int_equal(wn_picture_draw(&p, path, &plain, &err), WN_EACCESS);
    assert_int_equal(wn_gnuplot_run("this is no command\n", NULL, NULL, &err), WN_EIO);
    assert_non_null(strstr(err.text, "invalid command"));
    /* more than fits into the connection, for a gnuplot that ends at the first line */
    size_t size = 4000000;
    char *flood = malloc(size);
    assert_non_null(flood);
    memset(flood, '\n', size);
    memcpy(flood, "exit status 3\n", 14);
    flood[size - 1] = '\0';
    assert_int_equal(wn_gnuplot_run(flood, NULL, NULL, &err), WN_EIO);
    free(flood);
}

static void no_gnuplot(void **state)
{
    struct wn_error err = {0};
    (void)state;
    char *path = strdup(getenv("PATH"));
    assert_int_equal(setenv("PATH", dir, 1), 0);
    int rc = wn_gnuplot_run("", NULL, NULL, &err);
    (void)setenv("PATH", path, 1);
    free(path);
    assert_int_equal(rc, WN_ENOENT);
    assert_non_null(strstr(err.text, "gnuplot-nox"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(script_says_all, setup, teardown),
        cmocka_unit_test_setup_teardown(nothing_to_draw, setup, teardown),
        cmocka_unit_test_setup_teardown(too_many_series, setup, teardown),
        cmocka_unit_test_setup_teardown(draws_svg_png_and_pdf, setup, teardown),
        cmocka_unit_test_setup_teardown(svg_for_a_page, setup, teardown),
        cmocka_unit_test_setup_teardown(two_panels, setup, teardown),
        cmocka_unit_test_setup_teardown(thousands_of_points_are_thinned, setup, teardown),
        cmocka_unit_test_setup_teardown(key_stands_below, setup, teardown),
        cmocka_unit_test_setup_teardown(names_are_cut, setup, teardown),
        cmocka_unit_test_setup_teardown(colours_differ, setup, teardown),
        cmocka_unit_test_setup_teardown(failures_leave_nothing, setup, teardown),
        cmocka_unit_test_setup_teardown(no_gnuplot, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

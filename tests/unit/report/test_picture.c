/* Pictures: the script that is written, and what gnuplot makes of it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _DEFAULT_SOURCE
#include "report/picture.h"

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
    p.right_axis_full = 2.5;
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

static void script_says_all(void **state)
{
    struct wn_error err = {0};
    (void)state;
    fill();
    char *text = wn_picture_script(&p, "x/it's.svg", &err);
    assert_non_null(text);
    assert_non_null(strstr(text, "set output 'x/it''s.svg'"));
    assert_non_null(strstr(text, "'A cell with an ''apostrophe_and_underscore'''"));
    assert_non_null(strstr(text, "'SIMULATED'"));
    assert_non_null(strstr(text, "title 'threshold'"));
    assert_non_null(strstr(text, "1.75 with lines"));
    assert_non_null(strstr(text, "title 'claim'"));
    assert_non_null(strstr(text, "100 2.75 3.5\n")); /* from below to above, thin and light */
    assert_non_null(strstr(text,
                           "using 1:2:(0):($3-$2) with vectors nohead lw 0.8 lc rgb '#a8009e73'"
                           " title 'bars'"));
    assert_non_null(
        strstr(text, "set yrange [1.")); /* and nothing of a bar is cut off: 1.75 to 3.5 */
    assert_non_null(strstr(text, ":3.58"));
    assert_null(strstr(text, "flagged"));
    assert_null(strstr(text, "nan"));
    free(text);
}

static void nothing_to_draw(void **state)
{
    struct wn_error err = {0};
    (void)state;
    assert_null(wn_picture_script(&p, "x.svg", &err));
    assert_int_equal(err.code, WN_EINVAL);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_LIMIT, 0, "limit"), 0, 1, NAN);
    wn_series_put(&p, wn_picture_add(&p, WN_SERIES_POINTS, 0, "not finite"), NAN, 1, NAN);
    wn_series_put(&p, NULL, 1, 1, NAN);
    assert_null(wn_picture_script(&p, "x.svg", &err));
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
    char *text = wn_picture_script(&p, "x.svg", &err);
    assert_non_null(text);
    free(text);
    assert_null(wn_picture_add(&p, WN_SERIES_POINTS, 0, ""));
    assert_null(wn_picture_script(&p, "x.svg", &err));
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

static void draws_svg_and_png(void **state)
{
    static char buf[200000];
    char path[128];
    struct wn_error err = {0};
    (void)state;
    fill();
    (void)snprintf(path, sizeof path, "%s/a.svg", dir);
    assert_int_equal(wn_picture_draw(&p, path, &err), WN_OK);
    take_file(path, buf, sizeof buf);
    assert_non_null(strstr(buf, "<svg"));
    assert_non_null(strstr(buf, "</svg>"));
    assert_non_null(strstr(buf, ">SIMULATED<"));
    assert_non_null(strstr(buf, "80 %")); /* the right axis: 2 Ah of 2.5 Ah */
    assert_non_null(strstr(buf, "apostrophe_and_underscore"));
    (void)snprintf(path, sizeof path, "%s/a.png", dir);
    assert_int_equal(wn_picture_draw(&p, path, &err), WN_OK);
    take_file(path, buf, sizeof buf);
    assert_memory_equal(buf, "\x89PNG\r\n\x1a\n", 8);
}

static void failures_leave_nothing(void **state)
{
    struct wn_error err = {0};
    char path[128];
    (void)state;
    fill();
    assert_int_equal(wn_picture_draw(&p, "picture.bmp", &err), WN_EINVAL);
    assert_int_equal(wn_picture_draw(&p, "picture", &err), WN_EINVAL);
    (void)snprintf(path, sizeof path, "%s/none/a.svg", dir);
    assert_int_equal(wn_picture_draw(&p, path, &err), WN_EACCESS);
    assert_int_equal(wn_gnuplot_run("this is no command\n", &err), WN_EIO);
    assert_non_null(strstr(err.text, "invalid command"));
    /* more than fits into the connection, for a gnuplot that ends at the first line */
    size_t size = 4000000;
    char *flood = malloc(size);
    assert_non_null(flood);
    memset(flood, '\n', size);
    memcpy(flood, "exit status 3\n", 14);
    flood[size - 1] = '\0';
    assert_int_equal(wn_gnuplot_run(flood, &err), WN_EIO);
    free(flood);
}

static void no_gnuplot(void **state)
{
    struct wn_error err = {0};
    (void)state;
    char *path = strdup(getenv("PATH"));
    assert_int_equal(setenv("PATH", dir, 1), 0);
    int rc = wn_gnuplot_run("", &err);
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
        cmocka_unit_test_setup_teardown(draws_svg_and_png, setup, teardown),
        cmocka_unit_test_setup_teardown(failures_leave_nothing, setup, teardown),
        cmocka_unit_test_setup_teardown(no_gnuplot, setup, teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

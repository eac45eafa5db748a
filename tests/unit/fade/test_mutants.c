/* The projection: what no other test would see when it breaks (tests/mutate).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/fade.h"
#include "support/near.h"

enum { N = 60 };

/* Two weak cycles, one good one, for ever: forty weak ones in all and never three in a row. */
static void weak_cycles_that_are_not_in_a_row_are_no_end(void **state)
{
    (void)state;
    struct wn_fade_point points[N];
    struct wn_fade_result r;
    struct wn_error err = {0};
    for (int i = 0; i < N; i++) {
        points[i] = (struct wn_fade_point){.cycle = i + 1,
                                           .capacity_ah = i < 6 || i % 3 == 0 ? 1.601 : 1.599,
                                           .resistance_ohm = NAN,
                                           .temperature_c = NAN};
    }
    assert_int_equal(wn_fade_project(points, N, 1.6, &r, &err), WN_OK);
    assert_int_not_equal(r.state, WN_FADE_REACHED);
    points[N - 3].capacity_ah = 1.599; /* now they are */
    assert_int_equal(wn_fade_project(points, N, 1.6, &r, &err), WN_OK);
    assert_int_equal(r.state, WN_FADE_REACHED);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(weak_cycles_that_are_not_in_a_row_are_no_end),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

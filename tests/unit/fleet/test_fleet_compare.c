/* Where a file and a server differ.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fleet/compare.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

static struct fleet_blocks file, server;

static int set_up(void **state)
{
    (void)state;
    fleet_blocks_init(&file);
    fleet_blocks_init(&server);
    return 0;
}

static int tear_down(void **state)
{
    (void)state;
    fleet_blocks_free(&file);
    fleet_blocks_free(&server);
    return 0;
}

static void add(struct fleet_blocks *b, int64_t number, int64_t rows, const char *digest)
{
    assert_int_equal(fleet_blocks_add(b, number, rows, digest), WN_OK);
    b->last_key = number * FLEET_BLOCK + rows;
}

static void test_nothing_anywhere(void **state)
{
    (void)state;
    assert_int_equal(fleet_mark_differing(&file, &server), 0);
    assert_false(fleet_holds_more(&file, &server));
}

static void test_a_new_campaign(void **state)
{
    (void)state;
    add(&file, 0, 255, "a");
    add(&file, 1, 44, "b");
    assert_int_equal(fleet_mark_differing(&file, &server), 299);
    assert_false(fleet_holds_more(&file, &server));
    assert_int_equal(file.rows, 299);
}

static void test_the_last_block_has_grown(void **state)
{
    (void)state;
    add(&file, 0, 255, "a");
    add(&file, 1, 44, "b");
    add(&server, 0, 255, "a");
    add(&server, 1, 43, "c");
    assert_int_equal(fleet_mark_differing(&file, &server), 44);
    assert_false(file.block[0].differs);
    assert_true(file.block[1].differs);
    assert_false(fleet_holds_more(&file, &server));
}

static void test_the_server_has_more(void **state)
{
    (void)state;
    add(&file, 0, 255, "a");
    add(&server, 0, 255, "a");
    add(&server, 1, 1, "b");
    assert_int_equal(fleet_mark_differing(&file, &server), 0);
    assert_true(fleet_holds_more(&file, &server));
}

static void test_the_server_has_more_in_a_block(void **state)
{
    (void)state;
    add(&file, 0, 254, "a");
    add(&file, 1, 9, "b");
    add(&server, 0, 255, "c");
    add(&server, 1, 9, "b");
    assert_true(fleet_holds_more(&file, &server));
}

static void test_a_file_that_is_empty(void **state)
{
    (void)state;
    add(&server, 0, 1, "a");
    assert_true(fleet_holds_more(&file, &server));
}

static void test_the_same_digest_needs_the_same_rows(void **state)
{
    (void)state;
    add(&file, 0, 3, "a");
    add(&server, 0, 2, "a");
    assert_int_equal(fleet_mark_differing(&file, &server), 3);
}

static void test_find_among_many(void **state)
{
    (void)state;
    for (int64_t i = 0; i < 100; i++) {
        add(&file, 2 * i, 1, "x");
    }
    for (int64_t i = 0; i < 100; i++) {
        assert_int_equal(fleet_blocks_find(&file, 2 * i)->number, 2 * i);
        assert_null(fleet_blocks_find(&file, 2 * i + 1));
    }
    assert_null(fleet_blocks_find(&file, -1));
}

#define TEST(name) cmocka_unit_test_setup_teardown(name, set_up, tear_down)

int main(void)
{
    const struct CMUnitTest tests[] = {
        TEST(test_nothing_anywhere),
        TEST(test_a_new_campaign),
        TEST(test_the_last_block_has_grown),
        TEST(test_the_server_has_more),
        TEST(test_the_server_has_more_in_a_block),
        TEST(test_a_file_that_is_empty),
        TEST(test_the_same_digest_needs_the_same_rows),
        TEST(test_find_among_many),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

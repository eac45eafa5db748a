/* Campaign file: what no other test would see when it breaks (tests/mutate).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fixture.h"

#include <string.h>
#include <unistd.h>

/* A file system without shared memory, as some network disks are: SQLite then keeps no log, and
 * tells so only by what it answers. Nothing may be recorded there, and nothing is left behind. */
static void test_a_disk_that_keeps_no_log_is_refused(void **state)
{
    const struct fixture *f = *state;
    static struct wn_campaign_info info;
    struct wn_campaign *c = NULL;
    struct wn_error err = {0};
    sqlite3_vfs *usual = sqlite3_vfs_find(NULL), *plain = sqlite3_vfs_find("unix-dotfile");
    assert_non_null(plain);
    fixture_info(&info);
    assert_int_equal(sqlite3_vfs_register(plain, 1), SQLITE_OK);
    int rc = wn_campaign_create(&c, f->path, &info, fixture_config, &err);
    assert_int_equal(sqlite3_vfs_register(usual, 1), SQLITE_OK);
    assert_int_equal(rc, WN_EIO);
    assert_non_null(strstr(err.text, "use a local disk"));
    assert_null(c);
    assert_int_not_equal(access(f->path, F_OK), 0);
    wn_campaign_close(fixture_create(f)); /* the same place on a disk that does */
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup_teardown(test_a_disk_that_keeps_no_log_is_refused, fixture_setup,
                                        fixture_teardown),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

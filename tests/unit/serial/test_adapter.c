/* What sysfs and udev say of an adapter, on trees of our own; and what is made of it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "support/near.h"

#include <fcntl.h>
#include <ftw.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "serial/adapter.h"
#include "serial/serial.h"

static char root[] = "/tmp/wane-adapter.XXXXXX";

static const char *in(const char *name)
{
    static char path[4][300];
    static int i;
    i = (i + 1) % 4;
    (void)snprintf(path[i], sizeof path[i], "%s/%s", root, name);
    return path[i];
}

static void make_dirs(const char *name)
{
    char path[300];
    (void)snprintf(path, sizeof path, "%s", in(name));
    for (char *at = path + strlen(root) + 1; (at = strchr(at, '/')) != NULL; at++) {
        *at = '\0';
        (void)mkdir(path, 0700);
        *at = '/';
    }
    (void)mkdir(path, 0700);
}

static void make_file(const char *name, const char *text)
{
    FILE *f = fopen(in(name), "we");
    assert_non_null(f);
    assert_true(fputs(text, f) >= 0);
    assert_int_equal(fclose(f), 0);
}

/* As the kernel lays it out for a USB adapter: class/tty/NAME/device leads to the port of the
 * adapter, which has its driver beside it. */
static int make_tree(void **state)
{
    (void)state;
    if (mkdtemp(root) == NULL) {
        return -1;
    }
    make_dirs("sys/class/tty/ttyUSB0");
    make_dirs("sys/class/tty/ttyUSB1");
    make_dirs("sys/class/tty/ttyS0");
    make_dirs("sys/devices/usb1/ttyUSB0");
    make_dirs("sys/devices/usb1/ttyUSB1");
    make_dirs("sys/bus/usb-serial/drivers/ftdi_sio");
    make_dirs("sys/bus/usb-serial/drivers/ch341-uart");
    assert_int_equal(symlink("../../../devices/usb1/ttyUSB0", in("sys/class/tty/ttyUSB0/device")),
                     0);
    assert_int_equal(symlink("../../../devices/usb1/ttyUSB1", in("sys/class/tty/ttyUSB1/device")),
                     0);
    assert_int_equal(
        symlink("../../../bus/usb-serial/drivers/ftdi_sio", in("sys/devices/usb1/ttyUSB0/driver")),
        0);
    assert_int_equal(symlink("../../../bus/usb-serial/drivers/ch341-uart",
                             in("sys/devices/usb1/ttyUSB1/driver")),
                     0);
    make_file("sys/devices/usb1/ttyUSB0/latency_timer", "16\n");
    make_dirs("dev/serial/by-id");
    make_dirs("dev/serial/by-path");
    make_file("dev/ttyUSB0", "");
    make_file("dev/ttyUSB1", "");
    assert_int_equal(symlink("../../ttyUSB1", in("dev/serial/by-id/usb-maker_uart-if00-port0")), 0);
    assert_int_equal(symlink("../../ttyUSB0", in("dev/serial/by-path/pci-0-usb-0:2:1.0-port0")), 0);
    assert_int_equal(symlink("../../ttyUSB9", in("dev/serial/by-path/pci-0-usb-0:9:1.0-port0")), 0);
    return 0;
}

static int remove_one(const char *path, const struct stat *st, int kind, struct FTW *at)
{
    (void)st;
    (void)kind;
    (void)at;
    return remove(path);
}

static int remove_tree(void **state)
{
    (void)state;
    return nftw(root, remove_one, 8, FTW_DEPTH | FTW_PHYS);
}

static void drivers(void **state)
{
    (void)state;
    char buf[64];
    const char *sys = in("sys");
    assert_string_equal(adapter_driver(sys, "ttyUSB0", buf, sizeof buf), "ftdi_sio");
    assert_string_equal(adapter_driver(sys, "ttyUSB1", buf, sizeof buf), "ch341-uart");
    assert_null(adapter_driver(sys, "ttyS0", buf, sizeof buf));
    assert_null(adapter_driver(sys, "ttyUSB2", buf, sizeof buf));
}

static void latency(void **state)
{
    (void)state;
    static const char *const bad[] = {"", "x\n", "-1\n", "256\n", "16 ms\n"};
    assert_int_equal(adapter_latency_ms(in("sys"), "ttyUSB0"), 16);
    assert_int_equal(adapter_latency_ms(in("sys"), "ttyUSB1"), -1);
    for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++) {
        make_file("sys/devices/usb1/ttyUSB1/latency_timer", bad[i]);
        assert_int_equal(adapter_latency_ms(in("sys"), "ttyUSB1"), -1);
    }
    assert_int_equal(unlink(in("sys/devices/usb1/ttyUSB1/latency_timer")), 0);
}

static void links(void **state)
{
    (void)state;
    char buf[300];
    assert_string_equal(adapter_link(in("dev/serial/by-id"), in("dev/ttyUSB1"), buf, sizeof buf),
                        in("dev/serial/by-id/usb-maker_uart-if00-port0"));
    assert_null(adapter_link(in("dev/serial/by-id"), in("dev/ttyUSB0"), buf, sizeof buf));
    assert_string_equal(adapter_link(in("dev/serial/by-path"), in("dev/ttyUSB0"), buf, sizeof buf),
                        in("dev/serial/by-path/pci-0-usb-0:2:1.0-port0"));
    assert_null(adapter_link(in("dev/serial/none"), in("dev/ttyUSB0"), buf, sizeof buf));
    assert_null(adapter_link(in("dev/serial/by-id"), in("dev/ttyUSB9"), buf, sizeof buf));
}

/* A name out of by-id is none where the adapter has no serial number: the next one has it too. */
static void stable_names(void **state)
{
    (void)state;
    struct wn_port_info i = {.usb_vid = 0x1a86, .usb_pid = 0x7523, .by_id = "I", .by_path = "P"};
    assert_true(wn_port_is_nameless(&i));
    assert_string_equal(wn_port_stable_name(&i), "P");
    i.by_path = NULL; /* better than none */
    assert_string_equal(wn_port_stable_name(&i), "I");
    i.by_path = "P";
    i.serial_number = "";
    assert_string_equal(wn_port_stable_name(&i), "P");
    i.serial_number = "A1";
    assert_false(wn_port_is_nameless(&i));
    assert_string_equal(wn_port_stable_name(&i), "I");
    i.by_id = NULL;
    assert_string_equal(wn_port_stable_name(&i), "P");
    i.by_path = NULL;
    assert_null(wn_port_stable_name(&i));
    i.usb_vid = i.usb_pid = -1; /* of the board: it has no other name, and needs none */
    i.serial_number = NULL;
    assert_false(wn_port_is_nameless(&i));
}

static void slow_adapters(void **state)
{
    (void)state;
    struct wn_port_info i = {.latency_ms = 16};
    assert_false(wn_port_is_slow(&i, 1, 0.16));
    assert_true(wn_port_is_slow(&i, 1, 0.159));
    assert_true(wn_port_is_slow(&i, 2, 0.16));
    i.latency_ms = 1; /* as good as it gets */
    assert_false(wn_port_is_slow(&i, 4, 0.01));
    i.latency_ms = -1;
    assert_false(wn_port_is_slow(&i, 4, 0.01));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(drivers),      cmocka_unit_test(latency),       cmocka_unit_test(links),
        cmocka_unit_test(stable_names), cmocka_unit_test(slow_adapters),
    };
    return cmocka_run_group_tests(tests, make_tree, remove_tree) != 0;
}

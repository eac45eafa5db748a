/* The libserialport link, on a pty that passes for a serial port (pty_shim.c).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include "pty.h"
#include "pty_shim.h"
#include "serial/link_fd.h"

static struct wn_link *must_open(const struct wn_port_settings *s)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    if (link_sp_open(&l, s->path, s, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return l;
}

static void refuse(const struct wn_port_settings *s, int code, const char *words)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    int rc = link_sp_open(&l, s->path, s, &err);
    if (rc != code || err.code != code || strstr(err.text, s->path) == NULL ||
        strstr(err.text, words) == NULL) {
        fail_msg("%d instead of %d: %s", rc, code, err.text);
    }
    assert_null(l);
}

static void every_byte_passes_both_ways(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 115200, 'N', 1);
    struct wn_link *l = must_open(&s);
    pty_check_transparent(&p, l);
    l->ops->close(l);
    pty_close(&p);
}

static void a_hang_up_is_gone_not_silence(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    struct wn_link *l = must_open(&s);
    pty_check_gone(&p, l);
    l->ops->close(l);
}

/* What libserialport 0.1.1 leaves undone: close-on-exec, exclusivity, IXON and VMIN. */
static void the_descriptor_is_private_and_raw(void **state)
{
    (void)state;
    struct pty p;
    struct termios t;
    struct wn_port_settings s;
    int exclusive = 0;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    struct wn_link *l = must_open(&s);
    int fd = l->ops->fd(l);
    assert_true((fcntl(fd, F_GETFD) & FD_CLOEXEC) != 0);
    assert_true((fcntl(fd, F_GETFL) & O_NONBLOCK) != 0);
    assert_int_equal(ioctl(fd, TIOCGEXCL, &exclusive), 0);
    assert_int_equal(exclusive, 1);
    assert_int_equal(tcgetattr(fd, &t), 0);
    assert_int_equal(t.c_lflag & (ICANON | ECHO | ISIG | IEXTEN), 0);
    assert_int_equal(t.c_iflag & (IXON | IXOFF | IXANY | ICRNL | INLCR | IGNCR | ISTRIP), 0);
    assert_int_equal(t.c_oflag & OPOST, 0);
    assert_int_equal(t.c_cflag & (CRTSCTS | HUPCL), HUPCL);
    assert_int_equal(t.c_cc[VMIN], 1);
    assert_int_equal(t.c_cc[VTIME], 0);
    assert_int_equal(cfgetospeed(&t), B9600);
    l->ops->close(l);
    pty_close(&p);
}

/* A flow control left over by another program would keep an adapter silent for ever. */
static void what_others_left_is_cleared(void **state)
{
    (void)state;
    struct pty p;
    struct termios t;
    struct wn_port_settings s;
    pty_open(&p);
    int fd = open(p.path, O_RDWR | O_NOCTTY | O_CLOEXEC);
    assert_true(fd >= 0);
    assert_int_equal(tcgetattr(fd, &t), 0);
    t.c_cflag |= CRTSCTS | CSTOPB;
    t.c_iflag |= IXON | IXOFF;
    assert_int_equal(tcsetattr(fd, TCSANOW, &t), 0);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.drop_on_close = false;
    struct wn_link *l = must_open(&s);
    assert_int_equal(tcgetattr(fd, &t), 0);
    assert_int_equal(t.c_cflag & (CRTSCTS | CSTOPB | HUPCL), 0);
    assert_int_equal(t.c_iflag & (IXON | IXOFF | IXANY), 0);
    l->ops->close(l);
    (void)close(fd);
    pty_close(&p);
}

static void baud_rates_are_set_and_read_back(void **state)
{
    (void)state;
    static const int rates[] = {300, 9600, 115200, 12345, 250000, 921600};
    for (size_t i = 0; i < sizeof rates / sizeof rates[0]; i++) {
        struct pty p;
        struct wn_port_settings s;
        pty_open(&p);
        wn_port_settings_init(&s, p.path, rates[i], 'N', 1);
        struct wn_link *l = must_open(&s);
        pty_check_transparent(&p, l);
        l->ops->close(l);
        pty_close(&p);
    }
}

static void modem_lines_follow_the_policy(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    struct wn_error err = {0};
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.dtr = WN_LINE_ON;
    s.rts = WN_LINE_OFF;
    pty_shim_lines = TIOCM_RTS; /* as the kernel raises them when it opens */
    struct wn_link *l = must_open(&s);
    assert_int_equal(pty_shim_lines, TIOCM_DTR);
    assert_int_equal(l->ops->set_line(l, WN_LINE_RTS, true, &err), WN_OK);
    assert_int_equal(pty_shim_lines, TIOCM_DTR | TIOCM_RTS);
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, false, &err), WN_OK);
    assert_int_equal(pty_shim_lines, TIOCM_RTS);
    l->ops->close(l);
    pty_close(&p);
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    pty_shim_lines = TIOCM_RTS;
    l = must_open(&s);
    assert_int_equal(pty_shim_lines, TIOCM_RTS); /* left as it was */
    l->ops->close(l);
    pty_close(&p);
}

/* An adapter takes some milliseconds for each setting: a relay would close meanwhile. */
static void a_line_to_be_off_is_dropped_before_the_settings(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.dtr = WN_LINE_OFF;
    pty_shim_lines = TIOCM_DTR | TIOCM_RTS;
    pty_shim_raised_dtr = 0;
    struct wn_link *l = must_open(&s);
    assert_int_equal(pty_shim_lines, TIOCM_RTS);
    assert_in_range(pty_shim_raised_dtr, 0, 1); /* sp_open() writes it once as it found it */
    l->ops->close(l);
    pty_close(&p);
}

static void refusals_name_port_and_remedy(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.bits = 7;
    refuse(&s, WN_EINVAL, "this character format");
    s.bits = 8;
    struct wn_link *l = must_open(&s);
    refuse(&s, WN_EBUSY, "in use by");
    struct termios t; /* sp_open() would have set VMIN=0 under the holder */
    assert_int_equal(tcgetattr(l->ops->fd(l), &t), 0);
    assert_int_equal(t.c_cc[VMIN], 1);
    pty_check_transparent(&p, l);
    l->ops->close(l);
    pty_close(&p);
    wn_port_settings_init(&s, "/dev/pts/987654", 9600, 'N', 1);
    refuse(&s, WN_ENOENT, "`wane ports`");
}

static void the_library_is_kept_quiet(void **state)
{
    (void)state;
    struct pty p;
    struct wn_port_settings s;
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    pty_open(&p);
    assert_int_equal(setenv("LIBSERIALPORT_DEBUG", "", 1), 0);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    assert_int_equal(wn_link_open(&l, &s, &err), WN_OK);
    assert_null(getenv("LIBSERIALPORT_DEBUG"));
    l->ops->close(l);
    pty_close(&p);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_byte_passes_both_ways),
        cmocka_unit_test(a_hang_up_is_gone_not_silence),
        cmocka_unit_test(the_descriptor_is_private_and_raw),
        cmocka_unit_test(what_others_left_is_cleared),
        cmocka_unit_test(baud_rates_are_set_and_read_back),
        cmocka_unit_test(modem_lines_follow_the_policy),
        cmocka_unit_test(a_line_to_be_off_is_dropped_before_the_settings),
        cmocka_unit_test(refusals_name_port_and_remedy),
        cmocka_unit_test(the_library_is_kept_quiet),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Links over ptys: transparent, exclusive, never blocking or spinning; and refusals.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "pty.h"

static int open_path(struct wn_link **l, const char *path, struct wn_error *err)
{
    struct wn_port_settings s;
    wn_port_settings_init(&s, path, 115200, 'N', 1);
    return wn_link_open(l, &s, err);
}

static struct wn_link *must_open(const char *path)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    if (open_path(&l, path, &err) != WN_OK) {
        fail_msg("%s", err.text);
    }
    return l;
}

static void every_byte_passes_both_ways(void **state)
{
    (void)state;
    struct pty p;
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    pty_check_transparent(&p, l);
    l->ops->close(l);
    pty_close(&p);
}

static void a_hang_up_is_gone_not_silence(void **state)
{
    (void)state;
    struct pty p;
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    pty_write_master(&p, "half a li", 9);
    pty_wait(l->ops->fd(l), POLLIN);
    pty_check_gone(&p, l);
    l->ops->close(l);
}

/* Another program (as root) that opens the port with libserialport leaves VMIN=0 behind: reads of
 * nothing, but no hang-up. */
static void meddling_is_no_hang_up(void **state)
{
    (void)state;
    struct pty p;
    struct termios t;
    struct wn_error err = {0};
    char buf[8];
    size_t got = 77;
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    assert_int_equal(tcgetattr(l->ops->fd(l), &t), 0);
    t.c_cc[VMIN] = 0;
    t.c_iflag |= IXON;
    assert_int_equal(tcsetattr(l->ops->fd(l), TCSANOW, &t), 0);
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, &err), WN_OK);
    assert_int_equal(got, 0);
    assert_int_equal(tcgetattr(l->ops->fd(l), &t), 0);
    assert_int_equal(t.c_cc[VMIN], 1);
    assert_int_equal(t.c_iflag & IXON, 0);
    pty_check_transparent(&p, l);
    pty_check_gone(&p, l);
    l->ops->close(l);
}

static void a_full_peer_takes_what_it_can(void **state)
{
    (void)state;
    enum { SIZE = 1 << 20 };
    static char data[SIZE], back[SIZE];
    struct pty p;
    struct wn_error err = {0};
    size_t put = 1, sent = 0;
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    for (size_t i = 0; i < SIZE; i++) {
        data[i] = (char)(i * 7 >> 3);
    }
    while (put > 0) {
        assert_int_equal(l->ops->write(l, data + sent, SIZE - sent, &put, &err), WN_OK);
        sent += put;
        assert_true(sent < SIZE); /* it does fill, and the write does not block */
    }
    assert_true(sent > 0);
    for (size_t have = 0; have < SIZE;) {
        ssize_t got = read(p.master, back + have, SIZE - have);
        have += got > 0 ? (size_t)got : 0;
        assert_int_equal(l->ops->write(l, data + sent, SIZE - sent, &put, &err), WN_OK);
        sent += put;
        if (got <= 0 && have < SIZE) {
            pty_wait(p.master, POLLIN);
        }
    }
    assert_memory_equal(back, data, SIZE);
    l->ops->close(l);
    pty_close(&p);
}

static void a_port_is_held_by_one(void **state)
{
    (void)state;
    struct pty p;
    struct wn_link *second = NULL;
    struct wn_error err = {0};
    char me[32];
    (void)snprintf(me, sizeof me, "(pid %d)", (int)getpid());
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    assert_int_equal(open_path(&second, p.path, &err), WN_EBUSY);
    assert_non_null(strstr(err.text, p.path));
    assert_non_null(strstr(err.text, me));
    assert_null(second);
    pty_check_transparent(&p, l); /* the attempt did no harm */
    l->ops->close(l);
    l = must_open(p.path);
    /* A duplicate held elsewhere (the guard's) keeps the lock, and its bytes still get through. */
    int duplicate = dup(l->ops->fd(l));
    l->ops->close(l);
    assert_int_equal(open_path(&second, p.path, &err), WN_EBUSY);
    char buf[4];
    assert_int_equal(write(duplicate, "OFF\n", 4), 4);
    pty_read_master(&p, buf, 4);
    assert_memory_equal(buf, "OFF\n", 4);
    assert_int_equal(close(duplicate), 0);
    l = must_open(p.path);
    l->ops->close(l);
    pty_close(&p);
}

static void the_descriptor_is_private_and_raw(void **state)
{
    (void)state;
    struct pty p;
    struct termios t;
    pty_open(&p);
    int other =
        open(p.path, O_RDWR | O_NOCTTY | O_CLOEXEC); /* what another program may have left */
    assert_int_equal(tcgetattr(other, &t), 0);
    t.c_iflag |= IXON | IXOFF | IXANY | ISTRIP | IGNCR;
    t.c_cflag |= CRTSCTS | CSTOPB;
    t.c_cc[VMIN] = 0;
    assert_int_equal(tcsetattr(other, TCSANOW, &t), 0);
    assert_int_equal(close(other), 0);
    struct wn_link *l = must_open(p.path);
    int fd = l->ops->fd(l);
    assert_true((fcntl(fd, F_GETFD) & FD_CLOEXEC) != 0);
    assert_true((fcntl(fd, F_GETFL) & O_NONBLOCK) != 0);
    assert_int_equal(tcgetattr(fd, &t), 0);
    assert_int_equal(t.c_lflag & (ICANON | ECHO | ISIG | IEXTEN), 0);
    assert_int_equal(t.c_iflag & (IXON | IXOFF | IXANY | ICRNL | INLCR | IGNCR | ISTRIP), 0);
    assert_int_equal(t.c_oflag & OPOST, 0);
    assert_int_equal(t.c_cflag & (CRTSCTS | CSTOPB), 0);
    assert_int_equal(t.c_cflag & CSIZE, CS8);
    assert_int_equal(t.c_cflag & HUPCL, HUPCL);
    assert_int_equal(t.c_cc[VMIN], 1);
    assert_int_equal(t.c_cc[VTIME], 0);
    l->ops->close(l);
    struct wn_port_settings s;
    struct wn_error err = {0};
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.drop_on_close = false;
    assert_int_equal(wn_link_open(&l, &s, &err), WN_OK);
    assert_int_equal(tcgetattr(l->ops->fd(l), &t), 0);
    assert_int_equal(t.c_cflag & HUPCL, 0);
    l->ops->close(l);
    pty_close(&p);
}

static void flush_throws_away_both_ways(void **state)
{
    (void)state;
    struct pty p;
    struct wn_error err = {0};
    char buf[8];
    size_t got;
    pty_open(&p);
    struct wn_link *l = must_open(p.path);
    pty_write_master(&p, "old\n", 4);
    pty_wait(l->ops->fd(l), POLLIN);
    l->ops->flush(l);
    assert_int_equal(l->ops->read(l, buf, sizeof buf, &got, &err), WN_OK);
    assert_int_equal(got, 0);
    pty_write_master(&p, "new\n", 4);
    pty_read_link(l, buf, 4);
    assert_memory_equal(buf, "new\n", 4);
    l->ops->close(l);
    pty_close(&p);
}

static void a_stable_name_is_resolved_at_every_open(void **state)
{
    (void)state;
    struct pty a, b;
    char dir[] = "/tmp/wn-serial-XXXXXX", name[64], buf[2];
    struct wn_error err = {0};
    size_t put;
    assert_non_null(mkdtemp(dir));
    (void)snprintf(name, sizeof name, "%s/by-id", dir);
    pty_open(&a);
    pty_open(&b);
    const struct pty *both[] = {&a, &b};
    for (int i = 0; i < 2; i++) {
        (void)unlink(name);
        assert_int_equal(symlink(both[i]->path, name), 0);
        struct wn_link *l = must_open(name);
        assert_int_equal(l->ops->write(l, "x\n", 2, &put, &err), WN_OK);
        pty_read_master(both[i], buf, 2);
        l->ops->close(l);
    }
    pty_close(&b);
    struct wn_link *l = NULL;
    assert_int_equal(open_path(&l, name, &err),
                     WN_ENOENT); /* the link is still there, its port is not */
    assert_non_null(strstr(err.text, name));
    pty_close(&a);
    assert_int_equal(unlink(name), 0);
    assert_int_equal(rmdir(dir), 0);
}

static void refused(const char *path, int code, const char *words)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    int rc = open_path(&l, path, &err);
    if (rc != code || err.code != code || strstr(err.text, path) == NULL ||
        strstr(err.text, words) == NULL) {
        fail_msg("%s: %d, %s", path, rc, err.text);
    }
    assert_null(l);
}

static void what_is_no_port_is_refused(void **state)
{
    (void)state;
    char dir[] = "/tmp/wn-serial-XXXXXX", name[64];
    assert_non_null(mkdtemp(dir));
    refused(dir, WN_EINVAL, "no serial port");
    (void)snprintf(name, sizeof name, "%s/nothing", dir);
    refused(name, WN_ENOENT, "`wane ports`");
    (void)snprintf(name, sizeof name, "%s/pipe", dir);
    assert_int_equal(mkfifo(name, 0600), 0);
    refused(name, WN_EINVAL, "no serial port");
    assert_int_equal(unlink(name), 0);
    (void)snprintf(name, sizeof name, "%s/file", dir);
    int fd = open(name, O_CREAT | O_WRONLY, 0600);
    assert_true(fd >= 0);
    (void)close(fd);
    refused(name, WN_EINVAL, "no serial port");
    assert_int_equal(unlink(name), 0);
    assert_int_equal(rmdir(dir), 0);
    refused("/dev/null", WN_EINVAL, "no serial port");
    refused("/dev/null/port", WN_ENOENT, "does not exist");
}

static void settings_a_pty_cannot_take(void **state)
{
    (void)state;
    struct pty p;
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    struct wn_port_settings s;
    pty_open(&p);
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.bits = 7;
    s.parity = 'E'; /* the kernel keeps 8N1 on a pty and says nothing: only reading back shows it */
    assert_int_equal(wn_link_open(&l, &s, &err), WN_EINVAL);
    assert_non_null(strstr(err.text, "7E1"));
    wn_port_settings_init(&s, p.path, 9600, 'N', 1);
    s.rts = WN_LINE_ON;
    assert_int_equal(wn_link_open(&l, &s, &err), WN_ESTATE);
    assert_non_null(strstr(err.text, "RTS"));
    l = must_open(p.path);
    assert_int_equal(l->ops->set_line(l, WN_LINE_DTR, true, &err), WN_ESTATE);
    assert_non_null(strstr(err.text, "no modem lines"));
    pty_check_transparent(&p, l);
    l->ops->close(l);
    pty_close(&p);
}

static void settings_that_make_no_sense(void **state)
{
    (void)state;
    struct wn_port_settings s;
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    for (int i = 0; i < 5; i++) {
        wn_port_settings_init(&s, "/dev/none", 9600, 'N', 1);
        s.baud = i == 0 ? 0 : s.baud;
        s.bits = i == 1 ? 9 : s.bits;
        s.parity = i == 2 ? 'X' : s.parity;
        s.parity = i == 3 ? '\0' : s.parity;
        s.stop_bits = i == 4 ? 3 : s.stop_bits;
        assert_int_equal(wn_link_open(&l, &s, &err), WN_EINVAL);
        assert_non_null(strstr(err.text, "/dev/none"));
    }
}

/* Runs in a child as another user, who may neither open the port nor see our descriptors. Exit
 * code: which part went wrong. */
static int as_another_user(const char *path, const char *me, struct wn_link *inherited)
{
    struct wn_link *l = NULL;
    struct wn_error err = {0};
    char holder[128];
    inherited->ops->close(inherited);
    if (setegid(65534) != 0 || seteuid(65534) != 0) {
        return 1;
    }
    if (open_path(&l, path, &err) != WN_EACCESS || strstr(err.text, "dialout") == NULL) {
        return 2;
    }
    const char *who = wn_port_holder(path, holder, sizeof holder); /* through the lock */
    return who != NULL && strstr(who, me) != NULL ? 0 : 3;
}

static void another_user_is_told_the_remedy_and_the_holder(void **state)
{
    (void)state;
    struct pty p;
    char me[32];
    int status = -1;
    if (geteuid() != 0) {
        print_message("not root: cannot become another user\n");
        skip();
    }
    (void)snprintf(me, sizeof me, "(pid %d)", (int)getpid());
    pty_open(&p);
    assert_int_equal(chmod(p.path, 0600), 0);
    struct wn_link *l = must_open(p.path);
    pid_t child = fork();
    if (child == 0) {
        _exit(as_another_user(p.path, me, l));
    }
    assert_int_equal(waitpid(child, &status, 0), child);
    assert_true(WIFEXITED(status));
    assert_int_equal(WEXITSTATUS(status), 0);
    l->ops->close(l);
    pty_close(&p);
}

static void who_holds_a_port(void **state)
{
    (void)state;
    struct pty p;
    char holder[128], me[32];
    (void)snprintf(me, sizeof me, "(pid %d)", (int)getpid());
    pty_open(&p);
    assert_null(wn_port_holder(p.path, holder, sizeof holder));
    struct wn_link *l = must_open(p.path);
    const char *who = wn_port_holder(p.path, holder, sizeof holder);
    assert_non_null(who);
    assert_non_null(strstr(who, me));
    l->ops->close(l);
    assert_null(wn_port_holder(p.path, holder, sizeof holder));
    pty_close(&p);
}

static const char name_of_station[] = "wane-station", name_of_guard[] = "wane-guard";

/* A process called so, with the arguments of a station, that has our descriptors until it is told
 * to end: this program again. */
static pid_t start_called(const char *name, int *tell)
{
    int ready[2], end[2];
    char c;
    assert_int_equal(pipe2(ready, O_CLOEXEC), 0);
    assert_int_equal(pipe2(end, O_CLOEXEC), 0);
    pid_t pid = fork();
    if (pid == 0) {
        (void)dup2(end[0], STDIN_FILENO);
        (void)dup2(ready[1], STDOUT_FILENO);
        (void)execl("/proc/self/exe", name, "--config", "waned.conf", "--station", "B2", NULL);
        _exit(127);
    }
    assert_int_equal(close(ready[1]), 0);
    assert_int_equal(close(end[0]), 0);
    assert_int_equal(read(ready[0], &c, 1), 1);
    assert_int_equal(close(ready[0]), 0);
    *tell = end[1];
    return pid;
}

static int act(const char *name)
{
    char c;
    (void)prctl(PR_SET_NAME, name);
    return write(STDOUT_FILENO, "r", 1) == 1 && read(STDIN_FILENO, &c, 1) == 0 ? 0 : 1;
}

static void end_called(pid_t pid, int tell)
{
    int status = -1;
    assert_int_equal(close(tell), 0);
    assert_int_equal(waitpid(pid, &status, 0), pid);
    assert_int_equal(status, 0);
}

/* The guard has every port of its stations, too. */
static void a_station_is_named_before_its_guard(void **state)
{
    (void)state;
    struct pty p;
    char holder[128], want[64];
    int tell[2];
    pty_open(&p);
    int fd = open(p.path, O_RDWR | O_NOCTTY); /* inherited */
    assert_true(fd >= 0);
    pid_t guard = start_called(name_of_guard, &tell[0]);
    pid_t station = start_called(name_of_station, &tell[1]);
    assert_int_equal(close(fd), 0);
    (void)snprintf(want, sizeof want, "station B2 (pid %d)", (int)station);
    assert_string_equal(wn_port_holder(p.path, holder, sizeof holder), want);
    end_called(station, tell[1]);
    (void)snprintf(want, sizeof want, "wane-guard (pid %d)", (int)guard);
    assert_string_equal(wn_port_holder(p.path, holder, sizeof holder), want);
    end_called(guard, tell[0]);
    assert_null(wn_port_holder(p.path, holder, sizeof holder));
    pty_close(&p);
}

int main(int argc, char **argv)
{
    if (argc == 5 && strcmp(argv[3], "--station") == 0) {
        return act(argv[0]);
    }
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(every_byte_passes_both_ways),
        cmocka_unit_test(a_hang_up_is_gone_not_silence),
        cmocka_unit_test(meddling_is_no_hang_up),
        cmocka_unit_test(a_full_peer_takes_what_it_can),
        cmocka_unit_test(a_port_is_held_by_one),
        cmocka_unit_test(the_descriptor_is_private_and_raw),
        cmocka_unit_test(flush_throws_away_both_ways),
        cmocka_unit_test(a_stable_name_is_resolved_at_every_open),
        cmocka_unit_test(what_is_no_port_is_refused),
        cmocka_unit_test(settings_a_pty_cannot_take),
        cmocka_unit_test(settings_that_make_no_sense),
        cmocka_unit_test(another_user_is_told_the_remedy_and_the_holder),
        cmocka_unit_test(who_holds_a_port),
        cmocka_unit_test(a_station_is_named_before_its_guard),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Virtual bench: the program with several instruments: real terminals, files, plugs and signals.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _XOPEN_SOURCE 700
#include <dirent.h>
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <termios.h>
#include <unistd.h>

#include "support/near.h"
#include "virtual_bench/modbus_server.h"

enum { LIMIT_MS = 20000, ARGS = 24 };

static char dir[] = "/tmp/wane-bench.XXXXXX";
static pid_t child;
static int child_out, child_err;

static const char *in_dir(const char *name)
{
    static char path[4][300];
    static int n;
    n = (n + 1) % 4;
    (void)snprintf(path[n], sizeof path[n], "%s/%s", dir, name);
    return path[n];
}

/* Blank-separated arguments; "%" stands for the directory. */
static void start(const char *arguments)
{
    static char text[1500];
    char program[300];
    char *args[ARGS] = {program};
    int out[2];
    int err[2];
    size_t n = 0;
    int count = 1;

    (void)snprintf(program, sizeof program, "%s/wane-virtual-bench", getenv("WANE_BIN_DIR"));
    for (const char *c = arguments; *c != '\0'; c++) {
        n += *c == '%' ? (size_t)snprintf(&text[n], sizeof text - n, "%s", dir) : 1;
        text[n - 1] = *c == '%' ? text[n - 1] : *c;
        assert_true(n < sizeof text - 64);
    }
    text[n] = '\0';
    for (char *at = text; *at != '\0';) {
        char *end = strchr(at, ' ');
        assert_true(count < ARGS - 1);
        args[count++] = at;
        if (end == NULL) {
            break;
        }
        *end = '\0';
        at = end + 1;
    }
    assert_int_equal(pipe(out), 0);
    assert_int_equal(pipe(err), 0);
    child = fork();
    assert_true(child >= 0);
    if (child == 0) {
        (void)dup2(out[1], 1);
        (void)dup2(err[1], 2);
        (void)execv(program, args);
        _exit(127);
    }
    (void)close(out[1]);
    (void)close(err[1]);
    child_out = out[0];
    child_err = err[0];
}

static bool readable(int fd)
{
    struct pollfd p = {.fd = fd, .events = POLLIN};
    return poll(&p, 1, LIMIT_MS) == 1;
}

/* Reads until the text has come, or the end. */
static void read_until(int fd, const char *text, char *got, size_t size)
{
    size_t n = 0;

    got[0] = '\0';
    while (n < size - 1 && (text == NULL || strstr(got, text) == NULL)) {
        ssize_t k;
        assert_true(readable(fd));
        k = read(fd, &got[n], size - 1 - n);
        if (k <= 0) {
            break;
        }
        n += (size_t)k;
        got[n] = '\0';
    }
}

static int finish(void)
{
    int status;
    assert_int_equal(waitpid(child, &status, 0), child);
    (void)close(child_out);
    (void)close(child_err);
    child = 0;
    assert_true(WIFEXITED(status));
    return WEXITSTATUS(status);
}

static void greeting(void)
{
    char got[2000];
    read_until(child_out, "SIMULATED.\n", got, sizeof got);
    assert_non_null(strstr(got, "SIMULATED.\n"));
}

static void slurp(const char *name, char *got, size_t size)
{
    int fd = open(in_dir(name), O_RDONLY);
    assert_true(fd >= 0);
    read_until(fd, NULL, got, size);
    (void)close(fd);
}

static int dial(const char *name)
{
    int fd = open(in_dir(name), O_RDWR | O_NOCTTY);
    assert_true(fd >= 0);
    return fd;
}

static const char *ask(int fd, const char *line)
{
    static char got[500];
    assert_int_equal(write(fd, line, strlen(line)), strlen(line));
    read_until(fd, "\n", got, sizeof got);
    return got;
}

static void test_whole_bench(void **state)
{
    static const char coil[] = "\x01\x05\x00\x00\xff\x00\x8c\x3a";
    char got[2000];
    int supply;
    int load;
    int warm;
    int relay;

    (void)state;
    start("--supply %/supply --load %/load,unit --thermometer %/warm,delay-ms=1,piece=2,pause-ms=1 "
          "--modbus-relay %/relay --speed 10 --output-log %/out.csv --truth %/truth.csv");
    greeting();
    supply = dial("supply");
    load = dial("load");
    warm = dial("warm");
    relay = dial("relay");
    assert_non_null(strstr(ask(supply, "*IDN?\n"), "virtual supply,SIMULATED"));
    assert_non_null(strstr(ask(load, "*IDN?\n"), "virtual load,SIMULATED"));
    assert_non_null(strstr(ask(warm, "*IDN?\n"), "virtual thermometer,SIMULATED-1,0\n"));
    assert_int_equal(write(relay, coil, 8), 8);
    for (size_t n = 0; n < 8;) {
        ssize_t k;
        assert_true(readable(relay));
        k = read(relay, &got[n], sizeof got - n);
        assert_true(k > 0);
        n += (size_t)k;
    }
    assert_memory_equal(got, coil, 8); /* a write of one coil comes back as it was */
    assert_string_equal(ask(supply, "SOUR:VOLT 4.2;CURR 1;:OUTP ON;OUTP?\n"), "1\n");
    assert_string_equal(ask(load, "LOAD:CURR 1;:INP ON;INP?\n"), "1\n");
    slurp("out.csv", got, sizeof got); /* told before the reply */
    assert_non_null(strstr(got, "host_s,output,time_s,what\n"));
    assert_non_null(strstr(got, ",modbus-relay\n"));
    assert_non_null(strstr(got, ",BOTH CONNECTED,"));
    assert_int_equal(kill(child, SIGTERM), 0);
    read_until(child_err, NULL, got, sizeof got);
    assert_non_null(strstr(got, "BOTH CONNECTED"));
    assert_int_equal(finish(), 0);
    slurp("out.csv", got, sizeof got);
    assert_non_null(strstr(strstr(got, "BOTH CONNECTED"), ",load\n")); /* off with the program */
    assert_int_equal(readlink(in_dir("supply"), got, sizeof got), -1);
    (void)close(supply);
    (void)close(load);
    (void)close(warm);
    (void)close(relay);
}

/* The line goes away under an open client, and comes back behind the same link. */
static void test_unplug(void **state)
{
    char got[500];
    int fd;

    (void)state;
    start("--load %/load,unplug@3,away-ms=100,identity-after=OTHER --speed 10 "
          "--fault-log %/fault.csv");
    greeting();
    fd = dial("load");
    assert_non_null(strstr(ask(fd, "*IDN?\n"), "virtual load"));
    read_until(fd, NULL, got, sizeof got); /* ends with the hangup */
    assert_string_equal(got, "");
    (void)close(fd);
    for (int n = 0; n < LIMIT_MS / 10; n++) { /* an event that nobody announces */
        fd = open(in_dir("load"), O_RDWR | O_NOCTTY);
        if (fd >= 0) {
            break;
        }
        (void)poll(NULL, 0, 10);
    }
    assert_true(fd >= 0);
    assert_string_equal(ask(fd, "*IDN?\n"), "OTHER\n");
    slurp("fault.csv", got, sizeof got);
    assert_non_null(strstr(got, ",load:unplug\n"));
    assert_int_equal(kill(child, SIGTERM), 0);
    assert_int_equal(finish(), 0);
    (void)close(fd);
}

static void test_talking(void **state)
{
    char got[3000];
    int a;
    int b;

    (void)state;
    start("--talker %/talker,start-s=1 --talking-thermometer %/warm,terminator=crlf --speed 100");
    greeting();
    a = dial("talker");
    b = dial("warm");
    read_until(a, ";C;", got, sizeof got);
    assert_non_null(strstr(got, ";C;"));
    read_until(b, "\r\n", got, sizeof got);
    assert_non_null(strstr(got, "\r\n"));
    assert_int_equal(kill(child, SIGTERM), 0);
    assert_int_equal(finish(), 0);
    (void)close(a);
    (void)close(b);
}

/* What is said of a wrong command line. */
static void complains(const char *arguments, const char *about)
{
    char got[1000];

    start(arguments);
    read_until(child_err, NULL, got, sizeof got);
    assert_int_equal(finish(), 2);
    if (strstr(got, about) == NULL) {
        fail_msg("%s: said \"%s\"", arguments, got);
    }
}

static void test_command_line(void **state)
{
    char got[12000];

    (void)state;
    complains("--supply", "--supply");
    complains("--supply ,echo", "LINK");
    complains("--supply %/s,ecko", "\"ecko\": no such switch");
    complains("--supply %/s,outputs=7", "from 1 to 3");
    complains("--supply %/s,cell=2", "--cells");
    complains("--supply %/s --pace 3", "--speed");
    complains("--speed 3", "--tester");
    complains("--supply %/s --cells 4", "from 1 to 3");
    complains("--load %/s,terminator=xx", "lf cr crlf");
    start("--help");
    read_until(child_out, NULL, got, sizeof got);
    assert_int_equal(finish(), 0);
    assert_non_null(strstr(got, "--modbus-thermometer"));
    assert_non_null(strstr(got, "identity-after=TEXT"));
}

static int prepare(void **state)
{
    (void)state;
    return mkdtemp(dir) != NULL && getenv("WANE_BIN_DIR") != NULL ? 0 : -1;
}

static int end_child(void **state)
{
    (void)state;
    if (child > 0) {
        (void)kill(child, SIGKILL);
        (void)waitpid(child, NULL, 0);
        child = 0;
    }
    return 0;
}

static int remove_dir(void **state)
{
    DIR *d = opendir(dir);
    struct dirent *e;

    (void)state;
    while (d != NULL && (e = readdir(d)) != NULL) {
        (void)unlink(in_dir(e->d_name));
    }
    if (d != NULL) {
        (void)closedir(d);
    }
    return rmdir(dir);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_teardown(test_whole_bench, end_child),
        cmocka_unit_test_teardown(test_unplug, end_child),
        cmocka_unit_test_teardown(test_talking, end_child),
        cmocka_unit_test_teardown(test_command_line, end_child),
    };
    return cmocka_run_group_tests(tests, prepare, remove_dir) != 0;
}

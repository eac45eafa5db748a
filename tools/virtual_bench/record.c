/* Virtual bench: the files it writes: the cell's truth and the log of its output.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "virtual_bench/record.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/num.h"

static int write_line(int fd, const char *path, const char *line, size_t len, struct wn_error *err)
{
    ssize_t n = write(fd, line, len);

    if (n == (ssize_t)len) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EIO, "%s: %s; a line is lost", path,
                        n < 0 ? strerror(errno) : "written in part");
}

int wn_record_open(const char *path, const char *header, int *fd, struct wn_error *err)
{
    struct stat st;

    *fd = open(path, O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0666);
    if (*fd < 0 || fstat(*fd, &st) != 0) {
        return wn_error_set(err, WN_EIO, "%s: %s", path, strerror(errno));
    }
    return st.st_size == 0 ? write_line(*fd, path, header, strlen(header), err) : WN_OK;
}

/* Values of one line, with a comma between. */
struct line {
    char text[400];
    size_t len;
};

static void put(struct line *l, double value, int decimals)
{
    char buf[WN_NUM_SIZE];
    int n = snprintf(&l->text[l->len], sizeof l->text - l->len, "%s%s", l->len > 0 ? "," : "",
                     wn_num_fixed(value, decimals, buf, sizeof buf));
    l->len += n > 0 ? (size_t)n : 0;
}

static int finish(struct line *l, int fd, const char *path, struct wn_error *err)
{
    l->text[l->len++] = '\n';
    return write_line(fd, path, l->text, l->len, err);
}

int wn_record_truth(int fd, const char *path, const struct wn_tester_truth *t, struct wn_error *err)
{
    struct line l = {.len = 0};

    put(&l, (double)t->discharge, 0);
    put(&l, t->capacity_ah, 7);
    put(&l, t->cutoff_v, 4);
    put(&l, t->current_a, 4);
    put(&l, t->charge_in_ah, 7);
    put(&l, t->temperature_max_c, 2);
    put(&l, t->delivered_ah, 7);
    put(&l, t->time_s, 6);
    put(&l, t->wear, 4);
    return finish(&l, fd, path, err);
}

int wn_record_fault(int fd, const char *path, wn_ns boottime_ns, const struct wn_tester_plan *plan,
                    struct wn_error *err)
{
    struct line l = {.len = 0};

    put(&l, wn_ns_to_s(boottime_ns), 6);
    put(&l, wn_ns_to_s(plan->time_ns), 6);
    l.len += (size_t)snprintf(&l.text[l.len], sizeof l.text - l.len - 1, ",%s", plan->text);
    return finish(&l, fd, path, err);
}

int wn_record_output(int fd, const char *path, wn_ns boottime_ns, bool on, wn_ns bench_ns,
                     struct wn_error *err)
{
    struct line l = {.len = 0};

    put(&l, wn_ns_to_s(boottime_ns), 6);
    put(&l, on ? 1 : 0, 0);
    put(&l, wn_ns_to_s(bench_ns), 6);
    return finish(&l, fd, path, err);
}

int wn_record_event(int fd, const char *path, wn_ns boottime_ns, const char *happened,
                    wn_ns bench_ns, const char *what, struct wn_error *err)
{
    struct line l = {.len = 0};

    put(&l, wn_ns_to_s(boottime_ns), 6);
    l.len += (size_t)snprintf(&l.text[l.len], 40, ",%.30s", happened);
    put(&l, wn_ns_to_s(bench_ns), 6);
    l.len += (size_t)snprintf(&l.text[l.len], 200, ",%.190s", what);
    return finish(&l, fd, path, err);
}

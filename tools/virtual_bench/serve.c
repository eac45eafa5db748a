/* Virtual bench: the program's loop for several instruments.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* ppoll */
#include "virtual_bench/serve.h"

#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "virtual_bench/pty.h"
#include "virtual_bench/record.h"

struct server {
    const struct wn_bench_options *o;
    const struct wn_clock *clock;
    struct wn_bench bench;
    struct wn_pty pty[WN_BENCH_INSTS_MAX];
    bool open[WN_BENCH_INSTS_MAX];
    int line[WN_BENCH_INSTS_MAX]; /* the instrument whose terminal this one is on */
    int truth_fd[WN_BENCH_CELLS_MAX], output_fd, fault_fd;
    char truth[WN_BENCH_CELLS_MAX][WN_OPTIONS_LINK + 16];
    int faults_logged;
};

static void complain(int rc, const struct wn_error *err)
{
    if (rc != WN_OK) {
        (void)fprintf(stderr, "wane-virtual-bench: %s\n", err->text);
    }
}

static int open_port(struct server *s, int n, struct wn_error *err)
{
    const char *link = s->o->inst[n].link;
    int rc = wn_pty_open(&s->pty[n], link[0] != '\0' ? link : NULL, err);

    s->open[n] = rc == WN_OK;
    return rc;
}

/* Each cell's truth has a file: FILE, FILE.2, FILE.3. */
static int open_files(struct server *s, struct wn_error *err)
{
    const struct wn_bench_options *o = s->o;
    int rc = WN_OK;

    s->output_fd = s->fault_fd = -1;
    for (int k = 0; k < WN_BENCH_CELLS_MAX; k++) {
        s->truth_fd[k] = -1;
        if (rc == WN_OK && o->truth != NULL && k < s->bench.cells) {
            char number[16] = "";
            if (k > 0) {
                (void)snprintf(number, sizeof number, ".%d", k + 1);
            }
            (void)snprintf(s->truth[k], sizeof s->truth[k], "%.255s%s", o->truth, number);
            rc = wn_record_open(s->truth[k], WN_RECORD_TRUTH_HEADER, &s->truth_fd[k], err);
        }
    }
    if (rc == WN_OK && o->output_log != NULL) {
        rc = wn_record_open(o->output_log, WN_RECORD_EVENT_HEADER, &s->output_fd, err);
    }
    if (rc == WN_OK && o->fault_log != NULL) {
        rc = wn_record_open(o->fault_log, WN_RECORD_FAULT_HEADER, &s->fault_fd, err);
    }
    return rc;
}

static void log_fault(struct server *s, int64_t time_ns, const char *text)
{
    struct wn_tester_plan plan = {.time_ns = time_ns};
    struct wn_error err = {0};

    (void)snprintf(plan.text, sizeof plan.text, "%.*s", (int)sizeof plan.text - 1, text);
    if (s->fault_fd >= 0) {
        complain(wn_record_fault(s->fault_fd, s->o->fault_log, s->clock->ops->boottime(s->clock),
                                 &plan, &err),
                 &err);
    }
}

static void log_output(struct server *s, const char *happened, int64_t time_ns, const char *what)
{
    struct wn_error err = {0};

    if (s->output_fd >= 0) {
        complain(wn_record_event(s->output_fd, s->o->output_log, s->clock->ops->boottime(s->clock),
                                 happened, time_ns, what, &err),
                 &err);
    }
}

/* Whatever happened, the files tell it before the client knows. */
static void record(struct server *s)
{
    const struct wn_tester *first = &s->bench.world[0];
    struct wn_bench_event e;
    struct wn_tester_truth truth;
    struct wn_error err = {0};

    while (wn_bench_take_event(&s->bench, &e)) {
        switch (e.what) {
        case WN_BENCH_OPENED:
            log_output(s, "0", e.time_ns, e.text);
            break;
        case WN_BENCH_CLOSED:
            log_output(s, "1", e.time_ns, e.text);
            break;
        case WN_BENCH_BOTH:
            (void)fprintf(stderr, "wane-virtual-bench: BOTH CONNECTED, %s\n", e.text);
            log_output(s, "BOTH CONNECTED", e.time_ns, e.text);
            break;
        case WN_BENCH_FAULT:
            log_fault(s, e.time_ns, e.text);
            break;
        }
    }
    for (; s->faults_logged < first->plans_done; s->faults_logged++) {
        log_fault(s, first->setup.plan[s->faults_logged].time_ns,
                  first->setup.plan[s->faults_logged].text);
    }
    for (int k = 0; k < s->bench.cells; k++) {
        while (wn_tester_take_truth(&s->bench.world[k], &truth)) {
            if (s->truth_fd[k] >= 0) {
                complain(wn_record_truth(s->truth_fd[k], s->truth[k], &truth, &err), &err);
            }
        }
    }
}

/* What is on a line all who are on it hear, but the one who says it. */
static void hear(struct server *s, int line, int sayer, wn_ns now_ns, const char *bytes, size_t n)
{
    for (int k = 0; k < s->bench.insts; k++) {
        if (s->line[k] == line && k != sayer) {
            wn_inst_feed(&s->bench.inst[k], now_ns, bytes, n);
        }
    }
}

/* A client that does not read loses bytes, as on a line without handshake. */
static void send_out(struct server *s, wn_ns now_ns)
{
    char out[4096];
    size_t n;

    for (int k = 0; k < s->bench.insts; k++) {
        while ((n = wn_inst_take(&s->bench.inst[k], now_ns, out, sizeof out)) > 0) {
            int at = s->line[k];
            if (s->open[at] && write(s->pty[at].master, out, n) != (ssize_t)n) {
                s->bench.inst[k].lost++;
            }
            hear(s, at, k, now_ns, out, n);
        }
    }
}

/* An instrument whose line is away has no terminal; its return makes a new one behind the link. */
static int plug(struct server *s, struct wn_error *err)
{
    for (int k = 0; k < s->bench.insts; k++) {
        if (s->line[k] != k) {
            continue;
        }
        if (s->bench.inst[k].away && s->open[k]) {
            wn_pty_close(&s->pty[k]);
            s->open[k] = false;
        } else if (!s->bench.inst[k].away && !s->open[k]) {
            int rc = open_port(s, k, err);
            if (rc != WN_OK) {
                return rc;
            }
        }
    }
    return WN_OK;
}

static bool wait_in(struct server *s, struct pollfd *p, const sigset_t *unblocked)
{
    wn_ns now_ns = wn_clock_monotonic(s->clock);
    wn_ns until_ns = wn_bench_deadline(&s->bench);
    struct timespec span = {0};

    for (int k = 0; k < s->bench.insts; k++) {
        p[k] = (struct pollfd){.fd = s->open[k] ? s->pty[k].master : -1, .events = POLLIN};
    }
    if (until_ns != INT64_MAX) {
        wn_ns left_ns = until_ns > now_ns ? until_ns - now_ns : 0;
        span.tv_sec = left_ns / WN_NS_PER_S;
        span.tv_nsec = left_ns % WN_NS_PER_S;
    }
    return ppoll(p, (nfds_t)s->bench.insts, until_ns != INT64_MAX ? &span : NULL, unblocked) >= 0;
}

static int work(struct server *s, const struct pollfd *p, struct wn_error *err)
{
    wn_ns now_ns = wn_clock_monotonic(s->clock);
    char in[4096];

    wn_bench_run(&s->bench, now_ns);
    for (int k = 0; k < s->bench.insts; k++) {
        ssize_t n = s->open[k] && p[k].revents != 0 ? read(s->pty[k].master, in, sizeof in) : 0;
        if (n > 0) {
            hear(s, k, -1, now_ns, in, (size_t)n);
        } else if (n < 0 && errno != EAGAIN && errno != EINTR) {
            return wn_error_set(err, WN_EIO, "%s: %s", s->pty[k].path, strerror(errno));
        }
    }
    record(s);
    send_out(s, now_ns);
    return plug(s, err);
}

static void greet(const struct server *s)
{
    for (int k = 0; k < s->bench.insts; k++) {
        (void)printf("%s: %s %s\n", s->bench.inst[k].setup.name, s->pty[s->line[k]].path,
                     s->o->inst[s->line[k]].link);
    }
    (void)printf("cell: %s (%s)\nseed: %" PRIu64 "\n", s->o->tester.cell.name,
                 s->o->tester.cell.about, s->o->tester.seed);
    (void)printf("Everything measured here is SIMULATED.\n");
    (void)fflush(stdout);
}

static int prepare(struct server *s, struct wn_error *err)
{
    int rc;

    wn_bench_init(&s->bench, &s->o->tester, (int)s->o->cells, s->o->speed);
    for (int k = 0; k < s->o->insts; k++) {
        if (wn_bench_add(&s->bench, &s->o->inst[k].setup) == NULL) {
            return wn_error_set(err, WN_ERANGE, "--%s: no room for its outputs",
                                wn_inst_kind_name(s->o->inst[k].setup.kind));
        }
        s->line[k] = s->o->inst[k].joins ? s->line[k - 1] : k;
    }
    rc = open_files(s, err);
    return rc == WN_OK ? plug(s, err) : rc;
}

static int loop(struct server *s, const sigset_t *unblocked, const volatile sig_atomic_t *ended,
                struct wn_error *err)
{
    struct pollfd p[WN_BENCH_INSTS_MAX];
    int rc = WN_OK;

    wn_bench_run(&s->bench, wn_clock_monotonic(s->clock));
    while (rc == WN_OK && !*ended) {
        if (wait_in(s, p, unblocked)) {
            rc = work(s, p, err);
        } else if (errno != EINTR) {
            rc = wn_error_set(err, WN_EIO, "ppoll: %s", strerror(errno));
        }
    }
    return rc;
}

/* No program, no current. */
static void switch_all_off(struct server *s)
{
    for (int k = 0; k < s->bench.insts; k++) {
        struct wn_inst *i = &s->bench.inst[k];
        i->setup.restore = i->setup.stuck = false;
        for (int n = 0; n < WN_INST_OUTPUTS_MAX; n++) {
            i->stage[n].stuck = false;
        }
        wn_inst_reset(i, s->bench.host_ns);
    }
    wn_bench_look(&s->bench);
    record(s);
}

int wn_serve(const struct wn_bench_options *o, const struct wn_clock *clock, const void *unblocked,
             const volatile sig_atomic_t *ended)
{
    static struct server s;
    struct wn_error err = {0};
    int rc;

    s.o = o;
    s.clock = clock;
    rc = prepare(&s, &err);
    if (rc == WN_OK) {
        greet(&s);
        rc = loop(&s, unblocked, ended, &err);
        switch_all_off(&s);
    }
    complain(rc, &err);
    for (int k = 0; k < WN_BENCH_INSTS_MAX; k++) {
        if (s.open[k]) {
            wn_pty_close(&s.pty[k]);
        }
    }
    return rc == WN_OK ? 0 : 1;
}

/* Virtual bench: the program: bytes from the pseudo-terminal to the tester and back.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE /* ppoll */
#include <errno.h>
#include <inttypes.h>
#include <math.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "base/num.h"
#include "port/clock.h"
#include "virtual_bench/options.h"
#include "virtual_bench/pty.h"
#include "virtual_bench/record.h"
#include "virtual_bench/serve.h"

struct bench {
    struct wn_bench_options options;
    struct wn_tester tester;
    struct wn_pty pty;
    const struct wn_clock *clock;
    int truth_fd, output_fd, fault_fd;
    int faults_logged;
    bool output_logged;
    struct wn_scpi_input line;
    char in[4096];
    size_t in_len, in_at;
    char out[4 * WN_TESTER_REPLY_SIZE];
    size_t out_len;
    bool cut;      /* the end of a reply was lost: begin the next one on a line of its own */
    wn_ns hold_ns; /* nothing is read or written before (pace) */
};

static volatile sig_atomic_t ended;

static void on_signal(int number)
{
    (void)number;
    ended = 1;
}

static void complain(const struct wn_error *err)
{
    (void)fprintf(stderr, "wane-virtual-bench: %s\n", err->text);
}

static void log_output(struct bench *b, bool on)
{
    struct wn_error err = {0};

    b->output_logged = on;
    if (b->output_fd >= 0 &&
        wn_record_output(b->output_fd, b->options.output_log, b->clock->ops->boottime(b->clock), on,
                         b->tester.time_ns, &err) != WN_OK) {
        complain(&err);
    }
}

/* Whatever happened to the tester, the files tell it before the client knows. */
static void record(struct bench *b)
{
    struct wn_tester_truth truth;
    struct wn_error err = {0};

    if (b->tester.relay != b->output_logged) {
        log_output(b, b->tester.relay);
    }
    for (; b->faults_logged < b->tester.plans_done; b->faults_logged++) {
        if (b->fault_fd >= 0 &&
            wn_record_fault(b->fault_fd, b->options.fault_log, b->clock->ops->boottime(b->clock),
                            &b->tester.setup.plan[b->faults_logged], &err) != WN_OK) {
            complain(&err);
        }
    }
    while (wn_tester_take_truth(&b->tester, &truth)) {
        if (b->truth_fd >= 0 &&
            wn_record_truth(b->truth_fd, b->options.truth, &truth, &err) != WN_OK) {
            complain(&err);
        }
    }
}

/* A client that does not read loses replies, as on a line without handshake. */
static void flush_out(struct bench *b)
{
    ssize_t n;

    if (b->out_len == 0) {
        return;
    }
    n = write(b->pty.master, b->out, b->out_len);
    if (n != (ssize_t)b->out_len) {
        b->cut = b->cut || n > 0;
        wn_tester_unread(&b->tester);
    }
    b->out_len = 0;
}

static void execute(struct bench *b, wn_ns now_ns)
{
    wn_ns before_ns = b->tester.time_ns;
    size_t len;

    if (sizeof b->out - b->out_len < WN_TESTER_REPLY_SIZE + 2) {
        flush_out(b);
    }
    if (b->cut) {
        b->out[b->out_len++] = '\n';
        b->cut = false;
    }
    len = wn_tester_execute(&b->tester, b->line.text, b->line.len, &b->out[b->out_len]);
    if (len > 0) {
        b->out_len += len;
        b->out[b->out_len++] = '\n';
    }
    record(b);
    if (b->options.pace > 0.0) {
        wn_ns from_ns = b->hold_ns > now_ns ? b->hold_ns : now_ns;
        b->hold_ns =
            from_ns + wn_ns_from_s(wn_ns_to_s(b->tester.time_ns - before_ns) / b->options.pace);
        wn_tester_heard(&b->tester, b->hold_ns); /* it is us who are silent until then */
    }
}

/* Handles what has been read, until it must hold back. */
static void work(struct bench *b, wn_ns now_ns)
{
    bool ready;
    bool overrun;

    while (b->in_at < b->in_len && b->hold_ns <= now_ns) {
        b->in_at +=
            wn_scpi_input_take(&b->line, &b->in[b->in_at], b->in_len - b->in_at, &ready, &overrun);
        if (overrun) {
            wn_tester_overrun(&b->tester);
        }
        if (ready) {
            execute(b, now_ns);
            wn_scpi_input_done(&b->line);
        }
    }
    if (b->hold_ns <= now_ns) {
        flush_out(b);
    }
}

/* False when the terminal is broken. */
static bool read_in(struct bench *b, wn_ns now_ns)
{
    ssize_t n = read(b->pty.master, b->in, sizeof b->in);

    if (n <= 0) {
        return n < 0 && (errno == EAGAIN || errno == EINTR);
    }
    b->in_at = 0;
    b->in_len = (size_t)n;
    wn_tester_heard(&b->tester, now_ns);
    return true;
}

/* Waits for input or the next thing to do by time; false when interrupted or broken. */
static bool wait_in(struct bench *b, const sigset_t *unblocked, bool *readable)
{
    struct pollfd p = {.fd = b->pty.master, .events = POLLIN};
    wn_ns now_ns = wn_clock_monotonic(b->clock);
    wn_ns until_ns = wn_tester_silence_deadline(&b->tester);
    bool holding = b->out_len > 0 || b->in_at < b->in_len; /* even when the time has just come */
    struct timespec span = {0};
    int rc;

    if (holding) {
        p.fd = -1; /* ignored */
        until_ns = b->hold_ns < until_ns ? b->hold_ns : until_ns;
    }
    if (until_ns != WN_NS_NEVER) {
        wn_ns left_ns = until_ns > now_ns ? until_ns - now_ns : 0;
        span.tv_sec = left_ns / WN_NS_PER_S;
        span.tv_nsec = left_ns % WN_NS_PER_S;
    }
    rc = ppoll(&p, 1, until_ns != WN_NS_NEVER ? &span : NULL, unblocked);
    *readable = rc > 0 && !holding;
    return rc >= 0 || errno == EINTR;
}

static int serve(struct bench *b, const sigset_t *unblocked)
{
    struct wn_error err = {0};
    bool readable = false;

    while (!ended) {
        wn_ns now_ns;
        if (!wait_in(b, unblocked, &readable)) {
            (void)wn_error_set(&err, WN_EIO, "%s: %s", b->pty.path, strerror(errno));
            complain(&err);
            return 1;
        }
        now_ns = wn_clock_monotonic(b->clock);
        if (readable && !read_in(b, now_ns)) {
            (void)wn_error_set(&err, WN_EIO, "%s: the terminal is gone", b->pty.path);
            complain(&err);
            return 1;
        }
        if (now_ns >= wn_tester_silence_deadline(&b->tester)) {
            wn_tester_watch(&b->tester, now_ns);
            record(b);
        }
        work(b, now_ns);
    }
    return 0;
}

/* Signals are let in only while waiting: none can slip between a look at the flag and the wait. */
static void catch_signals(sigset_t *unblocked)
{
    struct sigaction act = {.sa_handler = on_signal};
    sigset_t blocked;

    (void)sigemptyset(&blocked);
    (void)sigaddset(&blocked, SIGTERM);
    (void)sigaddset(&blocked, SIGINT);
    (void)sigaddset(&blocked, SIGHUP);
    (void)sigprocmask(SIG_BLOCK, &blocked, unblocked);
    (void)sigdelset(unblocked, SIGTERM);
    (void)sigaction(SIGTERM, &act, NULL);
    (void)sigaction(SIGINT, &act, NULL);
    (void)sigaction(SIGHUP, &act, NULL);
}

static int open_files(struct bench *b, struct wn_error *err)
{
    int rc = WN_OK;

    if (b->options.truth != NULL) {
        rc = wn_record_open(b->options.truth, WN_RECORD_TRUTH_HEADER, &b->truth_fd, err);
    }
    if (rc == WN_OK && b->options.output_log != NULL) {
        rc = wn_record_open(b->options.output_log, WN_RECORD_OUTPUT_HEADER, &b->output_fd, err);
    }
    if (rc == WN_OK && b->options.fault_log != NULL) {
        rc = wn_record_open(b->options.fault_log, WN_RECORD_FAULT_HEADER, &b->fault_fd, err);
    }
    return rc == WN_OK ? wn_pty_open(&b->pty, b->options.link, err) : rc;
}

static void greet(const struct bench *b)
{
    (void)printf("port: %s\n", b->pty.path);
    if (b->options.link != NULL) {
        (void)printf("link: %s\n", b->options.link);
    }
    (void)printf("cell: %s (%s)\nseed: %" PRIu64 "\n", b->tester.setup.cell.name,
                 b->tester.setup.cell.about, b->tester.setup.seed);
    (void)printf("Everything measured here is SIMULATED.\n");
    (void)fflush(stdout);
}

int main(int argc, char **argv)
{
    static struct bench b;
    struct wn_error err = {0};
    sigset_t unblocked;
    int rc;

    if (wn_bench_options_read(&b.options, argc, argv, WANE_VERSION, &err) != WN_OK) {
        complain(&err);
        return 2;
    }
    if (b.options.help || b.options.version) {
        if (b.options.help) {
            wn_bench_help();
        } else {
            (void)printf("wane-virtual-bench %s\n", WANE_VERSION);
        }
        return 0;
    }
    catch_signals(&unblocked);
    b.clock = wn_clock_real();
    if (b.options.insts > 0) {
        return wn_serve(&b.options, b.clock, &unblocked, &ended);
    }
    b.truth_fd = b.output_fd = b.fault_fd = -1;
    wn_tester_init(&b.tester, &b.options.tester);
    if (open_files(&b, &err) != WN_OK) {
        complain(&err);
        return 1;
    }
    log_output(&b, false);
    greet(&b);
    rc = serve(&b, &unblocked);
    if (b.output_logged) {
        log_output(&b, false); /* no program, no current */
    }
    wn_pty_close(&b.pty);
    return rc;
}

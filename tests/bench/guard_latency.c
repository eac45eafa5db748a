/* How long it takes from the end of a station to the safe-off bytes on its port, over the real
 * guard. SPDX-License-Identifier: GPL-3.0-or-later
 *
 *   guard_latency [KILLS [STOPS]]     default 208 and 16
 *
 * Prints the distribution; ends with 1 when a kill took longer than the promise. WANE_BIN_DIR says
 * where the programs are. */
#define _POSIX_C_SOURCE 200809L
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "../unit/guard/stage.h"

enum { SAMPLES_MAX = 2000, BEAT_MS = 500 };

#define PROMISE_S 1.0

static bool all_registered(struct stage *s, void *ctx)
{
    (void)ctx;
    return stage_told(s, NULL, "registered", NULL, NULL) == s->stations;
}

static bool one_off(struct stage *s, void *ctx)
{
    (void)s;
    return ((const struct stage_station *)ctx)->offs > 0;
}

/* One guard with all its stations; each is put an end to once. Number of samples, -1 on failure. */
static int one_guard(int signal, double *sample_s, int most)
{
    static struct stage s;
    int n = 0;
    bool ok = stage_open(&s);
    for (int i = 0; ok && i < STAGE_STATIONS && i < most; i++) {
        (void)stage_add(&s, "good", "good", BEAT_MS);
    }
    ok = ok && stage_start(&s) && stage_until(&s, 30, all_registered, NULL);
    for (int i = 0; ok && i < s.stations; i++) {
        struct stage_station *a = &s.station[i];
        pid_t pid = 0;
        (void)stage_told(&s, a->name, "registered", &pid, NULL);
        a->offs = 0;
        int64_t from_ns = stage_now_ns();
        ok = pid > 0 && kill(pid, signal) == 0 && stage_until(&s, 10, one_off, a);
        if (ok) {
            sample_s[n++] = 1e-9 * (double)(a->off_ns - from_ns);
        }
    }
    if (!ok) {
        stage_show_log(&s);
    }
    stage_close(&s);
    return ok ? n : -1;
}

static int by_size(const void *a, const void *b)
{
    double x = *(const double *)a, y = *(const double *)b;
    return x < y ? -1 : x > y;
}

static int measure(const char *what, int signal, int wanted, double *worst_s)
{
    static double sample_s[SAMPLES_MAX];
    int n = 0;
    while (n < wanted) {
        int more = one_guard(signal, sample_s + n, wanted - n);
        if (more <= 0) {
            return 1;
        }
        n += more;
    }
    qsort(sample_s, (size_t)n, sizeof sample_s[0], by_size);
    (void)printf("%s: %d, min %.3f ms, median %.3f ms, p99 %.3f ms, max %.3f ms\n", what, n,
                 sample_s[0] * 1e3, sample_s[n / 2] * 1e3, sample_s[(n * 99 + 99) / 100 - 1] * 1e3,
                 sample_s[n - 1] * 1e3);
    *worst_s = sample_s[n - 1];
    return 0;
}

int main(int argc, char **argv)
{
    int kills = argc > 1 ? atoi(argv[1]) : 208, stops = argc > 2 ? atoi(argv[2]) : 16;
    double worst_s = 0, stopped_s = 0;
    if (kills < 1 || kills > SAMPLES_MAX || stops < 0 || stops > SAMPLES_MAX) {
        (void)fprintf(stderr, "usage: guard_latency [KILLS [STOPS]], at most %d\n", SAMPLES_MAX);
        return 2;
    }
    int rc = measure("SIGKILL of a station to its safe-off bytes", SIGKILL, kills, &worst_s);
    if (rc == 0 && stops > 0) {
        (void)printf("(beat limit %d ms)\n", BEAT_MS);
        rc = measure("SIGSTOP of a station to its safe-off bytes", SIGSTOP, stops, &stopped_s);
    }
    return rc != 0 || worst_s > PROMISE_S || stopped_s > PROMISE_S + BEAT_MS * 1e-3 ? 1 : 0;
}

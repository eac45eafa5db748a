/* wane-swarm: the whole station under a swarm of faults, seed after seed, in simulated time.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <getopt.h>
#include <inttypes.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "swarm/plant.h"
#include "swarm/sim.h"

enum { TAIL = 40, ENOUGH_SEEDS = 200, LINE_SIZE = 400 };

static const char help[] =
    "wane-swarm: the real station in simulated time under a swarm of faults\n\n"
    "  wane-swarm                      seeds from the date on, for a minute\n"
    "  wane-swarm --seconds N          for N seconds of wall time\n"
    "  wane-swarm --seeds FROM..TO     these seeds\n"
    "  wane-swarm --seed S [--trace]   one seed, with its whole story\n"
    "  wane-swarm ... --go-on          do not stop at the first seed that fails\n"
    "  wane-swarm --twice S            one seed twice: is it the same story?\n"
    "  wane-swarm --kept FILE          the seeds of a file, one a line with why it is kept\n\n"
    "WANE_SWARM_SEED and WANE_SWARM_SECONDS are the defaults of the first seed and of --seconds.\n";

static struct {
    uint64_t first, last; /* last 0: no end */
    double seconds;
    bool trace, twice, go_on;
    const char *kept;
} options;

static char scratch[64];
static uint64_t running;

static struct {
    long seeds, failed, cycles;
    double days;
    long injected[FAULTS];
} total;

static double cpu_s(void)
{
    return (double)clock() / CLOCKS_PER_SEC;
}

static double wall_s(void)
{
    struct timespec t;
    (void)timespec_get(&t, TIME_UTC);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

/* A broken assertion is a violated invariant as well: the seed and the story must not be lost. */
static void on_crash(int number)
{
    (void)printf("seed %" PRIu64 ": the program crashed (signal %d)\n", running, number);
    trace_tail(TAIL);
    (void)signal(number, SIG_DFL);
    (void)raise(number);
}

static bool run_seed(uint64_t seed, struct outcome *out)
{
    running = seed;
    swarm_run(seed, options.trace, scratch, out);
    total.seeds++;
    total.failed += out->ok ? 0 : 1;
    total.cycles += out->cycles;
    total.days += out->days;
    for (int f = 0; f < FAULTS; f++) {
        total.injected[f] += out->injected[f];
    }
    if (!out->ok && !options.trace) {
        trace_tail(TAIL);
        (void)printf("seed %" PRIu64 ": again with wane-swarm --seed %" PRIu64 " --trace\n", seed,
                     seed);
    }
    return out->ok;
}

static int report(double cpu_from_s)
{
    double used_s = cpu_s() - cpu_from_s;
    int never = 0;
    (void)printf("%ld seeds, %ld failed; %.2f days of %ld cycles in %.1f s of CPU: %.3f days/s\n",
                 total.seeds, total.failed, total.days, total.cycles, used_s,
                 used_s > 0 ? total.days / used_s : 0.0);
    for (int f = 0; f < FAULTS; f++) {
        (void)printf("  %-20s %ld\n", fault_name((enum fault)f), total.injected[f]);
        never += total.injected[f] == 0 ? 1 : 0;
    }
    truth_report();
    if (options.kept == NULL && total.seeds >= ENOUGH_SEEDS && never > 0) {
        (void)printf("%d kinds of fault never happened in %ld seeds: the swarm is lame\n", never,
                     total.seeds);
        return 1;
    }
    return total.failed > 0 ? 1 : 0;
}

static int run_kept(void)
{
    FILE *f = fopen(options.kept, "r");
    double cpu_from_s = cpu_s();
    char line[LINE_SIZE];
    struct outcome out;
    if (f == NULL) {
        perror(options.kept);
        return 2;
    }
    while (fgets(line, sizeof line, f) != NULL) {
        char *end = NULL;
        uint64_t seed = strtoull(line, &end, 10);
        if (line[0] != '#' && end != line) {
            (void)printf("seed %" PRIu64 ":%s", seed, end);
            (void)fflush(stdout);
            (void)run_seed(seed, &out);
        }
    }
    (void)fclose(f);
    return report(cpu_from_s);
}

static int run_twice(void)
{
    struct outcome first, second;
    (void)run_seed(options.first, &first);
    (void)run_seed(options.first, &second);
    (void)printf("seed %" PRIu64 ": %016" PRIx64 " and %016" PRIx64 "\n", options.first, first.hash,
                 second.hash);
    return first.hash == second.hash && first.ok && second.ok ? 0 : 1;
}

static int run_many(void)
{
    double until_s = wall_s() + options.seconds, cpu_from_s = cpu_s();
    struct outcome out;
    bool ok = true;
    (void)printf("first seed %" PRIu64 "\n", options.first);
    (void)fflush(stdout);
    for (uint64_t seed = options.first; ok || options.go_on; seed++) {
        bool over = options.last > 0 ? seed > options.last : wall_s() >= until_s;
        if (over) {
            break;
        }
        ok = run_seed(seed, &out);
    }
    return report(cpu_from_s);
}

static bool take_seeds(const char *text)
{
    char *end = NULL;
    options.first = strtoull(text, &end, 10);
    if (strncmp(end, "..", 2) != 0) {
        return false;
    }
    options.last = strtoull(end + 2, &end, 10);
    return *end == '\0' && options.last >= options.first;
}

static bool take_options(int argc, char **argv)
{
    static const struct option known[] = {{"seconds", required_argument, NULL, 's'},
                                          {"seeds", required_argument, NULL, 'r'},
                                          {"seed", required_argument, NULL, 'o'},
                                          {"trace", no_argument, NULL, 't'},
                                          {"twice", required_argument, NULL, '2'},
                                          {"kept", required_argument, NULL, 'k'},
                                          {"go-on", no_argument, NULL, 'g'},
                                          {"help", no_argument, NULL, 'h'},
                                          {NULL, 0, NULL, 0}};
    int o;
    while ((o = getopt_long(argc, argv, "h", known, NULL)) != -1) {
        switch (o) {
        case 's':
            options.seconds = strtod(optarg, NULL);
            break;
        case 'r':
            if (!take_seeds(optarg)) {
                return false;
            }
            break;
        case 'o':
        case '2':
            options.first = options.last = strtoull(optarg, NULL, 10);
            options.twice = o == '2';
            break;
        case 't':
            options.trace = true;
            break;
        case 'g':
            options.go_on = true;
            break;
        case 'k':
            options.kept = optarg;
            break;
        case 'h':
            (void)fputs(help, stdout);
            exit(0);
        default:
            return false;
        }
    }
    return optind == argc;
}

static bool make_scratch(void)
{
    const char *parent = access("/dev/shm", W_OK) == 0 ? "/dev/shm" : "/tmp";
    (void)snprintf(scratch, sizeof scratch, "%s/wane-swarm-XXXXXX", parent);
    if (mkdtemp(scratch) == NULL) {
        perror(scratch);
        return false;
    }
    return true;
}

int main(int argc, char **argv)
{
    const char *seed = getenv("WANE_SWARM_SEED"), *seconds = getenv("WANE_SWARM_SECONDS");
    time_t now = time(NULL);
    struct tm day;
    (void)gmtime_r(&now, &day);
    options.first =
        seed != NULL
            ? strtoull(seed, NULL, 10)
            : (uint64_t)((day.tm_year + 1900) * 10000 + (day.tm_mon + 1) * 100 + day.tm_mday) *
                  UINT64_C(100000);
    options.seconds = seconds != NULL ? strtod(seconds, NULL) : 60.0;
    if (!take_options(argc, argv)) {
        (void)fputs(help, stderr);
        return 2;
    }
    if (!make_scratch()) {
        return 2;
    }
    (void)signal(SIGABRT, on_crash);
    (void)signal(SIGSEGV, on_crash);
    int rc = options.kept != NULL ? run_kept() : options.twice ? run_twice() : run_many();
    (void)rmdir(scratch);
    return rc;
}

/* wane-swarm-fast: the engine and its envelope alone under a swarm of faults, years of campaigns in
 * seconds. SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <getopt.h>
#include <math.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "swarm/fast.h"

#define CPU_S        20.0
#define DAY_S        86400.0
#define HALTS_HEALED 8 /* what the faults have left behind may halt so often once more */

enum { ENOUGH_SEEDS = 1000 };

static const char help[] =
    "wane-swarm-fast: the engine alone in a fast world, under a swarm of faults\n\n"
    "  wane-swarm-fast                 seeds from the date on, for 20 s of CPU\n"
    "  wane-swarm-fast --seconds N     for N seconds of CPU\n"
    "  wane-swarm-fast --seeds FROM..TO\n"
    "  wane-swarm-fast --seed S [--trace]\n"
    "  wane-swarm-fast ... --healthy   without any fault: every seed must be uneventful\n"
    "  wane-swarm-fast ... --go-on     do not stop at the first seed that fails\n\n"
    "WANE_SWARM_SEED is the default of the first seed. Every eighth seed is without faults.\n";

static struct {
    uint64_t first, last; /* last 0: no end */
    double cpu_s;
    bool trace, go_on, healthy;
} options;

static struct {
    long seeds, failed, readings, cycles, whole_cycles, kills, outputs, finished, stopped, given_up;
    double days, running_days, plain_days, plain_cpu_s;
    long injected[FAST_FAULTS];
    int most_actions;
} total;

static struct fast world;
static void *memory;

static double cpu_s(void)
{
    return (double)clock() / CLOCKS_PER_SEC;
}

/* A broken assertion is a violated invariant as well: the seed and the story must not be lost. */
static void on_crash(int number)
{
    (void)printf("seed %" PRIu64 ": the program crashed (signal %d)\n", world.seed, number);
    fast_tell(&world);
    (void)fflush(stdout);
    (void)signal(number, SIG_DFL);
    (void)raise(number);
}

static bool over(const struct fast *w)
{
    enum wn_engine_state state = w->engine != NULL ? wn_engine_state(w->engine) : WN_ENGINE_IDLE;
    return state == WN_ENGINE_FINISHED || state == WN_ENGINE_STOPPED;
}

/* There is no way on but to end it: the operator does. */
static bool given_up(struct fast *w)
{
    struct wn_engine_view v;
    wn_engine_view(w->engine, &v);
    bool for_ever = strcmp(v.halt_rule, wn_rule_word(WN_RULE_STEP_TIMEOUT)) == 0 ||
                    strcmp(v.halt_rule, wn_rule_word(WN_RULE_CHARGE_OVERRUN)) == 0;
    if (FAST_STEPS_FORGIVEN || !for_ever) {
        return false;
    }
    w->given_up = true;
    fast_command(w, WN_EVENT_STOP);
    return true;
}

/* Everything works again and the operator does his part: the campaign comes to its end. */
static void run_healed(struct fast *w, double expected_s)
{
    wn_ns end = w->now_ns + wn_ns_from_s(3 * expected_s + 5 * DAY_S);
    fast_heal(w);
    while (!w->failed && !over(w)) {
        fast_turn(w);
        if (w->now_ns > end) {
            fast_violated(w, "everything is healed, and the campaign does not end: %s",
                          w->engine == NULL ? "dead"
                                            : wn_engine_state_name(wn_engine_state(w->engine)));
        } else if (w->halts > HALTS_HEALED && !w->given_up && !given_up(w)) {
            fast_violated(w, "everything is healed, and it halts again and again");
        }
    }
    if (!w->failed && wn_engine_state(w->engine) == WN_ENGINE_STOPPED && !w->ordered_stop) {
        fast_violated(w, "stopped, and nobody had ordered it");
    }
    int64_t planned = wn_procedure_cycles(&w->setup.procedure);
    if (!w->failed && !w->ordered_stop && w->books.cycle != planned) {
        fast_violated(w, "finished after %d of %d cycles", (int)w->books.cycle, (int)planned);
    }
}

static void begin(struct fast *w, uint64_t seed)
{
    memset(w, 0, sizeof *w);
    w->memory = memory;
    w->seed = seed;
    w->trace = options.trace;
    wn_prng_init(&w->rng, seed);
    fast_setup(w);
    fast_faults_choose(w);
    w->status = NULL;
    w->step.in_slack_as = w->step.out_slack_as = 1;
    for (int i = 0; i < FAST_RULES; i++) {
        w->since[i] = WN_NS_NEVER;
    }
    for (int i = 0; i < 3; i++) {
        w->blind_ns[i] = INT64_MIN;
    }
    if (options.healthy) {
        fast_heal(w);
        w->healed = false;
        w->plain = true;
    }
    fast_boot(w);
    if (w->engine != NULL) {
        fast_command(w, WN_EVENT_START);
    }
}

static void run_seed(uint64_t seed)
{
    struct fast *w = &world;
    struct wn_estimate estimate;
    double from_s = cpu_s();
    begin(w, seed);
    wn_procedure_estimate(&w->setup.procedure, w->setup.cell.rated_capacity_ah, 3.6, &estimate);
    double share = w->plain ? 2 : 0.3 + (double)(seed % 7) * 0.2;
    wn_ns end = wn_ns_from_s(estimate.duration_s * share);
    while (!w->failed && w->now_ns < end && !(w->plain && over(w))) {
        fast_turn(w);
    }
    if (!w->failed) {
        run_healed(w, estimate.duration_s);
    }
    double days = wn_ns_to_s(w->now_ns) / DAY_S;
    total.seeds++;
    total.failed += w->failed ? 1 : 0;
    total.days += days;
    total.running_days += wn_ns_to_s(w->running_ns) / DAY_S;
    total.plain_days += w->plain ? days : 0;
    total.plain_cpu_s += w->plain ? cpu_s() - from_s : 0;
    total.readings += w->readings;
    total.cycles += w->cycles;
    total.whole_cycles += w->whole_cycles;
    total.kills += w->kills;
    total.outputs += w->outputs;
    total.finished += w->books.finished ? 1 : 0;
    total.stopped += w->books.stopped ? 1 : 0;
    total.given_up += w->given_up ? 1 : 0;
    total.most_actions =
        w->most_actions > total.most_actions ? w->most_actions : total.most_actions;
    for (int i = 0; i < FAST_FAULTS; i++) {
        total.injected[i] += w->injected[i];
    }
    if (w->failed) {
        (void)printf("again with: wane-swarm-fast --seed %" PRIu64 " --trace\n", seed);
        (void)fflush(stdout);
    }
}

static double per(double a, double b)
{
    return b > 0 ? a / b : 0;
}

static int report(double used_s)
{
    int never = 0;
    (void)printf("%ld seeds, %ld failed; %ld finished, %ld stopped (%ld given up); %.0f "
                 "campaign-days (%.0f of "
                 "them running) in %.1f s of CPU: %.0f days/s\n",
                 total.seeds, total.failed, total.finished, total.stopped, total.given_up,
                 total.days, total.running_days, used_s, per(total.days, used_s));
    (void)printf("of these without faults: %.0f days, %.0f days/s; with: %.0f days/s\n",
                 total.plain_days, per(total.plain_days, total.plain_cpu_s),
                 per(total.days - total.plain_days, used_s - total.plain_cpu_s));
    (void)printf("%ld readings (%.0f/s), %ld cycles, %ld rounds with their charge compared, %ld "
                 "times on, %ld kills, at most %d of %d actions\n",
                 total.readings, per((double)total.readings, used_s), total.cycles,
                 total.whole_cycles, total.outputs, total.kills, total.most_actions,
                 WN_ACTIONS_MAX);
    for (int i = 0; i < FAST_FAULTS; i++) {
        (void)printf("  %-21s %ld\n", fast_fault_name((enum fast_fault)i), total.injected[i]);
        never += total.injected[i] == 0 ? 1 : 0;
    }
    (void)printf("longest time under each rule, and its part of what is allowed:\n");
    for (int i = 0; i < FAST_RULES; i++) {
        (void)printf("  %-14s %7.1f s %5.0f %%\n", fast_rule_name((enum fast_rule)i),
                     fast_worst_s[i], 100 * fast_worst_part[i]);
    }
    if (total.seeds >= ENOUGH_SEEDS && never > 0 && !options.healthy) {
        (void)printf("%d kinds of fault never happened: the swarm is lame\n", never);
        return 1;
    }
    return total.failed > 0 ? 1 : 0;
}

static bool take_seeds(const char *text)
{
    char *end = NULL;
    options.first = options.last = strtoull(text, &end, 10);
    if (strncmp(end, "..", 2) == 0) {
        options.last = strtoull(end + 2, &end, 10);
    }
    return *end == '\0' && options.last >= options.first;
}

static bool take_options(int argc, char **argv)
{
    static const struct option known[] = {
        {"seconds", required_argument, NULL, 's'}, {"seeds", required_argument, NULL, 'r'},
        {"seed", required_argument, NULL, 'r'},    {"trace", no_argument, NULL, 't'},
        {"go-on", no_argument, NULL, 'g'},         {"healthy", no_argument, NULL, 'n'},
        {"help", no_argument, NULL, 'h'},          {NULL, 0, NULL, 0}};
    int o;
    while ((o = getopt_long(argc, argv, "h", known, NULL)) != -1) {
        if (o == 'h') {
            (void)fputs(help, stdout);
            exit(0);
        }
        if (o == '?' || (o == 'r' && !take_seeds(optarg))) {
            return false;
        }
        options.cpu_s = o == 's' ? strtod(optarg, NULL) : options.cpu_s;
        options.trace = options.trace || o == 't';
        options.go_on = options.go_on || o == 'g';
        options.healthy = options.healthy || o == 'n';
    }
    return optind == argc;
}

int main(int argc, char **argv)
{
    const char *seed = getenv("WANE_SWARM_SEED");
    time_t days = time(NULL) / 86400;
    options.first = seed != NULL ? strtoull(seed, NULL, 10) : (uint64_t)days * UINT64_C(1000000);
    options.cpu_s = CPU_S;
    memory = malloc(wn_engine_size());
    if (!take_options(argc, argv) || memory == NULL) {
        (void)fputs(help, stderr);
        return 2;
    }
    (void)signal(SIGABRT, on_crash);
    (void)signal(SIGSEGV, on_crash);
    (void)printf("first seed %" PRIu64 "\n", options.first);
    (void)fflush(stdout);
    double from_s = cpu_s();
    for (uint64_t s = options.first; total.failed == 0 || options.go_on; s++) {
        if (options.last > 0 ? s > options.last : cpu_s() - from_s >= options.cpu_s) {
            break;
        }
        run_seed(s);
    }
    int rc = report(cpu_s() - from_s);
    free(memory);
    return rc;
}

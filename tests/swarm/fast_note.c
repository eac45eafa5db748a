/* Fast swarm: the last decisions, kept as numbers and made readable when something is wrong.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>

#include "swarm/fast.h"

static const char *const event_names[] = {
    "start",       "resume",   "pause", "stop",         "acknowledge", "reading",
    "output done", "off done", "fault", "store failed", "hold",        "guard lost"};
static const char *const action_names[] = {"record", "commit", "OUTPUT", "OFF", "INTERLOCK"};

static const char *state_name(int state)
{
    return state < 0 ? "dead" : wn_engine_state_name((enum wn_engine_state)state);
}

static void print(const struct fast_note *n)
{
    (void)printf("[%12.1f] ", wn_ns_to_s(n->time_ns));
    switch (n->what) {
    case 'e':
        (void)printf("event %s: %s -> %s\n", event_names[n->number], state_name(n->from),
                     state_name(n->to));
        break;
    case 'a':
        (void)printf("  %s %s %g\n", action_names[n->number], n->word, n->value);
        break;
    case 'f':
        (void)printf("fault %s %s\n", fast_fault_name((enum fast_fault)n->number),
                     n->value > 0 ? "begins" : "ends");
        break;
    default:
        (void)printf("  %s %d %g\n", n->word, n->number, n->value);
        break;
    }
}

static struct fast_note *next(struct fast *w, char what, int number)
{
    struct fast_note *n = &w->ring[w->notes++ % FAST_RING];
    n->time_ns = w->now_ns;
    n->what = what;
    n->number = number;
    n->from = n->to = -1;
    n->value = 0;
    n->word[0] = '\0';
    return n;
}

void fast_note(struct fast *w, char what, int number, double value, const char *word)
{
    struct fast_note *n = next(w, what, number);
    n->value = value;
    for (int i = 0; i < FAST_WORD - 1 && word[i] != '\0'; i++) {
        n->word[i] = word[i];
        n->word[i + 1] = '\0';
    }
    if (w->trace) {
        print(n);
    }
}

void fast_note_event(struct fast *w, int from, int to, int kind)
{
    struct fast_note *n = next(w, 'e', kind);
    n->from = (signed char)from;
    n->to = (signed char)to;
    if (w->trace) {
        print(n);
    }
}

void fast_tell(const struct fast *w)
{
    unsigned n = w->notes < FAST_RING ? w->notes : FAST_RING;
    for (unsigned i = w->notes - n; i != w->notes && !w->trace; i++) {
        print(&w->ring[i % FAST_RING]);
    }
    (void)printf("now %.3f s: cell at %.4f V (open %.4f V), %.4f A, %.2f degC; engine %s; faults:",
                 wn_ns_to_s(w->now_ns), fast_voltage_v(w), w->cell.ocv_v, fast_current_a(w),
                 w->cell.temperature_c,
                 w->engine == NULL ? "dead" : wn_engine_state_name(wn_engine_state(w->engine)));
    for (int i = 0; i < FAST_FAULTS; i++) {
        if (w->fault[i].on) {
            (void)printf(" %s", fast_fault_name((enum fast_fault)i));
        }
    }
    (void)printf("\n");
}

void fast_violated(struct fast *w, const char *fmt, ...)
{
    va_list args;
    if (w->failed) {
        return;
    }
    w->failed = true;
    fast_tell(w);
    (void)printf("seed %" PRIu64 " VIOLATED: ", w->seed);
    va_start(args, fmt);
    (void)vprintf(fmt, args);
    va_end(args);
    (void)printf("\n");
}

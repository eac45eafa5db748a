/* Swarm: the story of a seed, its hash, and the first violated invariant.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "swarm/sim.h"

#include <inttypes.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

enum { LINES = 512, LINE_SIZE = 320 };

static char ring[LINES][LINE_SIZE];
static long count;
static uint64_t hash;
static bool aloud;
static uint64_t seed_told;

void trace_begin(uint64_t seed, bool loud)
{
    count = 0;
    hash = UINT64_C(14695981039346656037);
    aloud = loud;
    seed_told = seed;
}

/* The directory has another name in each run; the story must not. */
static void leave_out_directory(char *line)
{
    size_t len = strlen(sim.dir);
    for (char *at = len > 0 ? strstr(line, sim.dir) : NULL; at != NULL; at = strstr(at, sim.dir)) {
        memmove(at + 3, at + len, strlen(at + len) + 1);
        memcpy(at, "DIR", 3);
    }
}

static void add(const char *text)
{
    char *line = ring[count % LINES];
    int n = snprintf(line, LINE_SIZE, "%12.6f ", wn_ns_to_s(sim.now_ns));
    (void)snprintf(line + n, LINE_SIZE - (size_t)n, "%.*s", LINE_SIZE - n - 1, text);
    count++;
    for (const char *p = line; *p != '\0'; p++) {
        hash = (hash ^ (unsigned char)*p) * UINT64_C(1099511628211);
    }
    if (aloud) {
        (void)printf("%s\n", line);
    }
}

void trace(const char *fmt, ...)
{
    char text[1200];
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    leave_out_directory(text);
    add(text);
}

uint64_t trace_hash(void)
{
    return hash;
}

void trace_tail(int lines)
{
    long from = count > lines ? count - lines : 0;
    from = count - from > LINES ? count - LINES : from;
    for (long i = from; i < count; i++) {
        (void)printf("    %s\n", ring[i % LINES]);
    }
    (void)fflush(stdout);
}

void violated(const char *fmt, ...)
{
    char text[600];
    va_list args;
    if (sim.failed) {
        return;
    }
    va_start(args, fmt);
    (void)vsnprintf(text, sizeof text, fmt, args);
    va_end(args);
    trace("VIOLATED: %s", text);
    sim.failed = true;
    (void)printf("seed %" PRIu64 ": VIOLATED: %s\n", seed_told, text);
}

/* Swarm: the whole station in simulated time under a seeded swarm of faults; what the parts of the
 * simulation know of each other.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * One world at a time, so that the station's own calls (clock, port, guard, file system) find it
 * without a context. World time goes on always; the computer's monotonic clock stands still while
 * it is suspended. Everything random comes from generators seeded by the seed: the same seed gives
 * the same trace to the last byte. */
#ifndef WN_TESTS_SWARM_SIM_H
#define WN_TESTS_SWARM_SIM_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "base/prng.h"
#include "base/time.h"

/* name, mean time between two of them in minutes, mean duration in seconds (0: an instant) */
#define FAULT_LIST(X)                                                                              \
    X(BYTES_LOST, 15, 120)                                                                         \
    X(BYTES_FLIPPED, 15, 120)                                                                      \
    X(BYTES_INSERTED, 15, 120)                                                                     \
    X(REPLIES_LATE, 15, 60)                                                                        \
    X(REPLIES_DOUBLED, 15, 60)                                                                     \
    X(WRITES_SPLIT, 15, 300)                                                                       \
    X(CABLE_DEAD, 30, 20)                                                                          \
    X(INSTRUMENT_RESET, 30, 0)                                                                     \
    X(STUCK_ON, 30, 120)                                                                           \
    X(SET_POINT_RUNAWAY, 12, 0)                                                                    \
    X(THERMOMETER_DRIFT, 30, 300)                                                                  \
    X(THERMOMETER_FROZEN, 30, 300)                                                                 \
    X(THERMOMETER_OPEN, 30, 60)                                                                    \
    X(SENSE_OPEN, 30, 30)                                                                          \
    X(HEAT, 60, 900)                                                                               \
    X(STATION_KILLED, 20, 0)                                                                       \
    X(STATION_HANGS, 30, 4)                                                                        \
    X(GUARD_KILLED, 30, 0)                                                                         \
    X(POWER_CUT, 30, 0)                                                                            \
    X(SERVICE_STOPPED, 40, 0)                                                                      \
    X(DISK_WRITE_FAILS, 20, 20)                                                                    \
    X(DISK_FULL, 30, 60)                                                                           \
    X(DISK_SYNC_FAILS, 20, 20)                                                                     \
    X(DISK_READ_FAILS, 30, 20)                                                                     \
    X(DISK_SLOW, 20, 30)                                                                           \
    X(SPACE_LOW, 40, 120)                                                                          \
    X(PORT_GONE, 25, 10)                                                                           \
    X(OTHER_INSTRUMENT, 40, 60)                                                                    \
    X(SUSPENDED, 40, 0)                                                                            \
    X(WALL_CLOCK_STEPS, 30, 0)                                                                     \
    X(COMMAND_PAUSE, 30, 0)                                                                        \
    X(COMMAND_RESUME, 20, 0)                                                                       \
    X(COMMAND_STOP, 120, 0)                                                                        \
    X(COMMAND_ACKNOWLEDGE, 20, 0)                                                                  \
    X(COMMAND_START, 30, 0)                                                                        \
    X(COMMAND_NONSENSE, 30, 0)

enum fault {
#define FAULT_ENUM(name, minutes, seconds) FAULT_##name,
    FAULT_LIST(FAULT_ENUM)
#undef FAULT_ENUM
        FAULTS
};

struct sim {
    uint64_t seed;
    wn_ns now_ns;          /* of the world */
    wn_ns suspended_ns;    /* so long the computer has slept */
    wn_utc_us utc_step_us; /* so much the wall clock was moved */
    struct wn_prng choice; /* faults and when they come */
    struct wn_prng noise;  /* what they do in detail */
    bool own_clock;        /* the instrument tells the time, and its time runs with the readings */
    bool resumes;          /* restart policy */
    bool between;          /* the interlock is wired between DTR and RTS, not to DTR alone */
    bool bare;             /* a plain tester without protections of its own */
    bool fault[FAULTS];    /* going on */
    double strength[FAULTS];
    long injected[FAULTS]; /* how often a fault really did something */
    bool healing;          /* second phase: no more faults */
    bool failed;           /* an invariant was violated */
    char dir[200];         /* of this seed's files */
};

extern struct sim sim;

static inline wn_ns sim_monotonic(void)
{
    return sim.now_ns - sim.suspended_ns;
}

static inline bool chance(double p)
{
    return p > 0 && wn_prng_uniform(&sim.noise) < p;
}

/** Is the fault going on, and does it strike this time? Counts it. */
bool fault_strikes(enum fault f);
const char *fault_name(enum fault f);

/* trace.c */
void trace_begin(uint64_t seed, bool loud);
/** One line of the story, with the world's time in front. */
void trace(const char *fmt, ...) __attribute__((format(printf, 1, 2)));
uint64_t trace_hash(void);
void trace_tail(int lines);
/** An invariant does not hold: tells it (the first one only) and ends the seed. */
void violated(const char *fmt, ...) __attribute__((format(printf, 1, 2)));

/* faults.c */
void faults_begin(void);
/** Begins and ends what is due; the next time it wants to be called is returned. */
wn_ns faults_run(void);
void faults_end(void);
/** The campaign has just changed its state: a good moment for a fault. */
void faults_ambush(void);

/* operator.c */
void operator_begin(void);
wn_ns operator_run(void);
/** After the healing: has the campaign ended? */
bool operator_is_done(void);
/** One command of a fault: at a bad moment, perhaps several times. */
void operator_bother(enum fault command);

/* swarm.c */
/** Time goes by in the middle of what the station does (a slow disk): the world goes on meanwhile,
 * and the guard may kill it. */
void sim_stall(wn_ns for_ns);
struct outcome {
    bool ok;
    uint64_t hash;
    double days; /* of the cell's time */
    long cycles;
    long injected[FAULTS];
};
void swarm_run(uint64_t seed, bool loud, const char *scratch, struct outcome *out);

#endif

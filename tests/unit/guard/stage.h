/* The real guard with fake stations, each on a pseudo-terminal whose other end is held here.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_GUARD_STAGE_H
#define WN_TESTS_GUARD_STAGE_H

#include <stdbool.h>
#include <stdint.h>
#include <sys/types.h>

enum { STAGE_CHANNELS = 16, STAGE_STATIONS = 32, STAGE_CHILDREN_MAX = 60 };

struct stage_station {
    char name[16], first[40], then[40];
    long beat_ms, stop_ms;
    int master, slave; /* the slave is kept open: the port outlives the station */
    char path[64];
    bool mute;                         /* the instrument answers nothing */
    const char *first_answer, *answer; /* to the first question, and further on; NULL: off */
    int channels;                      /* of a share; 0: a station */
    bool stays_on[STAGE_CHANNELS + 1], deaf[STAGE_CHANNELS + 1]; /* by channel, from 1 */
    int late; /* this channel's answer comes only with the next question to another; 0: none */
    bool owed;
    int channel_offs[STAGE_CHANNELS + 1];
    int asked;
    int offs;       /* safe-off bytes that have arrived */
    int64_t off_ns; /* the first of them since stage_forget() */
    char line[64];
    size_t len;
};

struct stage {
    char dir[200];
    pid_t guard; /* 0: not running */
    int status;  /* of the guard, once it has ended */
    struct stage_station station[STAGE_STATIONS];
    int stations;
};

int64_t stage_now_ns(void);

/** Directory with a fake station in it. False with a message on stderr. */
bool stage_open(struct stage *s);
void stage_close(struct stage *s);
/** One more station, before stage_start(). */
struct stage_station *stage_add(struct stage *s, const char *first, const char *then, long beat_ms);
bool stage_start(struct stage *s);
/** With these words for the children instead of those that follow from the stations. */
bool stage_start_with(struct stage *s, const char *const *children, int n);
/** Answers the instruments' ports for so long, or until done(s, ctx); false when it never was. */
bool stage_until(struct stage *s, double seconds, bool (*done)(struct stage *, void *), void *ctx);
void stage_forget(struct stage *s);

/** From the log of the stations: how often `name` (NULL: any) told the word (NULL: any); the pid
 * and the time of the last. */
int stage_told(const struct stage *s, const char *name, const char *word, pid_t *pid,
               int64_t *time_ns);
/** Of the guard: open descriptors, seconds of processor time. */
int stage_descriptors(const struct stage *s);
double stage_cpu_s(const struct stage *s);
/** Is the text in what the guard logged? */
bool stage_logged(const struct stage *s, const char *text);
void stage_show_log(const struct stage *s);
/** Has the guard ended? Fills status. */
bool stage_guard_ended(struct stage *s);

#endif

/* What keeps a campaign's file in order while it runs: commits by time, its log, room on the disk,
 * and the marker that tells of a halt the file cannot. SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#define MAINTAIN_NS     (60 * WN_NS_PER_S)
#define TELL_LOG_NS     (INT64_C(3600) * WN_NS_PER_S)
#define LOG_LARGE_BYTES (INT64_C(64) * 1024 * 1024)
/* Between two checkpoints: the write-ahead log stays at a few megabytes. */
#define COMMITS_MAX     500
#define RESUMES_SPAN_US (INT64_C(3600) * 1000000) /* so long is looked back */
/* So many times as often in all within one cycle. */
enum { STUCK_FACTOR = 2 };
/* A bench with a fast clock of its own: so much of its time at most is between two commits. */
#define COMMIT_CAMPAIGN_NS (120 * WN_NS_PER_S)

static const char *marker_path(const struct station *s, char *buf, size_t size)
{
    (void)snprintf(buf, size, "%s/%s.halted", s->daemon->run_dir, s->config.name);
    return buf;
}

void halt_marker_set(const struct station *s, bool halted)
{
    char path[WN_PATH_SIZE + 80];
    (void)marker_path(s, path, sizeof path);
    if (!halted) {
        (void)unlink(path);
        return;
    }
    int fd = open(path, O_WRONLY | O_CREAT | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd >= 0) {
        (void)close(fd);
    }
}

bool halt_marker_is_set(const struct station *s)
{
    char path[WN_PATH_SIZE + 80];
    return access(marker_path(s, path, sizeof path), F_OK) == 0;
}

/* A program that keeps the file open for reading for hours keeps the log from being moved into it.
 */
static void look_at_log(struct station *s, wn_ns now)
{
    char text[200];
    int64_t bytes = wn_campaign_log_bytes(s->campaign);
    if (bytes < LOG_LARGE_BYTES || now < s->tell_log_ns) {
        return;
    }
    s->tell_log_ns = now + TELL_LOG_NS;
    (void)snprintf(text, sizeof text,
                   "%.0f MB wait beside the campaign file: another program keeps it open for "
                   "reading; end that one",
                   (double)bytes / 1e6);
    station_log(s, 4, "%s", text);
    station_warn(s, "log_grows", text);
}

void campaign_housekeeping(struct station *s, wn_ns now)
{
    struct wn_error err = {0};
    if (s->campaign == NULL) {
        return;
    }
    bool late = now >= s->commit_ns || s->campaign_now_ns >= s->commit_campaign_ns;
    if (late && (s->uncommitted || s->store_failed)) {
        station_commit(s);
        s->commit_ns = now + wn_ns_from_s(s->config.commit_interval_s);
        s->commit_campaign_ns = s->campaign_now_ns + COMMIT_CAMPAIGN_NS;
    }
    if (now >= s->maintain_ns || s->commits >= COMMITS_MAX) {
        s->maintain_ns = now + MAINTAIN_NS;
        s->commits = 0;
        look_at_log(s, now);
        certificates_look(s);
        int64_t least = (int64_t)(s->config.space_min_mb * 1e6);
        if (wn_campaign_maintain(s->campaign, least, &err) != WN_OK) {
            station_log(s, 2, "%s", err.text);
            struct wn_event ev = {
                .kind = WN_EVENT_STORE_FAILED, .time_ns = station_time(s), .error = err};
            station_event(s, &ev);
        }
    }
}

struct resumes {
    wn_utc_us since;
    int n;         /* since then */
    int in_a_row;  /* within one cycle, with no order of anybody between them */
    int64_t cycle; /* of the last; 0 in a check-up */
};

static int count_resume(const struct wn_event_row *row, void *ctx)
{
    struct resumes *r = ctx;
    const struct wn_event_record *ev = &row->event;
    bool resumed = strcmp(ev->kind, "resumed") == 0;
    bool by_itself = resumed && strstr(ev->text, RESTART_POLICY) != NULL;
    bool anew = resumed && (!by_itself || ev->cycle != r->cycle);
    if (anew || strcmp(ev->kind, "check_up") == 0) { /* one is over */
        r->in_a_row = 0;
    }
    r->cycle = resumed ? ev->cycle : r->cycle;
    r->in_a_row += by_itself;
    r->n += by_itself && row->utc >= r->since ? 1 : 0;
    return 0;
}

/* Not within an hour, and not, however slowly, without getting anywhere. */
bool campaign_resumed_too_often(struct station *s)
{
    struct wn_error err = {0};
    struct resumes r = {.since = s->clock->ops->utc(s->clock) - RESUMES_SPAN_US};
    return wn_campaign_each_event(s->campaign, 0, count_resume, &r, &err) != WN_OK ||
           r.n >= s->config.resumes_per_hour ||
           r.in_a_row >= STUCK_FACTOR * s->config.resumes_per_hour;
}

static int take_latch(const struct wn_event_row *row, void *ctx)
{
    bool *latched = ctx;
    *latched = strcmp(row->event.kind, INTERLOCK_LATCHED) == 0 ||
               (*latched && strcmp(row->event.kind, "resumed") != 0);
    return 0;
}

/* What was opened in an emergency stays open until an operator resumes: the word of the instruments
 * that they are off closes no interlock. What cannot be read counts as latched. */
void interlock_remember(struct station *s)
{
    struct wn_error err = {0};
    struct wn_engine_view v;
    bool latched = false;
    wn_engine_view(s->engine, &v);
    latched = wn_campaign_each_event(s->campaign, 0, take_latch, &latched, &err) != WN_OK ||
              latched || strcmp(v.halt_rule, wn_fault_word(WN_FAULT_NOT_OFF)) == 0 ||
              strcmp(v.halt_rule, wn_rule_word(WN_RULE_CURRENT_WHILE_OFF)) == 0;
    if (latched) {
        s->bench.interlock_latched = true;
        (void)bench_open_interlock(s);
    }
}

/* Swarm: what was once on the disk stays there; a halt stays a halt; a cycle tells the truth.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Only what the disk truly has is looked at: a copy of it is opened, and its log recovered, as
 * after a power cut at this instant. */
#include <math.h>
#include <sqlite3.h>
#include <stdlib.h>
#include <string.h>

#include "store/campaign.h"
#include "verify/verify.h"
#include "swarm/config.h"
#include "swarm/host.h"
#include "swarm/plant.h"

enum { CAMPAIGNS = 64, CYCLES = 16 };
#define CHARGE_TOLERANCE     0.005 /* of a cycle whose line was good */
#define CHARGE_TOLERANCE_BAD 0.02  /* numbers garbled into other numbers cannot be noticed */

static struct campaign {
    char path[WN_PATH_SIZE];
    struct wn_cycle_record cycle[CYCLES];
    int cycles;
    bool over;  /* the file says so */
    bool ended; /* the engine said so; the file may say so without that the program knows */
    bool halted_in_file, halted_by_marker;
    bool other;      /* begun with the other instrument */
    int64_t intents; /* when it was last switched on */
} campaigns[CAMPAIGNS];
static int n;
static struct campaign *live;
static long looked_syncs;
static int64_t looked_cycles;
static bool end_unwritten; /* this process knows an end that the file does not */
static long total_cycles;

/* What had truly gone through the cell at an instant of campaign time. */
static struct point {
    wn_ns time_ns;
    double charged_ah, discharged_ah;
} * points;
static size_t points_n, points_capacity;

void ledger_begin(void)
{
    memset(campaigns, 0, sizeof campaigns);
    n = 0;
    live = NULL;
    looked_syncs = 0;
    looked_cycles = 0;
    end_unwritten = false;
    total_cycles = 0;
    points_n = 0;
}

static void add_point(wn_ns time_ns)
{
    struct plant_truth t;
    if (points_n > 0 && points[points_n - 1].time_ns == time_ns) {
        return;
    }
    while (points_n > 0 && points[points_n - 1].time_ns > time_ns) {
        points_n--; /* a crash has taken that time back */
    }
    if (points_n == points_capacity) {
        size_t more = points_capacity * 2 + 4096;
        struct point *bigger = realloc(points, more * sizeof *points);
        if (bigger == NULL) {
            return;
        }
        points = bigger;
        points_capacity = more;
    }
    plant_truth(&t);
    points[points_n++] = (struct point){time_ns, t.charged_ah, t.discharged_ah};
}

/* The last point not behind that time. */
static const struct point *point_at(wn_ns time_ns)
{
    size_t low = 0, high = points_n;
    while (low < high) {
        size_t middle = low + (high - low) / 2;
        if (points[middle].time_ns <= time_ns) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    return low > 0 ? &points[low - 1] : NULL;
}

static bool differs(double recorded, double truth, double part)
{
    return !(fabs(recorded - truth) <= part * fmax(truth, 0.1));
}

static void check_charge(const struct wn_cycle_record *r)
{
    const struct point *from = point_at(r->start_ns), *to = point_at(r->end_ns);
    bool noisy = sim.injected[FAULT_BYTES_FLIPPED] > 0 || sim.injected[FAULT_BYTES_LOST] > 0 ||
                 sim.injected[FAULT_BYTES_INSERTED] > 0 || sim.injected[FAULT_REPLIES_DOUBLED] > 0;
    double part = noisy ? CHARGE_TOLERANCE_BAD : CHARGE_TOLERANCE;
    if ((r->flags & WN_FLAGS_INVALID) != 0 || from == NULL || to == NULL) {
        return;
    }
    double out_ah = to->discharged_ah - from->discharged_ah;
    double in_ah = to->charged_ah - from->charged_ah;
    if (differs(r->capacity_ah.value, out_ah, part)) {
        violated("cycle %lld: %.4f Ah are written down, the cell gave %.4f Ah, and no flag says so",
                 (long long)r->cycle, r->capacity_ah.value, out_ah);
    }
    if (!isnan(r->charge_ah) && differs(r->charge_ah, in_ah, part)) {
        violated("cycle %lld: %.4f Ah charged are written down, the cell got %.4f Ah, and no flag "
                 "says so",
                 (long long)r->cycle, r->charge_ah, in_ah);
    }
}

static bool same(double a, double b)
{
    return (isnan(a) && isnan(b)) || a == b;
}

static bool same_cycle(const struct wn_cycle_record *a, const struct wn_cycle_record *b)
{
    return a->cycle == b->cycle && a->start_ns == b->start_ns && a->end_ns == b->end_ns &&
           a->flags == b->flags && same(a->capacity_ah.value, b->capacity_ah.value) &&
           same(a->energy_wh.value, b->energy_wh.value) && same(a->charge_ah, b->charge_ah) &&
           same(a->resistance_ohm.value, b->resistance_ohm.value) &&
           same(a->temperature_max_c, b->temperature_max_c);
}

struct look {
    struct campaign *c;
    int seen;
};

static int see_cycle(const struct wn_cycle_record *r, wn_utc_us end_utc, void *ctx)
{
    struct look *l = ctx;
    (void)end_utc;
    int i = l->seen++;
    if (r->cycle != l->seen) {
        violated("cycle %lld stands where cycle %d should: a hole or a double", (long long)r->cycle,
                 l->seen);
    } else if (i < l->c->cycles && !same_cycle(r, &l->c->cycle[i])) {
        violated("cycle %lld has changed since it was on the disk", (long long)r->cycle);
    } else if (i >= l->c->cycles && i < CYCLES) {
        l->c->cycle[i] = *r;
        l->c->cycles = i + 1;
        total_cycles++;
        trace("ledger: cycle %lld is on the disk: %.4f Ah, flags %u", (long long)r->cycle,
              r->capacity_ah.value, r->flags);
        check_charge(r);
    }
    return 0;
}

static void copy_path(char *buf, size_t size)
{
    (void)snprintf(buf, size, "%s/check/copy.wane", sim.dir);
}

/* Reads what the disk has of a campaign. */
static void check(struct campaign *c)
{
    char path[300];
    struct wn_campaign *file = NULL;
    struct wn_error err = {0};
    struct look l = {c, 0};
    copy_path(path, sizeof path);
    disk_bypass(true);
    if (!disk_copy_durable(c->path, path)) {
        violated("%s is not on the disk any more", c->path);
    } else if (wn_campaign_open_read(&file, path, &err) != WN_OK ||
               wn_campaign_each_cycle(file, see_cycle, &l, &err) != WN_OK) {
        violated("what the disk has of a campaign cannot be read: %s", err.text);
    } else if (l.seen < c->cycles) {
        violated("%d cycles were on the disk, now there are %d", c->cycles, l.seen);
    }
    wn_campaign_close(file);
    disk_bypass(false);
}

/* How many intents the disk has; -1: that cannot be read. */
static int64_t count_intents(const struct campaign *c)
{
    char path[300];
    sqlite3 *db = NULL;
    sqlite3_stmt *stmt = NULL;
    int64_t count = -1;
    copy_path(path, sizeof path);
    disk_bypass(true);
    if (disk_copy_durable(c->path, path) && sqlite3_open(path, &db) == SQLITE_OK &&
        sqlite3_prepare_v2(db, "SELECT count(*) FROM intent", -1, &stmt, NULL) == SQLITE_OK &&
        sqlite3_step(stmt) == SQLITE_ROW) {
        count = sqlite3_column_int64(stmt, 0);
    }
    (void)sqlite3_finalize(stmt);
    (void)sqlite3_close(db);
    disk_bypass(false);
    return count;
}

void ledger_switched_on(void)
{
    if (live == NULL) {
        violated("the output was switched on without a campaign");
        return;
    }
    if (live->halted_in_file || live->halted_by_marker) {
        violated("the output was switched on although the campaign is halted");
    }
    if (plant_is_other() != live->other) {
        violated("another instrument than the campaign's was switched on");
    }
    int64_t count = count_intents(live);
    if (count <= live->intents) {
        violated("the output was switched on and the disk has %lld intents, as many as before",
                 (long long)count);
    }
    live->intents = count;
}

/* What the disk has, not what the station believes to have written. */
static bool end_is_on_disk(const struct campaign *c)
{
    char path[300], word[32] = "";
    struct wn_campaign *file = NULL;
    struct wn_error err = {0};
    copy_path(path, sizeof path);
    disk_bypass(true);
    bool is = disk_copy_durable(c->path, path) &&
              wn_campaign_open_read(&file, path, &err) == WN_OK &&
              wn_campaign_status(file, word, sizeof word, &err) == WN_OK &&
              (strcmp(word, "stopped") == 0 || strcmp(word, "finished") == 0);
    wn_campaign_close(file);
    disk_bypass(false);
    return is;
}

static struct campaign *find(const char *path, const char *identity)
{
    for (int i = 0; i < n; i++) {
        if (strcmp(campaigns[i].path, path) == 0) {
            return &campaigns[i];
        }
    }
    if (n == CAMPAIGNS) {
        return NULL;
    }
    struct campaign *c = &campaigns[n++];
    (void)snprintf(c->path, sizeof c->path, "%s", path);
    c->other = plant_is_identity(identity, true);
    trace("ledger: campaign %s, with %s", path, identity);
    return c;
}

static bool any_unfinished(void)
{
    for (int i = 0; i < n; i++) {
        if (!campaigns[i].over && !campaigns[i].ended) {
            return true;
        }
    }
    return false;
}

static bool is_word(const struct station *s, const char *word)
{
    return s->status_written != NULL && strcmp(s->status_written, word) == 0;
}

void ledger_status(const struct station *s)
{
    if (!s->looked) {
        end_unwritten = false; /* a fresh process */
    }
    if (s->campaign == NULL || (live != NULL && strcmp(live->path, s->campaign_path) != 0)) {
        if (end_unwritten && live != NULL) { /* it may have been written since the last look */
            live->over = end_is_on_disk(live);
            if (!live->over) {
                violated("a campaign whose end is not written down was let go");
            }
        }
        end_unwritten = false;
    }
    if (s->campaign == NULL) {
        if (s->looked && s->broken_text[0] == '\0' && any_unfinished()) {
            violated("an unfinished campaign is lost: the station has looked and goes on without "
                     "it");
        }
        return;
    }
    if (live == NULL || strcmp(live->path, s->campaign_path) != 0) {
        if (s->status_written == NULL && live == NULL) {
            return; /* not begun yet */
        }
        live = find(s->campaign_path, s->bench.instrument[0].first_identity);
        points_n = 0;
        looked_cycles = 0;
    }
    if (live == NULL) {
        return;
    }
    enum wn_engine_state state = wn_engine_state(s->engine);
    if (state == WN_ENGINE_HALTED && !(live->halted_in_file && live->halted_by_marker)) {
        live->halted_in_file = live->halted_in_file || is_word(s, "halted");
        live->halted_by_marker = live->halted_by_marker || config_halt_marker();
    } else if ((state == WN_ENGINE_RUNNING || state == WN_ENGINE_PREPARING) && ledger_halted()) {
        violated("the campaign goes on although it is halted and nobody has acknowledged");
    }
    live->ended = state == WN_ENGINE_STOPPED || state == WN_ENGINE_FINISHED;
    if (live->over && !live->ended) {
        violated("a campaign that had ended goes on again");
    }
    end_unwritten = live->ended && !is_word(s, "finished") && !is_word(s, "stopped");
    live->over = live->over || is_word(s, "finished") || is_word(s, "stopped");
    add_point(s->campaign_now_ns);
    if (disk_syncs() != looked_syncs) {
        looked_syncs = disk_syncs();
        ledger_look();
    }
}

void ledger_look(void)
{
    const struct station *s = host_station();
    struct wn_engine_view v;
    if (s == NULL || s->campaign == NULL || live == NULL) {
        return;
    }
    wn_engine_view(s->engine, &v);
    if (v.cycles_done > looked_cycles) {
        looked_cycles = v.cycles_done;
        check(live);
    }
}

void ledger_after_crash(void)
{
    if (!config_halt_marker() && live != NULL) {
        live->halted_by_marker = false; /* power was cut */
    }
    for (int i = 0; i < n && !sim.failed; i++) {
        check(&campaigns[i]);
    }
}

void ledger_acknowledged(void)
{
    if (live != NULL) {
        live->halted_in_file = live->halted_by_marker = false;
    }
}

bool ledger_needs_other(void)
{
    return live != NULL && !live->over && live->other;
}

bool ledger_halted(void)
{
    return live != NULL && (live->halted_in_file || live->halted_by_marker);
}

static void tell_finding(void *ctx, const struct wn_verify_finding *f)
{
    const struct campaign *c = ctx;
    if (!sim.failed) {
        violated(
            "%s does not bear out what it says: %s %lld, cycle %lld, check-up %lld, step %lld: %s",
            c->path, f->table, (long long)f->row, (long long)f->cycle, (long long)f->check_up,
            (long long)f->step, f->text);
    }
}

/* Whatever happened, the file is whole, and its totals follow from its readings. */
static void verify(struct campaign *c)
{
    char path[300];
    struct wn_campaign *file = NULL;
    struct wn_verify_facts facts = {.steps = 0};
    copy_path(path, sizeof path);
    disk_bypass(true);
    if (disk_copy_durable(c->path, path) && wn_campaign_open_read(&file, path, NULL) == WN_OK) {
        wn_verify_campaign(file, tell_finding, c, NULL, &facts);
    }
    wn_campaign_close(file);
    disk_bypass(false);
}

void ledger_end(void)
{
    for (int i = 0; i < n && !sim.failed; i++) {
        check(&campaigns[i]);
        verify(&campaigns[i]);
    }
    if (!sim.failed && any_unfinished()) {
        violated("a campaign is left unfinished at the end");
    }
}

long ledger_cycles(void)
{
    return total_cycles;
}

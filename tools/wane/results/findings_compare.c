/* Campaigns side by side.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "findings_compare.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "base/num.h"

enum { LIFE_POINTS_MAX = 6, NEAR_CYCLES = 2 };

static struct compare_item *add(struct compare *c, const char *key, const char *noun,
                                const char *better, const char *unit)
{
    static struct compare_item spare; /* more than there is room for: never read */
    struct compare_item *m = c->items < COMPARE_ITEMS_MAX ? &c->item[c->items++] : &spare;
    memset(m, 0, sizeof *m);
    (void)snprintf(m->key, sizeof m->key, "%s", key);
    m->noun = noun;
    m->better = better;
    m->unit = unit;
    m->scale = 1;
    m->best = -1;
    for (int i = 0; i < COMPARE_MAX; i++) {
        m->value[i] = (struct wn_measured){NAN, NAN};
        m->low[i] = m->high[i] = NAN;
    }
    return m;
}

static void give_reason(struct compare *c, const char *fmt, ...)
    __attribute__((format(printf, 2, 3)));
static void give_reason(struct compare *c, const char *fmt, ...)
{
    va_list args;
    if (c->reasons < COMPARE_REASONS_MAX) {
        va_start(args, fmt);
        (void)vsnprintf(c->reason[c->reasons++], sizeof c->reason[0], fmt, args);
        va_end(args);
    }
}

static bool has(const struct compare_item *m, int i)
{
    return isfinite(m->value[i].value);
}

/* Is `a` better than `b` by more than both are uncertain by? *known is false when that cannot be
 * told.
 */
static bool is_better(const struct compare_item *m, int a, int b, bool *known)
{
    double by = (m->value[a].value - m->value[b].value) * (m->less_is_better ? -1 : 1);
    if (isfinite(m->low[a]) && isfinite(m->low[b])) { /* 80 % intervals that do not meet */
        return m->less_is_better ? m->high[a] < m->low[b] : m->low[a] > m->high[b];
    }
    double expanded = WN_COVERAGE_FACTOR * hypot(m->value[a].u, m->value[b].u);
    *known = *known && isfinite(expanded);
    return isfinite(expanded) && by > expanded;
}

static int largest(const struct compare_item *m, int n)
{
    int top = -1;
    for (int i = 0; i < n; i++) {
        bool more = has(m, i) &&
                    (top < 0 || (m->value[i].value > m->value[top].value) != m->less_is_better);
        top = more ? i : top;
    }
    return top;
}

static void say(struct compare_item *m, const char *fmt, ...) __attribute__((format(printf, 2, 3)));
static void say(struct compare_item *m, const char *fmt, ...)
{
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(m->verdict, sizeof m->verdict, fmt, args);
    va_end(args);
}

static void say_winner(const struct compare *c, struct compare_item *m, int others, int other)
{
    char a[WN_NUM_SIZE], b[WN_NUM_SIZE], d[WN_NUM_SIZE], u[WN_NUM_SIZE];
    const struct wn_measured *x = &m->value[m->best], *y = &m->value[other];
    (void)wn_num_fixed(m->scale * x->value, m->decimals, a, sizeof a);
    (void)wn_num_fixed(m->scale * y->value, m->decimals, b, sizeof b);
    if (others > 1) {
        say(m, "%s %s %s than each of the others: %s %s, the next %s", c->name[m->best], m->better,
            m->where, a, m->unit, b);
    } else if (isfinite(m->low[m->best])) {
        say(m, "%s %s %s than %s: %s %s, not %s", c->name[m->best], m->better, m->where,
            c->name[other], m->unit, a, b);
    } else {
        double expanded = WN_COVERAGE_FACTOR * hypot(x->u, y->u);
        say(m, "%s %s %s than %s: %s %s, not %s (difference %s +/- %s)", c->name[m->best],
            m->better, m->where, c->name[other], a, m->unit, b,
            wn_num_fixed(m->scale * fabs(x->value - y->value), m->decimals, d, sizeof d),
            wn_num_fixed(m->scale * expanded, m->decimals, u, sizeof u));
    }
}

/* Up to two more decimals than usual, so that an uncertainty is not "0.00". */
static void choose_decimals(struct compare_item *m, int n)
{
    int least = m->decimals;
    for (int i = 0; i < n; i++) {
        double expanded = m->scale * WN_COVERAGE_FACTOR * m->value[i].u;
        if (has(m, i) && expanded > 0 && ceil(-log10(expanded)) > m->decimals) {
            m->decimals = (int)fmin(ceil(-log10(expanded)), least + 2);
        }
    }
}

/* Marks what differs from the best one, and says who wins, or that nobody clearly does. */
static void judge(const struct compare *c, struct compare_item *m)
{
    int top = largest(m, c->n), others = 0, next = -1;
    bool known = true, clear = true;
    choose_decimals(m, c->n);
    for (int i = 0; i < c->n; i++) {
        if (i == top || !has(m, i)) {
            continue;
        }
        others++;
        m->differs[i] = is_better(m, top, i, &known);
        clear = clear && m->differs[i];
        bool closer = next < 0 || (m->value[i].value > m->value[next].value) != m->less_is_better;
        next = closer ? i : next;
    }
    m->best = clear && others > 0 ? top : -1;
    if (m->best >= 0) {
        say_winner(c, m, others, next);
    } else {
        say(m, "no clear winner in %s %s: %s", m->noun, m->where,
            !known                  ? "an uncertainty is not known"
            : isfinite(m->low[top]) ? "the projections overlap"
                                    : "the difference lies within the uncertainty");
    }
}

/* -- by rate */

static const struct finding_rate *same_rate(const struct findings *f, const struct finding_rate *r)
{
    for (size_t i = 0; i < f->rates; i++) {
        const struct finding_rate *q = &f->rate[i];
        struct finding_discharge a = q->first, b = r->first;
        a.current_a = a.power_w = q->set; /* as planned where that is known */
        b.current_a = b.power_w = r->set;
        a.power = q->power;
        b.power = r->power;
        if (findings_same_rate(&a, &b)) {
            return q;
        }
    }
    return NULL;
}

static const char *rate_words(const struct finding_rate *r, char *buf, size_t size)
{
    char set[24], volt[WN_NUM_SIZE];
    (void)snprintf(buf, size, "at %s%s%s%s", findings_set(r->power, r->set, set, sizeof set),
                   isfinite(r->cutoff_v) ? " to " : "",
                   isfinite(r->cutoff_v) ? wn_num_format(r->cutoff_v, 4, volt, sizeof volt) : "",
                   isfinite(r->cutoff_v) ? " V" : ", whole discharge");
    return buf;
}

/* Why the others do not have this rate. */
static void tell_lonely(struct compare *c, int owner, const struct finding_rate *r)
{
    char where[48], other[48];
    for (int i = 0; i < c->n; i++) {
        for (size_t k = 0; i != owner && k < c->f[i]->rates; k++) {
            const struct finding_rate *q = &c->f[i]->rate[k];
            if (q->power == r->power &&
                fabs(q->set - r->set) <= FINDINGS_SAME_RATE * fmax(q->set, r->set)) {
                give_reason(c, "%s %s: %s was discharged %s: another cut-off", c->name[owner],
                            rate_words(r, where, sizeof where), c->name[i],
                            rate_words(q, other, sizeof other));
                return;
            }
        }
    }
    give_reason(c, "%s %s: no other was discharged so", c->name[owner],
                rate_words(r, where, sizeof where));
}

static void add_rate(struct compare *c, const struct finding_rate *const *r, const char *where)
{
    struct compare_item *ah = add(c, "capacity", "capacity", "holds more capacity", "Ah");
    struct compare_item *wh = add(c, "energy", "energy", "gives more energy", "Wh");
    struct compare_item *hot =
        add(c, "temperature_max", "highest temperature", "stays cooler", "degC");
    struct compare_item *const all[] = {ah, wh, hot};
    ah->decimals = 4;
    wh->decimals = 3;
    hot->decimals = 1;
    hot->less_is_better = true;
    for (int k = 0; k < 3; k++) {
        (void)snprintf(all[k]->where, sizeof all[k]->where, "%s", where);
        (void)snprintf(all[k]->title, sizeof all[k]->title, "%s, %s%s", where + 3, all[k]->unit,
                       k == 2 ? " max" : "");
    }
    for (int i = 0; i < c->n; i++) {
        if (r[i] != NULL && r[i]->valid > 0) {
            double accuracy_k = c->f[i]->measuring.accuracy.temperature_c;
            ah->value[i] = r[i]->first.capacity_ah;
            wh->value[i] = r[i]->first.energy_wh;
            hot->value[i] =
                (struct wn_measured){r[i]->first.temperature_max_c, accuracy_k / sqrt(3)};
        }
    }
}

/* Finished cycles before a discharge. */
static int64_t age_of(const struct findings *f, struct finding_place at)
{
    for (size_t i = 0; at.in_check_up && i < f->check_ups; i++) {
        if (f->check_up[i].check_up == at.number) {
            return f->check_up[i].after_cycle;
        }
    }
    return at.number - 1;
}

static void tell_ages(struct compare *c, const struct finding_rate *const *r, const char *where)
{
    int first = -1;
    for (int i = 0; i < c->n; i++) {
        if (r[i] == NULL) {
            continue;
        }
        first = first < 0 ? i : first;
        int64_t a = age_of(c->f[first], r[first]->first.at), b = age_of(c->f[i], r[i]->first.at);
        if (a - b > 1 || b - a > 1) {
            give_reason(c, "%s: not of the same age: %s after %lld cycles, %s after %lld",
                        where + 3, c->name[first], (long long)a, c->name[i], (long long)b);
            return;
        }
    }
}

static void compare_rates(struct compare *c)
{
    char where[48];
    for (int i = 0; i < c->n; i++) {
        for (size_t k = 0; k < c->f[i]->rates; k++) {
            const struct finding_rate *mine = &c->f[i]->rate[k], *r[COMPARE_MAX] = {NULL};
            int with = 0, first = c->n;
            for (int j = c->n - 1; j >= 0; j--) {
                r[j] = j == i ? mine : same_rate(c->f[j], mine);
                r[j] = r[j] != NULL && r[j]->valid > 0 ? r[j] : NULL;
                with += r[j] != NULL;
                first = r[j] != NULL ? j : first;
            }
            if (mine->valid == 0) {
                give_reason(c, "%s %s: no discharge of it is valid", c->name[i],
                            rate_words(mine, where, sizeof where));
            } else if (with < 2) {
                tell_lonely(c, i, mine);
            } else if (first == i) { /* once, with the first that has it */
                add_rate(c, r, rate_words(mine, where, sizeof where));
                tell_ages(c, r, where);
            }
        }
    }
}

/* -- over life */

/* The valid cycle of the ageing rate nearest to a number, at most NEAR_CYCLES away; not the first
 * one, which is 100 % of itself. */
static bool near(const struct findings *f, int64_t number, struct finding_discharge *out)
{
    struct finding_discharge d;
    int64_t off = NEAR_CYCLES + 1;
    for (size_t i = 0; i < f->cycle.n; i++) {
        int64_t by = f->cycle.row[i].cycle - number;
        by = by < 0 ? -by : by;
        if (by < off && findings_discharge_of_cycle(f, i, &d) &&
            (d.flags & WN_FLAGS_INVALID) == 0 && findings_same_rate(&d, &f->fade.first) &&
            d.at.number != f->fade.first.at.number) {
            *out = d;
            off = by;
        }
    }
    return off <= NEAR_CYCLES;
}

/* Of the cell's own first cycle, with what both cycles may lie beside their neighbours. */
static struct wn_measured retention_at(const struct findings *f, const struct finding_discharge *d)
{
    const struct finding_discharge *first = &f->fade.first;
    struct wn_measured r = findings_retention(f, first, d);
    double now = findings_scatter(f, d->at.number, false) / first->capacity_ah.value;
    double then = r.value * findings_scatter(f, first->at.number, false) / first->capacity_ah.value;
    r.u = hypot(r.u, hypot(now, then));
    return r;
}

static void add_life(struct compare *c, const bool *in, int64_t cycle)
{
    struct compare_item *m = add(c, "retention", "retention", "keeps more of its capacity", "%");
    struct compare_item *r =
        add(c, "resistance", "resistance at the onset", "has less resistance", "mohm");
    m->scale = 100;
    m->decimals = 2;
    r->scale = 1e3;
    r->decimals = 2;
    r->less_is_better = true;
    (void)snprintf(m->where, sizeof m->where, "after cycle %lld", (long long)cycle);
    (void)snprintf(r->where, sizeof r->where, "at cycle %lld", (long long)cycle);
    (void)snprintf(m->title, sizeof m->title, "cycle %lld, %% of first", (long long)cycle);
    (void)snprintf(r->title, sizeof r->title, "cycle %lld, onset mohm", (long long)cycle);
    for (int i = 0; i < c->n; i++) {
        struct finding_discharge d;
        if (in[i] && near(c->f[i], cycle, &d)) {
            m->value[i] = retention_at(c->f[i], &d);
            r->value[i] = d.resistance_ohm;
            r->value[i].u = hypot(r->value[i].u, findings_scatter(c->f[i], d.at.number, true));
        }
    }
}

/* A round number of cycles between the points that are compared. */
static int64_t spacing(int64_t last)
{
    static const int64_t round[] = {1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000, 2000, 5000};
    size_t i = 0;
    while (i + 1 < sizeof round / sizeof round[0] && last / round[i] >= LIFE_POINTS_MAX) {
        i++;
    }
    return round[i];
}

/* Who was aged at the rate of the first one that was aged; how many, and up to which cycle all. */
static int same_ageing(struct compare *c, bool *in, int64_t *last)
{
    char a[48], b[48];
    int first = -1, n = 0;
    *last = INT64_MAX;
    for (int i = 0; i < c->n; i++) {
        const struct finding_fade *x = &c->f[i]->fade;
        first = first < 0 && x->known ? i : first;
        in[i] = x->known && findings_same_rate(&x->first, &c->f[first]->fade.first);
        if (in[i]) {
            *last = x->last.at.number < *last ? x->last.at.number : *last;
            n++;
        } else if (x->known) {
            give_reason(c, "over life: %s was cycled %s, %s %s", c->name[first],
                        rate_words(&c->f[first]->rate[c->f[first]->fade.rate], a, sizeof a),
                        c->name[i], rate_words(&c->f[i]->rate[x->rate], b, sizeof b));
        } else {
            give_reason(c, "%s over its life: it has no two valid cycles of one rate", c->name[i]);
        }
    }
    return n;
}

/* The charges of the cycles, where they differ: the ageing is another then. */
static const char *charge_of(const struct findings *f)
{
    for (size_t i = 0; i < f->steps && f->plan != NULL; i++) {
        if (f->step[i].kind == WN_STEP_CHARGE && !f->step[i].in_check_up) {
            return f->step[i].description;
        }
    }
    return NULL;
}

static void tell_charges(struct compare *c, const bool *in)
{
    int first = -1;
    for (int i = 0; i < c->n; i++) {
        const char *mine = in[i] ? charge_of(c->f[i]) : NULL;
        if (in[i] && mine == NULL) {
            give_reason(c, "how %s was charged is not known: it may have aged otherwise",
                        c->name[i]);
        }
        const char *other = first >= 0 ? charge_of(c->f[first]) : NULL;
        if (mine != NULL && other != NULL && strcmp(mine, other) != 0) {
            give_reason(c, "%s: %s, %s: %s: they may have aged otherwise", c->name[first], other,
                        c->name[i], mine);
        }
        first = first < 0 && mine != NULL ? i : first;
    }
}

static void compare_life(struct compare *c)
{
    int64_t last = 0;
    bool in[COMPARE_MAX];
    if (same_ageing(c, in, &last) < 2) {
        return;
    }
    tell_charges(c, in);
    int64_t step = spacing(last);
    for (int64_t k = step; k + NEAR_CYCLES < last; k += step) {
        add_life(c, in, k);
    }
    add_life(c, in, last);
}

/* -- the rest */

static void compare_fresh_resistance(struct compare *c)
{
    struct compare_item *m =
        add(c, "resistance_two_level", "DC resistance", "has less resistance", "mohm");
    m->scale = 1e3;
    m->decimals = 2;
    m->less_is_better = true;
    (void)snprintf(m->where, sizeof m->where, "in its first check-up");
    (void)snprintf(m->title, sizeof m->title, "first check-up, mohm");
    for (int i = 0; i < c->n; i++) {
        for (int k = 0; k < c->f[i]->resistances; k++) {
            const struct finding_resistance *r = &c->f[i]->resistance[k];
            m->value[i] = r->method == FINDING_TWO_LEVEL ? r->first_ohm : m->value[i];
        }
    }
}

static void compare_projection(struct compare *c)
{
    double threshold = NAN;
    struct compare_item *m =
        add(c, "end_of_life", "projected end", "is projected to last longer", "cycles");
    (void)snprintf(m->where, sizeof m->where, "to its threshold");
    (void)snprintf(m->title, sizeof m->title, "projected end, cycle");
    for (int i = 0; i < c->n; i++) {
        const struct finding_fade *a = &c->f[i]->fade;
        const struct wn_fade_result *p = &a->projection;
        double own = c->f[i]->info.retention_threshold;
        if (!a->known || !a->projected || p->state == WN_FADE_NOT_YET_PREDICTABLE) {
            continue;
        }
        if (isfinite(threshold) && fabs(own - threshold) > 1e-9) {
            give_reason(c, "projected ends: the thresholds differ (%.4g and %.4g %% of rated)",
                        100 * threshold, 100 * own);
            c->items--;
            return;
        }
        threshold = own;
        m->value[i].value = p->eol_median_cycle;
        m->low[i] = p->eol_p10_cycle;
        m->high[i] = p->eol_p90_cycle;
    }
}

/* A value that was not measured as the standard asks may be another for that reason. */
static void tell_conditions(struct compare *c)
{
    for (int i = 0; i < c->n; i++) {
        char list[160] = "";
        for (int k = 0; k < c->f[i]->conditions; k++) {
            const struct finding_condition *q = &c->f[i]->condition[k];
            size_t at = strlen(list);
            if (q->kept == FINDING_NOT_KEPT) {
                (void)snprintf(list + at, sizeof list - at, "%s%s", at > 0 ? ", " : "", q->title);
            }
        }
        if (list[0] != '\0') {
            give_reason(c, "%s: conditions not kept: %s", c->name[i], list);
        }
    }
}

/* An item that fewer than two have compares nothing. */
static void drop_lonely(struct compare *c)
{
    int kept = 0;
    for (int i = 0; i < c->items; i++) {
        int with = 0;
        for (int k = 0; k < c->n; k++) {
            with += has(&c->item[i], k);
        }
        if (with >= 2) {
            c->item[kept++] = c->item[i];
        }
    }
    c->items = kept;
}

void findings_compare(const struct findings *const *f, int n, struct compare *out)
{
    memset(out, 0, sizeof *out);
    out->n = n;
    for (int i = 0; i < n; i++) {
        out->f[i] = f[i];
        (void)snprintf(out->name[i], sizeof out->name[i], "%c", 'A' + i);
    }
    compare_rates(out);
    compare_fresh_resistance(out);
    compare_life(out);
    compare_projection(out);
    tell_conditions(out);
    drop_lonely(out);
    for (int i = 0; i < out->items; i++) {
        judge(out, &out->item[i]);
    }
}

/* What a campaign found: computed once, from the campaign file, for reports and comparisons.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * findings_read() is the rim: it takes the rows out of the file. findings_judge() is pure: from the
 * rows to conditions, rates, resistances, fade and the verdicts on what the datasheet claims.
 * Values are in the units of their names, uncertainties are standard ones (k = 1); NaN is "not
 * known". A log that was imported tells little of how it was measured: that is "not known" then,
 * never invented. */
#ifndef WANE_FINDINGS_H
#define WANE_FINDINGS_H

#include "fade/fade.h"
#include "measuring.h"
#include "wane.h"

/* The standard's conditions (IEC 61960-3:2017, from memory: to be confirmed with its text). */
#define FINDINGS_AMBIENT_MIN_C 15.0
#define FINDINGS_AMBIENT_MAX_C 25.0
#define FINDINGS_REST_MIN_S    3600.0
/* Currents, powers and resistances of one rate: so far apart at most. */
#define FINDINGS_SAME_RATE    0.02
#define FINDINGS_IMPEDANCE_HZ 1000.0

enum finding_kept { FINDING_KEPT, FINDING_NOT_KEPT, FINDING_NOT_KNOWN };

enum { FINDINGS_CONDITIONS_MAX = 12, FINDINGS_RATES_MAX = 24, FINDINGS_CLAIMS_MAX = 8 };
enum { FINDINGS_INSTRUMENTS_MAX = 32, FINDINGS_CERTIFICATES_MAX = 64 };

/** Where something was: a cycle, or a check-up. */
struct finding_place {
    int64_t number; /* 0: nowhere */
    bool in_check_up;
};

struct finding_condition {
    const char *key;   /* stable word of the JSON */
    const char *title; /* for people */
    enum finding_kept kept;
    int64_t judged, missed, unknown; /* steps, discharges, charges or cycles, as the title says */
    struct finding_place first_missed;
    char asked[200], found[400]; /* sentences */
};

/** One discharge that was measured. */
struct finding_discharge {
    struct finding_place at;
    bool power;
    double current_a, power_w; /* means */
    double cutoff_v;           /* NaN: the whole discharge */
    struct wn_measured capacity_ah, energy_wh, resistance_ohm;
    double mean_voltage_v, temperature_max_c, temperature_rise_k;
    double slope_v_per_s; /* at the cut-off */
    unsigned flags;
};

/** The discharges at one current or power to one cut-off. */
struct finding_rate {
    bool power;
    double set;    /* A or W: as planned where that is known, else the mean */
    double centre; /* A or W: of its first discharge, by which the others were told */
    double cutoff_v;
    double until_temperature_c; /* that ends it too, as planned; NaN: none */
    int64_t n, valid;
    struct finding_discharge first, last; /* valid ones; the first and last of all without any */
    double temperature_max_c;             /* of all */
};

enum finding_method {
    FINDING_ONSET,     /* one step, so long after the onset of a discharge */
    FINDING_TWO_LEVEL, /* of the check-ups */
    FINDING_AC         /* entered by hand */
};

struct finding_resistance {
    enum finding_method method;
    double set_a;     /* of the discharge it was taken in; NaN */
    double delay_s;   /* onset: NaN when not known */
    double hz;        /* AC */
    double voltage_v; /* two-level: before the pulse, of the first */
    int64_t n;
    struct finding_place first_at, last_at;
    struct wn_measured first_ohm, last_ohm;
};

struct finding_fade {
    bool known;  /* there are two valid cycles of one rate */
    size_t rate; /* which */
    struct finding_discharge first, last;
    struct wn_measured retention_of_first; /* what both have in common cancels */
    double scatter; /* of it, standard: what both cycles may lie beside their neighbours; 0: not
                       told */
    double retention_of_rated;
    double initial_ah; /* median of the first five valid cycles */
    bool projected;    /* there is a threshold, and `projection` tells what of it is known */
    struct wn_fade_result projection;
};

struct finding_claim {
    const char *key, *title, *unit;
    char claimed[160]; /* "at least 2.500 Ah at 0.2 It to 2.5 V" */
    double bound;
    bool at_most;
    struct wn_measured measured; /* NaN: not measured */
    struct finding_place at;
    const char *verdict; /* the words of wane claim, "not measured", or "no limit" */
    double probability;  /* NaN where none belongs to it */
    char note[240];      /* what the reader must know of it; or "" */
};

struct finding_session {
    wn_utc_us start_utc;
    wn_ns time_ns;
};

struct findings {
    /* what was read; owned */
    struct wn_campaign_info info;
    char status[32];
    bool over;
    struct wn_step_record *step;
    size_t steps, step_room;
    struct wane_cycles cycle;
    struct wn_check_up_record *check_up;
    size_t check_ups, check_up_room;
    struct wn_event_row *event;
    size_t events, event_room;
    struct finding_session *session;
    size_t sessions, session_room;
    struct wn_instrument_record instrument[FINDINGS_INSTRUMENTS_MAX];
    /* of each its own data sheet's; NaN what it does not measure, or what is not told */
    struct wn_accuracy instrument_accuracy[FINDINGS_INSTRUMENTS_MAX];
    int instruments;
    struct wn_calibration_record certificate[FINDINGS_CERTIFICATES_MAX];
    int certificates;
    struct wn_procedure *plan; /* NULL: not known */
    enum wn_sense sense;
    char *frozen, frozen_sha256[65]; /* configuration */
    char tolerances_unmet[400];      /* in words; "" when all were met */
    struct measuring measuring;
    wn_utc_us last_utc; /* of the last record; 0: none */
    /* what was found */
    struct finding_condition condition[FINDINGS_CONDITIONS_MAX];
    int conditions;
    struct finding_rate rate[FINDINGS_RATES_MAX];
    size_t rates, rates_left_out;
    struct finding_resistance resistance[FINDINGS_RATES_MAX + 2];
    int resistances;
    struct finding_fade fade;
    struct finding_claim claim[FINDINGS_CLAIMS_MAX];
    int claims;
    int64_t cycles_valid, alarms, alarms_open, warnings;
    double time_s, missing_s, charge_out_ah; /* of campaign time; not integrated; discharged */
};

/** Empties it. */
void findings_init(struct findings *f);
void findings_free(struct findings *f);
/** Reads everything out of an open campaign and judges it. */
int findings_read(struct wane_campaign *c, struct findings *out, struct wn_error *err);
/** From what was read to what was found. Pure. */
void findings_judge(struct findings *f);

/* The parts of it, each pure: findings_conditions.c, findings_rates.c, findings_claims.c */
void findings_judge_conditions(struct findings *f);
void findings_sort_rates(struct findings *f);
void findings_find_resistances(struct findings *f);
void findings_find_fade(struct findings *f);
void findings_judge_claims(struct findings *f);

/** The discharge of a cycle or check-up. False when it has none that was measured. */
bool findings_discharge_of_cycle(const struct findings *f, size_t i, struct finding_discharge *out);
bool findings_discharge_of_check_up(const struct findings *f, size_t i,
                                    struct finding_discharge *out);
/** Two discharges at the same rate to the same cut-off? Symmetric. */
bool findings_same_rate(const struct finding_discharge *a, const struct finding_discharge *b);
/** The cycles of one rate as the projection sees them, into point[0..cycles); returns how many. */
size_t findings_points(const struct findings *f, const struct finding_rate *rate,
                       struct wn_fade_point *point);
/** Capacity of `now` over that of `first`, of one campaign. */
struct wn_measured findings_retention(const struct findings *f,
                                      const struct finding_discharge *first,
                                      const struct finding_discharge *now);

/** Standard deviation of the valid cycles around a cycle of the ageing rate from a straight line
 * through them, of capacity or of resistance; 0 for fewer than five. */
double findings_scatter(const struct findings *f, int64_t number, bool resistance);

/** "cycle 12", "check-up 2"; "" for nowhere. Returns buf. */
const char *findings_place(struct finding_place at, char *buf, size_t size);
/** "10 A", "36 W". */
const char *findings_set(bool power, double set, char *buf, size_t size);
/** "kept", "not kept", "not known"; and "DC resistance at the onset..." */
const char *findings_kept_word(enum finding_kept kept);
const char *findings_method_word(enum finding_method method);

/** Everything that was found, with stable keys. NULL when memory ran out. */
json_t *findings_json(const struct findings *f);

#endif

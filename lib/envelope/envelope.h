/* Envelope: the limits inside which the output may be on.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Pure. The hard envelope is the tightest of station, cell and procedure. Every rule is one row of
 * WN_RULE_LIST, which the code, the documentation, `wane check` and the tests all read. A rule
 * trips when its condition held for `debounce` readings in a row. */
#ifndef WN_ENVELOPE_ENVELOPE_H
#define WN_ENVELOPE_ENVELOPE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>
#include "base/reading.h"

/* A step that has run so much longer than its time limit was not ended: something is stuck. */
#define WN_STEP_TIMEOUT_FACTOR 1.05
#define WN_STEP_TIMEOUT_S      60.0

enum wn_reaction {
    WN_REACTION_WARN, /* record a warning, go on */
    WN_REACTION_HALT  /* outputs off, verified, latched until acknowledged */
};

/* name, word, default debounce in readings, reaction, unit, sentence */
#define WN_RULE_LIST(X)                                                                            \
    X(OVER_VOLTAGE, "over_voltage", 1, HALT, "V", "cell voltage is above the highest allowed")     \
    X(UNDER_VOLTAGE, "under_voltage", 1, HALT, "V", "cell voltage is below the lowest allowed")    \
    X(REVERSED, "reversed", 1, HALT, "V", "cell voltage is negative: polarity or a lead")          \
    X(REDUCED_VOLTAGE, "reduced_voltage", 2, HALT, "V",                                            \
      "charge voltage is above what is allowed for a cell this cold or warm")                      \
    X(OVER_TEMPERATURE, "over_temperature", 1, HALT, "degC",                                       \
      "cell is hotter than allowed in this direction of current")                                  \
    X(UNDER_TEMPERATURE, "under_temperature", 2, HALT, "degC",                                     \
      "cell is colder than allowed in this direction of current")                                  \
    X(TEMPERATURE_RISE, "temperature_rise", 3, HALT, "K/min", "cell warms up faster than allowed") \
    X(TEMPERATURE_FALL, "temperature_fall", 2, HALT, "K/min",                                      \
      "temperature falls faster than a cell under current cools: thermometer has come off")        \
    X(ABOVE_AMBIENT, "above_ambient", 3, HALT, "K",                                                \
      "cell is too much warmer than its surroundings")                                             \
    X(BELOW_AMBIENT, "below_ambient", 3, HALT, "K",                                                \
      "cell is colder than its surroundings: the thermometers disagree")                           \
    X(THERMOMETER_FROZEN, "thermometer_frozen", 1, HALT, "s",                                      \
      "cell temperature has not moved under a high current: thermometer")                          \
    X(OVER_CURRENT, "over_current", 1, HALT, "A", "current is beyond the highest allowed")         \
    X(OFF_SET_POINT, "off_set_point", 3, HALT, "A", "current is not what was set")                 \
    X(CURRENT_WHILE_OFF, "current_while_off", 3, HALT, "A",                                        \
      "current flows although the output is off")                                                  \
    X(CHARGE_OVERRUN, "charge_overrun", 1, HALT, "Ah",                                             \
      "more charge went in or out than the cell holds")                                            \
    X(CHARGE_EXCESS, "charge_excess", 1, HALT, "Ah",                                               \
      "more charge went in than the discharge before took out")                                    \
    X(STEP_TIMEOUT, "step_timeout", 1, HALT, "s", "step has not ended long after its time limit")  \
    X(NOT_PLAUSIBLE, "not_plausible", 2, HALT, "", "reading is no possible value or is missing")   \
    X(FROZEN, "frozen", 1, HALT, "s", "no value has moved while current flows: stale readings")    \
    X(VOLTAGE_FROZEN, "voltage_frozen", 1, HALT, "Ah",                                             \
      "voltage has not moved while charge flowed, nor current fallen: voltmeter")                  \
    X(UNWATCHED, "unwatched", 1, HALT, "s", "output was on with nobody reading the cell")          \
    X(VOLTAGE_JUMP, "voltage_jump", 2, HALT, "V",                                                  \
      "voltage moved further than the current explains: sense lead or contact")                    \
    X(CONTACT, "contact", 2, HALT, "ohm",                                                          \
      "voltage step at switching on is no cell's: contact, sense lead or polarity")                \
    X(REST_SAG, "rest_sag", 3, HALT, "V", "voltage sinks at rest: the cell discharges itself")     \
    X(CAPACITY_COLLAPSE, "capacity_collapse", 1, HALT, "Ah",                                       \
      "capacity fell from one cycle to the next: cell damaged, or a contact")

enum wn_rule {
#define WN_RULE_ENUM(name, word, debounce, reaction, unit, text) WN_RULE_##name,
    WN_RULE_LIST(WN_RULE_ENUM)
#undef WN_RULE_ENUM
        WN_RULE_COUNT
};

/** No step may move more charge than this part of the rated capacity, whatever the station allows:
 * new cells hold a few percent more than rated, a charge that goes on beyond a quarter more feeds a
 * fault. Common practice, no source. */
#define WN_CHARGE_MAX_OF_RATED 1.25

/** Thresholds; NaN switches a rule off (only the optional ones may be NaN: rates, ambient,
 * temperatures without thermometer). Where the charge or the time of a step is judged, 1 It is
 * charge_max_ah / (WN_CHARGE_MAX_OF_RATED h), as the configuration sets it from the rated capacity.
 */
struct wn_limits {
    double voltage_max_v, voltage_min_v;
    double charge_temperature_min_c, charge_temperature_max_c;
    double discharge_temperature_min_c, discharge_temperature_max_c;
    double rest_temperature_max_c;
    double temperature_rise_k_per_min;
    double above_ambient_k;
    double charge_current_max_a, discharge_current_max_a;
    double set_point_tolerance_a; /* absolute part of OFF_SET_POINT */
    double set_point_tolerance;   /* relative part */
    double off_current_a;         /* |I| below this counts as off */
    double charge_max_ah;         /* in one step, either direction */
    double voltage_jump_v;        /* between two readings at unchanged set-point */
    /* The following are switched off by NaN or 0. */
    double reduced_voltage_v; /* highest while charging below cool_below_c or above warm_above_c */
    double cool_below_c, warm_above_c;
    double temperature_fall_k_per_min; /* with the output on */
    double below_ambient_k;
    double thermometer_frozen_s; /* without a change while 1 It or more flows */
    double charge_excess;        /* above what was taken out: part of the rated capacity */
    double frozen_s;             /* without a change of anything while current flows */
    double voltage_frozen;       /* voltage as it was while this part of the rated capacity flows */
    double unwatched_s;          /* between two readings with the output on */
    double contact_ohm;          /* of cell, contacts and leads together */
    double rest_sag_v;        /* below the highest voltage of this rest after ten minutes of it */
    double capacity_collapse; /* part of the capacity of the cycles before */
    bool needs_temperature;   /* a missing cell temperature is NOT_PLAUSIBLE */
    unsigned char debounce[WN_RULE_COUNT]; /* 0: the default of the table */
};

/** What the output is meant to do; from the engine. */
struct wn_envelope_context {
    bool output_on;
    int direction;            /* +1 charge, -1 discharge, 0 rest */
    double set_current_a;     /* magnitude; NaN when the current is free (constant power,
                                 constant-voltage part) */
    double set_power_w;       /* constant power; NaN, or 0: none */
    double current_max_set_a; /* magnitude never to be exceeded now (charge: set current); NaN
                                 unknown */
    wn_ns since_change_ns; /* campaign time of the last change of output or set-point: settling time
                              for some rules */
    double step_charge_ah; /* magnitude moved in the present step */
    double charge_expected_ah;        /* what the discharge before took out; NaN unknown */
    double step_s, step_time_limit_s; /* running time of the step, and its own limit; NaN: none */
};

/** Judge state between readings. Plain data. */
struct wn_envelope {
    struct wn_limits limits;
    unsigned char count[WN_RULE_COUNT];
    struct wn_reading last;
    bool has_last;
    double rise_from_c; /* slow filter for the rise rate */
    wn_ns rise_from_ns;
    bool has_rise;
    double rate_k_per_min;     /* of the temperature, up to this reading; NaN: none now */
    wn_ns same_from_ns;        /* no value has moved since */
    wn_ns same_temperature_ns; /* the cell temperature has not, or no high current flowed before */
    double still_v, still_a; /* when the voltage, or the current beyond its tolerance, moved last */
    double still_ah;         /* moved since */
    double steady_v;         /* of the last reading that was no jump, and when */
    wn_ns steady_ns;
    unsigned jumps;      /* bit by bit: was that reading one? The latest is the lowest */
    wn_ns rest_since_ns; /* which rest it is */
    double rest_v;       /* last at rest; NaN: none yet */
    double rest_high_v;  /* highest of this rest, once settled; NaN: not settled yet */
};

struct wn_envelope_verdict {
    unsigned holding; /* bit (1 << rule): judged by this reading and held for its debounce */
    bool in_doubt;    /* a rule holds, but not yet for its debounce: read again soon */
    bool tripped;
    enum wn_rule rule; /* the first that tripped, in the order of the table */
    double value, limit;
    char text[200]; /* sentence with value, limit and unit */
};

void wn_envelope_init(struct wn_envelope *e, const struct wn_limits *limits);
/** Judges one reading. Readings with a missing voltage or current are judged too (NOT_PLAUSIBLE).
 */
void wn_envelope_judge(struct wn_envelope *e, const struct wn_reading *r,
                       const struct wn_envelope_context *c, struct wn_envelope_verdict *out);

/** CAPACITY_COLLAPSE, which no reading shows: a valid cycle against the capacity of those before.
 * Fills the verdict as wn_envelope_judge() does. */
void wn_envelope_judge_capacity(const struct wn_limits *limits, double capacity_ah,
                                double expected_ah, struct wn_envelope_verdict *out);

const char *wn_rule_word(enum wn_rule rule);
const char *wn_rule_text(enum wn_rule rule);
/** "V", "degC", ...; "" for a rule without unit. */
const char *wn_rule_unit(enum wn_rule rule);
enum wn_reaction wn_rule_reaction(enum wn_rule rule);
int wn_rule_debounce(const struct wn_limits *limits, enum wn_rule rule);
/** "4.25 V", "60 degC": the threshold as `wane check` prints it; "off" when NaN. Two-sided rules
 * print both directions. */
const char *wn_rule_limit_format(const struct wn_limits *limits, enum wn_rule rule, char *buf,
                                 size_t size);
/** Takes the tightest of two sets. */
void wn_limits_tighten(struct wn_limits *into, const struct wn_limits *other);

#endif

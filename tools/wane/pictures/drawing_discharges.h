/* Pictures of campaigns: the discharges of one, and their curves from the stored readings.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_DRAWING_DISCHARGES_H
#define WANE_DRAWING_DISCHARGES_H

#include "drawing_parts.h"

/** One finished discharge: of a cycle, or of a check-up. */
struct drawing_discharge {
    bool check_up;
    int64_t number;      /* of the cycle or the check-up */
    int64_t after_cycle; /* of a check-up */
    unsigned flags;
    bool power;                              /* at constant power */
    int64_t step_from, step_to;              /* several after an interruption */
    wn_ns start_ns, end_ns;                  /* campaign time */
    double charge_ah, energy_wh, duration_s; /* as measured over every reading */
    double cutoff_v;                         /* NaN: none */
    double temperature_max_c, ambient_min_c, ambient_max_c;
};

struct drawing_discharges {
    struct drawing_discharge *row; /* in order of time */
    size_t n, room;
};

/** Voltage and temperature (NaN: not measured) over charge and energy, both from 0 on. */
struct drawing_curve {
    double *charge_ah, *energy_wh, *voltage_v, *temperature_c;
    size_t n, room;
    double edge_ah; /* that may have flowed before its first and behind its last reading */
    bool failed;    /* memory ran out */
};

/** Every finished discharge whose cycle or check-up is over. */
int drawing_read_discharges(struct drawing_subject *s, struct drawing_discharges *out,
                            struct wn_error *err);
void drawing_free_discharges(struct drawing_discharges *d);

/** Its readings under load, integrated as they are stored: on change, so that between two of them
 * voltage and current were level or straight within what was chosen at the station. */
int drawing_read_curve(struct drawing_subject *s, const struct drawing_discharge *d,
                       struct drawing_curve *out, struct wn_error *err);
void drawing_free_curve(struct drawing_curve *c);
/** Does the curve lack more than a hundredth of the charge that was measured, and than a discharge
 * begins and ends between two readings? */
bool drawing_lacks(const struct drawing_curve *c, const struct drawing_discharge *d);

enum { DRAWING_PICKS_MAX = 24 };

/** Which of them are drawn. */
struct drawing_picks {
    struct drawing_discharge of[DRAWING_PICKS_MAX];
    int n;
    bool rates; /* one of each current, in rising order: what tells them apart */
};

/** Those that were chosen; else the check-ups when `check_ups`, else one of each current when there
 * are several, else the first, the last and some evenly between, valid ones only: at most `most`.
 * WN_EINVAL: there is none like that. */
int drawing_pick(const struct drawing_subject *s, const struct drawing_discharges *d,
                 const struct drawing_choice *choice, bool check_ups, int most,
                 struct drawing_picks *out, struct wn_error *err);

#endif

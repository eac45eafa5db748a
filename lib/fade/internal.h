/* Parts of the projection that tests and the bench look into; programs use fade.h.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FADE_INTERNAL_H
#define WN_FADE_INTERNAL_H

#include <stdbool.h>
#include <stddef.h>

#include "fade/fade.h"
#include "fade/shape.h"

enum {
    WN_FADE_BINS = 48,
    WN_FADE_Z = 64,
    WN_FADE_WARPS = 5,
    WN_FADE_NOBODY = -1,
    WN_FADE_WIDTHS = 4
};

/** The valid points of a campaign, condensed. */
struct wn_fade_digest {
    size_t used, left_out;
    double first_ah;   /* median of the first five valid points */
    double last_cycle; /* of the last valid point */
    double crossed_at; /* NaN unless three consecutive valid points lie below the threshold */
    size_t below;      /* valid points in a row below the threshold, up to the end */
    int bins;
    double cycle[WN_FADE_BINS];
    double capacity_ah[WN_FADE_BINS]; /* medians */
};

/** Leaves out flagged points and excursions, looks for the crossing, condenses the rest to at most
 * WN_FADE_BINS medians. */
void wn_fade_digest(const struct wn_fade_point *points, size_t n, double threshold_ah,
                    struct wn_fade_digest *out);

/** One row of the library: the fitted shape of a finished life. */
struct wn_fade_row {
    short family, cell; /* numbers in the table of families; cell counts within the family */
    struct wn_fade_shape shape;
    double life;  /* cycles to the threshold */
    double first; /* initial capacity, Ah */
    double depth; /* 1 - threshold / initial capacity */
};
extern const struct wn_fade_row wn_fade_rows[];
extern const int wn_fade_row_count;
extern const char *const wn_fade_families[];
extern const int wn_fade_family_count;

/** Numbers of the method. The bench varies them; wn_fade_tuning is what ships. */
struct wn_fade_tuning {
    double mass_real, mass_synthetic; /* prior mass; the vague draws have the rest */
    int synthetic, vague;             /* how many draws */
    double warp_step;                 /* warps of real shapes are exp(k warp_step), k = -2..2 */
    double spread;                    /* of the synthetic draws around the rows */
    double weight_power;              /* weight of a point: (cycle / last cycle)^weight_power */
    double sigma;                 /* scale of the noise, in shares of the way to the threshold */
    double sigma_dof;             /* how firmly it is believed */
    double points;                /* how many points the prefix is worth at most */
    double level_sd;              /* prior spread of the starting level */
    double life_slope, life_bend; /* prior density of z: exp(-slope z + bend z^2) */
    double depth_width;  /* real rows count less when their threshold lies at another depth */
    double power_chance; /* vague draws: share of pure power laws */
    double vague_b_mean, vague_b_sd;  /* ln of the exponent */
    double vague_w_low, vague_w_high; /* logit of the weight of the power part */
    double vague_c_low, vague_s_low;  /* earliest knee, sharpest knee */
    double vague_r_sd, vague_r_low;   /* early recovery, below 0 a running-in loss */
    double late;                      /* share by which a wide median is shortened late in life, */
    double late_knee;                 /* and up to this z when it speeds up from the start on */
    double late_slow, late_fast;      /* up to these z while the loss slows down, speeds up */
    double sides[WN_FADE_WIDTHS][2];  /* factors on lower and upper side */
    double lean; /* how much narrower the sides are when one family explains the curve */
};
extern const struct wn_fade_tuning wn_fade_tuning;

/** Which rows may not be used: for cross-validation. WN_FADE_NOBODY: all may. cell is within
 * family. */
struct wn_fade_without {
    int family, cell;
};

/** Posterior of z = ln(life / last cycle). */
struct wn_fade_posterior {
    double z[WN_FADE_Z + 1]; /* edges of the cells, rising from 0 */
    double mass[WN_FADE_Z];  /* adds up to 1 */
    double leaning[3];       /* posterior mass of real, synthetic, vague shapes */
    int family;              /* that the real shapes lean on most */
    double family_share;     /* its share of all mass */
    /* z below which 80 and 90 % would lie, were each share of life equally likely before */
    double free80, free90;
    double top; /* largest logarithm met: the scale of a second pass */
};

void wn_fade_infer(const struct wn_fade_digest *digest, double threshold_ah,
                   const struct wn_fade_tuning *tuning, const struct wn_fade_without *without,
                   struct wn_fade_posterior *out);

/** Fills out->curve from the last cycle to out->eol_p90_cycle: a second pass over the library. p10
 * is the low end. */
void wn_fade_look_ahead(const struct wn_fade_digest *digest, const struct wn_fade_tuning *tuning,
                        const struct wn_fade_without *without,
                        const struct wn_fade_posterior *posterior, struct wn_fade_result *out);

/** z below which the share p of the posterior lies, linear inside a cell. */
double wn_fade_quantile(const struct wn_fade_posterior *posterior, double p);

/** How far the cell has come. */
struct wn_fade_progress {
    double lost; /* share of the way from the start to the threshold */
    double bend; /* (lost - 2 lost at half of the cycles) / lost: below 0 the loss slows down */
    double turn; /* the same from first_ah on, which few points leave late: past a running-in */
};
void wn_fade_progress(const struct wn_fade_digest *digest, double threshold_ah,
                      struct wn_fade_progress *out);

enum wn_fade_refusal {
    WN_FADE_ANSWERED,
    WN_FADE_TOO_LITTLE,
    WN_FADE_TOO_MANY_LIVES,
    WN_FADE_MAY_BE_RUNNING_IN
};
/** The answer as ln(life / last cycle): 10 % point, median, 90 % point; or why there is none. */
enum wn_fade_refusal wn_fade_answer(const struct wn_fade_digest *digest, double threshold_ah,
                                    const struct wn_fade_posterior *posterior,
                                    const struct wn_fade_tuning *tuning, double z[3]);

/** wn_fade_project() with other numbers and without some rows; out->curve only when asked for. */
int wn_fade_project_tuned(const struct wn_fade_point *points, size_t n, double threshold_ah,
                          const struct wn_fade_tuning *tuning,
                          const struct wn_fade_without *without, bool curve,
                          struct wn_fade_result *out, struct wn_error *err);

/** P(life > cycles) by a projected result: the probability of a claim. */
double wn_fade_longer(const struct wn_fade_result *result, double cycles);

#endif

/* Parts of the projection that tests and the bench look into; programs use fade.h.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FADE_INTERNAL_H
#define WN_FADE_INTERNAL_H

#include <math.h>
#include <stdbool.h>
#include <stddef.h>

#include "fade/fade.h"
#include "fade/shape.h"

enum {
    WN_FADE_BINS = 48,
    WN_FADE_Z = 64,
    WN_FADE_WARPS = 5,
    WN_FADE_ROWS_MAX = 200,
    WN_FADE_FAMILIES_MAX = 32,
    WN_FADE_NOBODY = -1,
    WN_FADE_WIDTHS = 5,
    WN_FADE_BENDS = 25,        /* of a line */
    WN_FADE_SETTLINGS = 48,    /* of a settling one, */
    WN_FADE_SETTLING_BENDS = 6 /* so many with each weight */
};

/** Where a shape of the library comes from. */
enum wn_fade_kind {
    WN_FADE_REAL,      /* the fitted shape of a finished life */
    WN_FADE_SYNTHETIC, /* a draw around one */
    WN_FADE_MIXTURE,   /* a mean of two, of different families */
    WN_FADE_VAGUE,     /* a general law, drawn without looking at any cell */
    WN_FADE_LINE,      /* a straight line or a slight bend, all the way */
    WN_FADE_SETTLING,  /* a fast start that slows down to a straight line */
    WN_FADE_OWN,       /* a finished life of the user's */
    /* the same under recoveries, slow drift and coarse measurements: */
    WN_FADE_REAL_ROUGH,
    WN_FADE_VAGUE_ROUGH,
    WN_FADE_LINE_ROUGH,
    WN_FADE_OWN_ROUGH,
    WN_FADE_KINDS
};

/** Whether a kind is the user's own lives, precise or rough. */
static inline bool wn_fade_is_own(enum wn_fade_kind kind)
{
    return kind == WN_FADE_OWN || kind == WN_FADE_OWN_ROUGH;
}

/** The valid points of a campaign, condensed. */
struct wn_fade_digest {
    size_t used, left_out;
    double first_ah;   /* median of the first five valid points */
    double start_ah;   /* where the fade starts: first_ah, or with few points the mean of fewer */
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

/** Numbers of one kind of shapes. */
struct wn_fade_group {
    double mass;         /* prior mass beside the other kinds; of the user's own lives, of all */
    double sigma;        /* scale of the noise, in shares of the way to the threshold */
    double points;       /* how many independent points the prefix is worth at most */
    double weight_power; /* weight of a point: (cycle / last cycle)^weight_power */
    double level_ridge;  /* how firmly the start is believed to be the measured one */
    double slope;        /* added to life_slope */
};

/** Numbers of the method. The bench varies them; wn_fade_tuning is what ships. */
struct wn_fade_tuning {
    struct wn_fade_group group[WN_FADE_KINDS];
    int synthetic, mixture, vague; /* how many draws */
    double warp_step;              /* warps of real shapes are exp(k warp_step), k = -2..2, */
    double warp_prior;             /* and this is how firmly none is preferred */
    double spread;                 /* of the synthetic draws around the rows */
    double drift;                  /* of errors beside finished lives: wn_fade_drift_init() */
    double sigma_dof;              /* how firmly sigma is believed */
    double life_slope, life_bend;  /* prior density of z: exp(-slope z + bend z^2) */
    double depth_width;  /* real rows count less when their threshold lies at another depth */
    double power_chance; /* vague draws: share of pure power laws */
    double vague_b_mean, vague_b_sd;     /* ln of the exponent */
    double vague_w_low, vague_w_high;    /* logit of the weight of the power part */
    double vague_c_low, vague_s_low;     /* earliest knee, sharpest knee */
    double vague_r_sd, vague_r_low;      /* early recovery, below 0 a running-in loss */
    double line_b_mean[2], line_b_sd[2]; /* ln of the exponent of a line, and of a rough one */
    double risen;                        /* share of the way it may rise before it is refused */
    /* factors on the lower and upper side, with few points and with many */
    double sides[2][WN_FADE_WIDTHS][2];
};
extern const struct wn_fade_tuning wn_fade_tuning;

/** What the library may lean on. The rows left out are for cross-validation: WN_FADE_NOBODY: all
 * may be used; the cell is within the family. own: finished lives of the user's (borrowed). */
struct wn_fade_use {
    int without_family, without_cell;
    const struct wn_fade_life *own;
    int own_count;
};

/** Noise of unknown size about a shape: scale `sigma`, believed as firmly as `dof` measurements
 * would make it, over points worth `worth` independent ones. Its size is integrated out under an
 * inverse-gamma prior, which leaves Student's t of `dof` degrees of freedom (from memory: any text
 * on Bayesian regression with conjugate priors). */
struct wn_fade_noise {
    float half, worth, floor, scale;
};
void wn_fade_noise_init(struct wn_fade_noise *noise, double dof, double sigma, double worth);
/** ln likelihood of the mean square off the shape; what depends on dof and worth alone is left
 * out. */
static inline float wn_fade_noise_log(const struct wn_fade_noise *noise, float mean_square)
{
    return noise->scale - noise->half * logf(noise->floor + noise->worth * mean_square);
}

/** Errors that drift: a stationary autoregression of the first order over the cycles (from memory:
 * any text on time series). What is new in error i, gain[i] (e[i] - carry[i] e[i - 1]), is
 * independent of all before and of the size of the whole. correlation: of errors 1 / WN_FADE_BINS
 * of the prefix apart, from 0 to below 1. Errors closer than half of that count as that far apart.
 */
struct wn_fade_drift {
    float carry[WN_FADE_BINS], gain[WN_FADE_BINS];
};
void wn_fade_drift_init(struct wn_fade_drift *drift, const struct wn_fade_digest *digest,
                        double correlation);

/** Posterior of z = ln(life / last cycle). */
struct wn_fade_posterior {
    double z[WN_FADE_Z + 1]; /* edges of the cells, rising from 0 */
    double mass[WN_FADE_Z];  /* adds up to 1 */
    double leaning[WN_FADE_KINDS];
    int family;          /* that the real shapes lean on most */
    double family_share; /* its share of all mass */
    int own;             /* the own life that the answer leans on most */
    double own_share;
    /* z below which 80 and 90 % would lie, were each share of life equally likely before */
    double free80, free90;
    double top; /* largest logarithm met: the scale of a second pass */
};

void wn_fade_infer(const struct wn_fade_digest *digest, double threshold_ah,
                   const struct wn_fade_tuning *tuning, const struct wn_fade_use *use,
                   struct wn_fade_posterior *out);

/** Fills out->curve from the last cycle to out->eol_p90_cycle: a second pass over the library. p10
 * is the low end. */
void wn_fade_look_ahead(const struct wn_fade_digest *digest, const struct wn_fade_tuning *tuning,
                        const struct wn_fade_use *use, const struct wn_fade_posterior *posterior,
                        struct wn_fade_result *out);

/** z below which the share p of the posterior lies, linear inside a cell. */
double wn_fade_quantile(const struct wn_fade_posterior *posterior, double p);

/** How far the cell has come. */
struct wn_fade_progress {
    double lost; /* share of the way from the start to the threshold */
    double bend; /* (lost - 2 lost at half of the cycles) / lost: below 0 the loss slows down */
};
void wn_fade_progress(const struct wn_fade_digest *digest, double threshold_ah,
                      struct wn_fade_progress *out);

enum wn_fade_refusal {
    WN_FADE_ANSWERED,
    WN_FADE_TOO_LITTLE,
    WN_FADE_RISES,
    WN_FADE_TOO_MANY_LIVES,
    WN_FADE_MAY_BE_RUNNING_IN
};
/** The answer as ln(life / last cycle): 10 % point, median, 90 % point; or why there is none. */
enum wn_fade_refusal wn_fade_answer(const struct wn_fade_digest *digest, double threshold_ah,
                                    const struct wn_fade_posterior *posterior,
                                    const struct wn_fade_tuning *tuning, double z[3]);

/** wn_fade_project() with other numbers and without some rows; out->curve only when asked for. */
int wn_fade_project_tuned(const struct wn_fade_point *points, size_t n, double threshold_ah,
                          const struct wn_fade_tuning *tuning, const struct wn_fade_use *use,
                          bool curve, struct wn_fade_result *out, struct wn_error *err);

/** Everything, and the own lives; own may be NULL. */
struct wn_fade_use wn_fade_use_of(const struct wn_fade_own *own);

/** wn_fade_judge_claim_own(); the capacity at the claim only when asked for. */
int wn_fade_judge_tuned(const struct wn_fade_point *points, size_t n, double cycles, double min_ah,
                        const struct wn_fade_use *use, bool curve, struct wn_fade_claim *out,
                        struct wn_error *err);

/** What wn_fade_project() asks of its points. */
int wn_fade_check(const struct wn_fade_point *points, size_t n, double threshold_ah,
                  struct wn_error *err);

/** P(life > cycles) by a projected result: the probability of a claim. */
double wn_fade_longer(const struct wn_fade_result *result, double cycles);

#endif

/* Metrology: differential capacity.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "metrology/differential.h"

#include <math.h>
#include <string.h>

#include "base/num.h"

struct readings {
    const double *charge_ah, *voltage_v;
    size_t n;
    double low_v, high_v, charge_sum_ah;
};

static int look_through(struct readings *r, struct wn_differential *out, struct wn_error *err)
{
    double weighted = 0;
    r->low_v = r->high_v = r->n > 0 ? r->voltage_v[0] : 0;
    for (size_t i = 0; i < r->n; i++) {
        double charge_ah = i > 0 ? r->charge_ah[i] - r->charge_ah[i - 1] : 0;
        double step_v = i > 0 ? fabs(r->voltage_v[i] - r->voltage_v[i - 1]) : 0;
        if (!isfinite(r->voltage_v[i]) || !isfinite(r->charge_ah[i]) || charge_ah < 0) {
            return wn_error_set(err, WN_EINVAL, "reading %zu has no value, or its charge falls",
                                i + 1);
        }
        r->low_v = fmin(r->low_v, r->voltage_v[i]);
        r->high_v = fmax(r->high_v, r->voltage_v[i]);
        r->charge_sum_ah += charge_ah;
        weighted += charge_ah * step_v;
    }
    if (r->n < WN_DIFFERENTIAL_POINTS_MIN) {
        return wn_error_set(err, WN_EINVAL, "%zu readings are too few for dQ/dV: at least %d", r->n,
                            WN_DIFFERENTIAL_POINTS_MIN);
    }
    if (!(r->charge_sum_ah > 0) || !(r->high_v > r->low_v)) {
        return wn_error_set(err, WN_EINVAL, "no charge passed, or its voltage never changed");
    }
    out->step_v = weighted / r->charge_sum_ah;
    return WN_OK;
}

/* How many edges on each side of a bin's middle the fit takes. */
static int choose_window(double window_v, struct wn_differential *out, size_t *half,
                         struct wn_error *err)
{
    char step[WN_NUM_SIZE], wanted[WN_NUM_SIZE];
    double needed_v = WN_DIFFERENTIAL_STEPS * out->step_v;
    double v = window_v > 0 ? window_v : fmax(WN_DIFFERENTIAL_WINDOW_V, needed_v);
    (void)wn_num_fixed(1e3 * out->step_v, 1, step, sizeof step);
    if (needed_v > WN_DIFFERENTIAL_WIDEST_V) {
        return wn_error_set(err, WN_EINVAL,
                            "readings that lie %s mV apart are too sparse for dQ/dV: at most "
                            "%.0f mV (store_change of the station tells which are kept)",
                            step, 1e3 * WN_DIFFERENTIAL_WIDEST_V / WN_DIFFERENTIAL_STEPS);
    }
    if (window_v > 0 && window_v < needed_v) {
        return wn_error_set(err, WN_EINVAL, "readings lie %s mV apart: smooth over at least %s mV",
                            step, wn_num_fixed(ceil(1e3 * needed_v), 0, wanted, sizeof wanted));
    }
    if (v < 2 * WN_DIFFERENTIAL_BIN_V || v > WN_DIFFERENTIAL_WIDEST_V) {
        return wn_error_set(err, WN_ERANGE, "smooth over %.0f to %.0f mV",
                            2e3 * WN_DIFFERENTIAL_BIN_V, 1e3 * WN_DIFFERENTIAL_WIDEST_V);
    }
    *half = (size_t)ceil(v / WN_DIFFERENTIAL_BIN_V / 2 - 1e-9);
    out->window_v = 2.0 * (double)*half * WN_DIFFERENTIAL_BIN_V;
    return WN_OK;
}

/* Bins from first * BIN_V on, so that curves of different cycles have the same ones. */
static int lay_bins(const struct readings *r, struct wn_differential *out, double *first,
                    struct wn_error *err)
{
    *first = floor(r->low_v / WN_DIFFERENTIAL_BIN_V + 1e-6); /* an edge stays one when rounded */
    double last = fmax(ceil(r->high_v / WN_DIFFERENTIAL_BIN_V - 1e-6) - 1, *first);
    if (last - *first + 1 > WN_DIFFERENTIAL_BINS_MAX) {
        return wn_error_set(err, WN_ERANGE, "voltages from %.3g to %.3g V are no curve of one cell",
                            r->low_v, r->high_v);
    }
    out->n = (size_t)(last - *first) + 1;
    for (size_t i = 0; i < out->n; i++) {
        out->voltage_v[i] = (*first + (double)i + 0.5) * WN_DIFFERENTIAL_BIN_V;
        out->ah_per_v[i] = 0;
    }
    return WN_OK;
}

/* For now ah_per_v holds the charge of each bin. */
static void spread(struct wn_differential *out, double from, double to, double charge_ah)
{
    double low = fmax(fmin(from, to), 0), high = fmax(from, to);
    size_t k = (size_t)low, last = (size_t)high;
    last = last < out->n ? last : out->n - 1;
    if (high - low < 1e-9) {
        out->ah_per_v[last] += charge_ah;
        return;
    }
    for (; k <= last; k++) {
        double part = fmin(high, (double)k + 1) - fmax(low, (double)k);
        out->ah_per_v[k] += charge_ah * part / (high - low);
    }
}

/* Slope of the straight line through the sums at the edges -half .. +half around a bin's middle. */
static double slope(const struct wn_differential *d, size_t bin, size_t half)
{
    double above = 0, below = 0;
    for (size_t k = 0; k < half; k++) {
        double away = (double)k + 0.5;
        above += away * (d->sum_ah[bin + 1 + k] - d->sum_ah[bin - k]);
        below += 2 * away * away;
    }
    return above / below / WN_DIFFERENTIAL_BIN_V;
}

int wn_differential(const double *charge_ah, const double *voltage_v, size_t n, double window_v,
                    struct wn_differential *out, struct wn_error *err)
{
    struct readings r = {.charge_ah = charge_ah, .voltage_v = voltage_v, .n = n};
    size_t half = 1;
    double first = 0;
    memset(out, 0, sizeof *out);
    int rc = look_through(&r, out, err);
    rc = rc == WN_OK ? choose_window(window_v, out, &half, err) : rc;
    rc = rc == WN_OK ? lay_bins(&r, out, &first, err) : rc;
    if (rc != WN_OK) {
        return rc;
    }
    for (size_t i = 1; i < n; i++) {
        spread(out, voltage_v[i - 1] / WN_DIFFERENTIAL_BIN_V - first,
               voltage_v[i] / WN_DIFFERENTIAL_BIN_V - first, charge_ah[i] - charge_ah[i - 1]);
    }
    for (size_t i = 0; i < out->n; i++) {
        out->sum_ah[i + 1] = out->sum_ah[i] + out->ah_per_v[i];
    }
    for (size_t i = 0; i < out->n; i++) {
        size_t room = i + 1 < out->n - i ? i + 1 : out->n - i;
        out->ah_per_v[i] = slope(out, i, half < room ? half : room);
    }
    return WN_OK;
}

/* Naive laws that the projection is measured against.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/naive.h"

#include <math.h>

struct line {
    double level, slope, sse;
};

static struct line fit_line(const struct wn_fade_point *p, size_t n, double power)
{
    double sx = 0, sy = 0, sxx = 0, sxy = 0, sse = 0, count = (double)n;
    for (size_t i = 0; i < n; i++) {
        sx += pow(p[i].cycle, power);
        sy += p[i].capacity_ah;
    }
    for (size_t i = 0; i < n; i++) {
        double x = pow(p[i].cycle, power) - sx / count;
        sxx += x * x;
        sxy += x * (p[i].capacity_ah - sy / count);
    }
    double slope = sxx > 0 ? sxy / sxx : 0, level = (sy - slope * sx) / count;
    for (size_t i = 0; i < n; i++) {
        double off = p[i].capacity_ah - level - slope * pow(p[i].cycle, power);
        sse += off * off;
    }
    return (struct line){level, slope, sse};
}

static double power_law(const struct wn_fade_point *p, size_t n, double threshold_ah)
{
    double least = INFINITY, life = INFINITY;
    for (int k = 5; k <= 60; k++) {
        struct line l = fit_line(p, n, k / 10.0);
        if (l.slope < 0 && l.sse < least && l.level > threshold_ah) {
            least = l.sse;
            life = pow((threshold_ah - l.level) / l.slope, 10.0 / k);
        }
    }
    return life;
}

/** a + b x + c x^2 by the normal equations of centred and scaled x. */
static double parabola(const struct wn_fade_point *p, size_t n, double threshold_ah)
{
    double last = p[n - 1].cycle, s[5] = {0}, t[3] = {0};
    for (size_t i = 0; i < n; i++) {
        double x = p[i].cycle / last - 1, q = 1;
        for (int k = 0; k < 5; k++, q *= x) {
            s[k] += q;
            if (k < 3)
                t[k] += q * p[i].capacity_ah;
        }
    }
    double m[3][4] = {{s[0], s[1], s[2], t[0]}, {s[1], s[2], s[3], t[1]}, {s[2], s[3], s[4], t[2]}};
    for (int i = 0; i < 3; i++)
        for (int j = 0; j < 3; j++) {
            double f = j == i ? 0 : m[j][i] / m[i][i];
            for (int k = i; k < 4; k++)
                m[j][k] -= f * m[i][k];
        }
    double a = m[0][3] / m[0][0] - threshold_ah, b = m[1][3] / m[1][1], c = m[2][3] / m[2][2];
    double root = b * b - 4 * a * c;
    if (a <= 0)
        return last;
    if (root < 0)
        return INFINITY;
    double x = -2 * a / (b - sqrt(root)); /* the falling branch, written without cancellation */
    return x >= 0 ? last * (1 + x) : INFINITY;
}

double naive_life(int k, const struct wn_fade_point *p, size_t n, double threshold_ah)
{
    size_t tail = n * 3 / 10 > 3 ? n * 3 / 10 : 3;
    double life = INFINITY;
    if (k < 2) {
        struct line l = k == 0 ? fit_line(p, n, 1) : fit_line(p + n - tail, tail, 1);
        life = l.slope < 0 ? (threshold_ah - l.level) / l.slope : INFINITY;
    } else {
        life = k == 2 ? power_law(p, n, threshold_ah) : parabola(p, n, threshold_ah);
    }
    return fmax(p[n - 1].cycle, life);
}

/* Fade shapes: evaluation at one point and as a table.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fade/shape.h"

#include <math.h>

/** ln(1 + e^x) without overflow. */
static double softplus(double x)
{
    return x > 0 ? x + log1p(exp(-x)) : log1p(exp(x));
}

double wn_fade_shape_at(const struct wn_fade_shape *p, double u)
{
    if (u <= 0)
        return 1;
    double low = softplus(-p->c / p->s);
    double knee = (softplus((u - p->c) / p->s) - low) / (softplus((1 - p->c) / p->s) - low);
    double left = u < 1 ? 1 - u : 0; /* no recovery past the end */
    return 1 - p->w * pow(u, p->b) - (1 - p->w) * knee + 2 * p->r * sqrt(u) * left * left;
}

/** The same in single precision: a table is read thousands of times per projection, and 1e-6 is far
 * below any noise. */
static float softplus_f(float x)
{
    return x > 0 ? x + logf(1 + expf(-x)) : logf(1 + expf(x));
}

void wn_fade_shape_table(const struct wn_fade_shape *p, float table[WN_FADE_GRID + 1])
{
    float w = (float)p->w, b = (float)p->b, c = (float)p->c, r = (float)p->r;
    float inv = 1 / (float)p->s;
    float low = softplus_f(-c * inv);
    float span = softplus_f((1 - c) * inv) - low;
    table[0] = 1;
    for (int i = 1; i < WN_FADE_GRID; i++) {
        float root = (float)i / WN_FADE_GRID;
        float u = root * root;
        float power = w > 0 ? expf(b * logf(u)) : 0;
        float knee = w < 1 ? (softplus_f((u - c) * inv) - low) / span : 0;
        table[i] = 1 - w * power - (1 - w) * knee + 2 * r * root * (1 - u) * (1 - u);
    }
    table[WN_FADE_GRID] = 0;
}

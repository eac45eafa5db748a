/* Virtual bench: numbers into registers of its MODBUS instruments, and out of them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "virtual_bench/modbus_image.h"

#include <math.h>
#include <string.h>

void image_word(struct image *m, unsigned at, int64_t value)
{
    m->word[at] = (uint16_t)(uint64_t)value;
    m->count = at + 1 > m->count ? at + 1 : m->count;
}

void image_double(struct image *m, unsigned at, int64_t value)
{
    uint64_t bits = (uint64_t)value;
    image_word(m, at, (int64_t)((m->low_first ? bits : bits >> 16) & 0xffff));
    image_word(m, at + 1, (int64_t)((m->low_first ? bits >> 16 : bits) & 0xffff));
}

void image_float(struct image *m, unsigned at, double value)
{
    float f = (float)value;
    uint32_t bits;
    memcpy(&bits, &f, sizeof bits);
    image_double(m, at, bits);
}

void image_warm(struct image *m, unsigned at, double value_c)
{
    image_word(m, at, isnan(value_c) ? 0x8000 : llround(value_c * 100.0));
}

uint32_t image_get_double(const struct image *m, unsigned at)
{
    uint32_t first = m->word[at];
    uint32_t second = m->word[at + 1];
    return m->low_first ? second << 16 | first : first << 16 | second;
}

double image_get_float(const struct image *m, unsigned at)
{
    uint32_t bits = image_get_double(m, at);
    float f;
    memcpy(&f, &bits, sizeof f);
    return (double)f;
}

bool change_touches(struct change *c, unsigned at, unsigned words)
{
    if (!image_covers(c->at, c->count, at, words)) {
        return false;
    }
    c->torn = c->torn || c->at > at || c->at + c->count < at + words;
    return !c->torn;
}

static void take(struct change *c, double value, double most, double *to)
{
    if (!(value >= 0.0 && value <= most)) { /* NaN too */
        c->refused = true;
    } else {
        *to = value;
    }
}

void change_take_word(struct change *c, unsigned at, double unit, double most, double *to)
{
    if (change_touches(c, at, 1)) {
        take(c, c->m.word[at] * unit, most, to);
    }
}

void change_take_double(struct change *c, unsigned at, double unit, double most, double *to)
{
    if (change_touches(c, at, 2)) {
        take(c, image_get_double(&c->m, at) * unit, most, to);
    }
}

void change_take_float(struct change *c, unsigned at, double most, double *to)
{
    if (change_touches(c, at, 2)) {
        take(c, image_get_float(&c->m, at), most, to);
    }
}

bool image_covers(unsigned at, unsigned count, unsigned first, unsigned words)
{
    return at < first + words && first < at + count;
}

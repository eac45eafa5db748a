/* Virtual bench: registers of a MODBUS instrument as they are, and as a write would make them.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Internal to the maps: modbus_maps.c has dispatch and testers, modbus_stage.c supplies and loads.
 */
#ifndef WN_VIRTUAL_BENCH_MODBUS_IMAGE_H
#define WN_VIRTUAL_BENCH_MODBUS_IMAGE_H

#include <stdbool.h>
#include <stdint.h>

struct wn_inst;

enum { IMAGE = 24, MAP_VERSION = 1 };

struct image {
    uint16_t word[IMAGE];
    unsigned count;
    bool low_first;
};

void image_word(struct image *m, unsigned at, int64_t value);
void image_double(struct image *m, unsigned at, int64_t value);
void image_float(struct image *m, unsigned at, double value);
/** 0.01 degC; 0x8000 for NaN. */
void image_warm(struct image *m, unsigned at, double value_c);
uint32_t image_get_double(const struct image *m, unsigned at);
double image_get_float(const struct image *m, unsigned at);
/** Does a request of count from at on touch these? */
bool image_covers(unsigned at, unsigned count, unsigned first, unsigned words);

/* A write of holding registers in the making: the image as it will be, and what is touched. */
struct change {
    struct image m;
    unsigned at, count;
    bool torn, refused; /* half of a double register; a value out of range */
};

bool change_touches(struct change *c, unsigned at, unsigned words);
/** What is touched, times unit, from 0 to most, into *to. */
void change_take_word(struct change *c, unsigned at, double unit, double most, double *to);
void change_take_double(struct change *c, unsigned at, double unit, double most, double *to);
void change_take_float(struct change *c, unsigned at, double most, double *to);

/* modbus_stage.c: of output k (from 0) of a supply or load */
void stage_inputs(struct wn_inst *i, int k, struct image *m);
void stage_holdings(const struct wn_inst *i, int k, struct image *m);
int stage_write(struct wn_inst *i, int k, struct change *c); /* 0, or an exception */

#endif

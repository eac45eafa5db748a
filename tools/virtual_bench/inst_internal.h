/* Virtual bench: what the parts of an instrument know of each other.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_VIRTUAL_BENCH_INST_INTERNAL_H
#define WN_VIRTUAL_BENCH_INST_INTERNAL_H

#include "virtual_bench/bench.h"

static inline bool speaks_modbus(const struct wn_inst *i)
{
    return wn_inst_kind_has_address(i->setup.kind);
}

static inline bool is_tester(const struct wn_inst *i)
{
    return i->setup.kind == WN_INST_TESTER || i->setup.kind == WN_INST_MODBUS_TESTER ||
           i->setup.kind == WN_INST_TALKER;
}

static inline bool has_stages(const struct wn_inst *i)
{
    return i->setup.kind == WN_INST_SUPPLY || i->setup.kind == WN_INST_LOAD ||
           i->setup.kind == WN_INST_MODBUS_SUPPLY || i->setup.kind == WN_INST_MODBUS_LOAD;
}

static inline bool is_relay(const struct wn_inst *i)
{
    return i->setup.kind == WN_INST_RELAY || i->setup.kind == WN_INST_MODBUS_RELAY;
}

static inline bool talks(const struct wn_inst *i)
{
    return i->setup.kind == WN_INST_TALKER || i->setup.kind == WN_INST_TALKING_THERMOMETER;
}

/* inst_line.c */
void inst_clear_line(struct wn_inst *i);
void inst_run_frame(struct wn_inst *i, int64_t host_ns); /* of MODBUS, behind its silence */

#endif

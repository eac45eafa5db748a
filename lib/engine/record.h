/* Records: everything the engine wants remembered, as plain values.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The engine produces them, the store writes them, the simulation keeps them in memory. */
#ifndef WN_ENGINE_RECORD_H
#define WN_ENGINE_RECORD_H

#include "base/reading.h"
#include "metrology/cycle.h"
#include "procedure/procedure.h"

enum wn_severity { WN_SEVERITY_INFO, WN_SEVERITY_WARNING, WN_SEVERITY_ALARM };

enum { WN_EVENT_TEXT_SIZE = 240, WN_EVENT_KIND_SIZE = 32 };

/** One line of the campaign's story; alarms are latched until acknowledged. */
struct wn_event_record {
    wn_ns time_ns; /* campaign time */
    int64_t cycle; /* in progress; 0 outside cycles */
    enum wn_severity severity;
    char kind[WN_EVENT_KIND_SIZE]; /* stable word: "started", "halted", "over_voltage", "resumed",
                                      "acknowledged", ... */
    char text[WN_EVENT_TEXT_SIZE];
};

/** A finished (or, at begin, a started) step. */
struct wn_step_record {
    int64_t step_number; /* from 1 over the whole campaign */
    int64_t cycle;       /* number of the cycle, 0 outside; of the check-up when in_check_up */
    bool in_check_up;
    enum wn_step_kind kind;
    char description[120];
    wn_ns start_ns, end_ns;   /* campaign time; end_ns valid once ended */
    struct wn_step_sums sums; /* valid once ended */
    char ended_by[24]; /* "voltage", "current", "duration", "time_limit", "halt", "stop", "pause";
                          "" while running */
};

/** What the engine is about to switch on: committed before the output goes on. */
struct wn_intent_record {
    wn_ns time_ns;
    int64_t step_number;
    char text[120];
};

enum { WN_STATE_BLOB_MAX = 6144 };

/** The resume state: written with every step, cycle and commit; opaque bytes with a version, made
 * by wn_engine_save(). */
struct wn_state_record {
    wn_ns time_ns;
    uint32_t size;
    unsigned char blob[WN_STATE_BLOB_MAX];
};

enum wn_record_kind {
    WN_RECORD_READING,
    WN_RECORD_STEP_BEGIN,
    WN_RECORD_STEP_END,
    WN_RECORD_CYCLE,
    WN_RECORD_CHECK_UP,
    WN_RECORD_EVENT,
    WN_RECORD_INTENT,
    WN_RECORD_STATE
};

struct wn_record {
    enum wn_record_kind kind;
    union {
        struct {
            struct wn_reading reading;
            int64_t step_number;
        } reading;
        struct wn_step_record step;
        struct wn_cycle_record cycle;
        struct wn_check_up_record check_up;
        struct wn_event_record event;
        struct wn_intent_record intent;
        struct wn_state_record state;
    } u;
};

#endif

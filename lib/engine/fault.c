/* Engine: the table of what no reading shows.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "engine/engine.h"

#include "base/assert.h"

static const struct fault_row {
    const char *word, *reaction, *text;
} faults[WN_FAULT_COUNT] = {
#define FAULT_ROW(name, word, reaction, text) [WN_FAULT_##name] = {word, reaction, text},
    WN_FAULT_LIST(FAULT_ROW)
#undef FAULT_ROW
};

static const struct fault_row *row(enum wn_fault fault)
{
    wn_assert((int)fault >= 0 && fault < WN_FAULT_COUNT);
    return &faults[fault];
}

const char *wn_fault_word(enum wn_fault fault)
{
    return row(fault)->word;
}

const char *wn_fault_reaction(enum wn_fault fault)
{
    return row(fault)->reaction;
}

const char *wn_fault_text(enum wn_fault fault)
{
    return row(fault)->text;
}

/* What passes on a MODBUS line, as a reader of the instrument's manual wants to see it.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WANE_FRAMES_H
#define WANE_FRAMES_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "instrument/modbus_map.h"

enum { FRAMES_HEX_SIZE = 3 * WN_MODBUS_FRAME_MAX + 4, FRAMES_TEXT_SIZE = 600 };

/** Puts lumps together to frames. */
struct frames {
    const struct wn_modbus_map *map; /* borrowed */
    struct wn_modbus_request asked;  /* whose reply is waited for */
    uint16_t values[2];
    bool sending;
    uint8_t bytes[WN_MODBUS_FRAME_MAX];
    size_t len;
};

/** Takes bytes from data[*used..len) and advances *used. True: a frame is whole, or what came is
 * none and ends here; hex tells its bytes, means what it says. Call again until it returns false.
 */
bool frames_take(struct frames *f, bool sent, const char *data, size_t len, size_t *used,
                 char hex[FRAMES_HEX_SIZE], char means[FRAMES_TEXT_SIZE]);

#endif

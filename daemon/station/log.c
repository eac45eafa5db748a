/* The station's log: stderr with the priority prefixes journald reads.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#include "port/say.h"

void station_log(const struct station *s, int priority, const char *fmt, ...)
{
    char line[640];
    int n = snprintf(line, sizeof line, "<%d>station %s: ", priority, s->config.name);
    va_list args;
    va_start(args, fmt);
    (void)vsnprintf(line + n, sizeof line - (size_t)n - 1, fmt, args);
    va_end(args);
    size_t len = strlen(line);
    for (size_t i = 0; i < len; i++) { /* what others sent must not make up lines of its own */
        line[i] = (unsigned char)line[i] < ' ' || line[i] == 0x7f ? '?' : line[i];
    }
    line[len++] = '\n';
    wn_say(line, len);
}

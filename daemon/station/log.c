/* The station's log: stderr with the priority prefixes journald reads.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <stdarg.h>
#include <stdio.h>

#include "port/say.h"

void station_log(const struct station *s, int priority, const char *fmt, ...)
{
    char who[sizeof s->config.name + 16];
    (void)snprintf(who, sizeof who, "station %s", s->config.name);
    va_list args;
    va_start(args, fmt);
    wn_say(priority, who, fmt, args);
    va_end(args);
}

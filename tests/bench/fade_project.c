/* Projects one table of cycles and prints the answer as JSON: the library without the rest of the
 * house. SPDX-License-Identifier: GPL-3.0-or-later
 *
 * usage: fade_project project --csv FILE --threshold-ah X --json */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/num.h"
#include "bench/curves.h"

static const char *number(double value, char text[WN_NUM_SIZE])
{
    return isfinite(value) ? wn_num_format(value, 12, text, WN_NUM_SIZE) : "null";
}

int main(int argc, char **argv)
{
    const char *path = NULL;
    double threshold_ah = NAN;
    for (int i = 1; i + 1 < argc; i++) {
        if (strcmp(argv[i], "--csv") == 0)
            path = argv[i + 1];
        if (strcmp(argv[i], "--threshold-ah") == 0)
            wn_num_parse(argv[i + 1], strlen(argv[i + 1]), &threshold_ah);
    }
    struct wn_fade_point *points;
    size_t n;
    if (!path || !curves_read_csv(path, &points, &n)) {
        fputs("usage: fade_project project --csv FILE --threshold-ah X --json\n", stderr);
        return 2;
    }
    struct wn_fade_result r;
    struct wn_error err = {0};
    int rc = wn_fade_project(points, n, threshold_ah, &r, &err);
    free(points);
    if (rc != WN_OK) {
        fprintf(stderr, "%s\n", err.text);
        return 1;
    }
    char text[4][WN_NUM_SIZE];
    printf(
        "{\"cycles_used\":%zu,\"state\":\"%s\",\"eol_cycle\":{\"median\":%s,\"p10\":%s,\"p90\":%s},"
        "\"crossed_at\":%s,\"reason\":\"%s\"}\n",
        r.cycles_used, wn_fade_state_name(r.state), number(r.eol_median_cycle, text[0]),
        number(r.eol_p10_cycle, text[1]), number(r.eol_p90_cycle, text[2]),
        number(r.crossed_at_cycle, text[3]), r.reason);
    return 0;
}

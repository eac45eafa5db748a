/* How well a station measures: the accuracy its results are told with, and the warnings when it is
 * less than the standard asks for or a certificate runs out. SPDX-License-Identifier:
 * GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <stdio.h>

enum { TEXT_SIZE = 196, WHO_SIZE = 24 }; /* with what is said around it, it fits into an event */

/* A certificate counts as long as it is valid; from then on the data sheet does. */
void certificates_apply(struct station *s)
{
    struct wn_calibration c;
    wn_config_calibration_of_results(&s->config, &c);
    wn_calibration_accuracy(&c, &s->config.accuracy, s->clock->ops->utc(s->clock),
                            &s->setup.accuracy);
}

void certificates_correct(const struct station *s, int n, struct wn_reading *r)
{
    struct wn_calibration c;
    wn_config_calibration_of(&s->config, n, &c);
    if (s->config.instrument[n].ambient) { /* it knows nothing of where it lies */
        c.line[WN_QUANTITY_TEMPERATURE] = c.line[WN_QUANTITY_AMBIENT];
    }
    wn_calibration_apply(&c, r);
}

static void tell(struct station *s, const char *kind, const char *before, const char *text,
                 const char *behind)
{
    char all[WN_EVENT_TEXT_SIZE];
    (void)snprintf(all, sizeof all, "%s%s%s", before, text, behind);
    station_log(s, 4, "%s", all);
    station_warn(s, kind, all);
}

/* What of each instrument is out of date now, or ran out after `since`, as warnings; false:
 * nothing. */
static bool tell_out_of_date(struct station *s, wn_utc_us since, wn_utc_us now)
{
    bool any = false;
    for (int n = 0; n < s->config.instruments; n++) {
        struct wn_calibration c;
        char text[TEXT_SIZE - WHO_SIZE], who[WHO_SIZE];
        wn_config_calibration_of(&s->config, n, &c);
        int lines = since < 0 ? wn_calibration_out_of_date(&c, now, text, sizeof text)
                              : wn_calibration_ran_out(&c, since, now, text, sizeof text);
        if (lines > 0) {
            (void)snprintf(who, sizeof who, "%s: ", wn_instrument_name(&s->config.instrument[n]));
            tell(s, "calibration", who, text, ": the accuracy of the data sheet is taken");
            any = true;
        }
    }
    return any;
}

void certificates_begin(struct station *s)
{
    char text[TEXT_SIZE];
    const struct wn_tolerance_use use =
        wn_tolerance_use_of(s->setup.cell.discharge_cutoff_v, s->setup.cell.rated_capacity_ah,
                            s->setup.limits.needs_temperature);
    wn_utc_us now = s->clock->ops->utc(s->clock);
    s->certificates_utc = now;
    if (wn_tolerances_unmet(&s->setup.accuracy, &use, text, sizeof text) > 0) {
        tell(s, "tolerances", "IEC 61960-3 is not met: ", text, "");
    }
    (void)tell_out_of_date(s, -1, now);
}

void certificates_look(struct station *s)
{
    wn_utc_us now = s->clock->ops->utc(s->clock);
    bool ran_out = campaign_is_live(s) && tell_out_of_date(s, s->certificates_utc, now);
    if (now > s->certificates_utc) { /* a clock that is set back tells nothing twice */
        s->certificates_utc = now;
    }
    if (ran_out) {
        certificates_apply(s);
        wn_engine_set_accuracy(s->engine, &s->setup.accuracy);
    }
}

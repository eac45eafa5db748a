/* How well a station measures: the accuracy its results are told with, and the warnings when it is
 * less than the standard asks for or a certificate runs out. SPDX-License-Identifier:
 * GPL-3.0-or-later */
#define _GNU_SOURCE
#include "station.h"

#include <stdio.h>

enum { TEXT_SIZE = 196 }; /* with what is said around it, it fits into an event */

static bool has_thermometer(const struct wn_station_config *c, bool ambient)
{
    bool has = false;
    for (int i = 0; i < c->instruments; i++) {
        has = has ||
              (c->instrument[i].role == WN_ROLE_THERMOMETER && c->instrument[i].ambient == ambient);
    }
    return has;
}

void certificates_of(const struct wn_station_config *c, int n, struct wn_calibration *out)
{
    const struct wn_instrument_config *i = &c->instrument[n];
    bool thermometer = i->role == WN_ROLE_THERMOMETER;
    bool source = wn_role_sources(i->role);
    struct wn_calibration_line *l = out->line;
    *out = c->calibration;
    l[WN_QUANTITY_VOLTAGE].known &= source;
    l[WN_QUANTITY_CURRENT].known &= source;
    l[WN_QUANTITY_TEMPERATURE].known &=
        thermometer ? !i->ambient : source && !has_thermometer(c, false);
    l[WN_QUANTITY_AMBIENT].known &= thermometer ? i->ambient : source && !has_thermometer(c, true);
}

/* A certificate counts as long as it is valid; from then on the data sheet does. */
void certificates_apply(struct station *s)
{
    wn_calibration_accuracy(&s->config.calibration, &s->config.accuracy,
                            s->clock->ops->utc(s->clock), &s->setup.accuracy);
}

static void tell(struct station *s, const char *kind, const char *before, const char *text,
                 const char *behind)
{
    char all[WN_EVENT_TEXT_SIZE];
    (void)snprintf(all, sizeof all, "%s%s%s", before, text, behind);
    station_log(s, 4, "%s", all);
    station_warn(s, kind, all);
}

static void tell_out_of_date(struct station *s, const char *text)
{
    tell(s, "calibration", "", text, ": the accuracy of the data sheet is taken");
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
    if (wn_calibration_out_of_date(&s->config.calibration, now, text, sizeof text) > 0) {
        tell_out_of_date(s, text);
    }
}

void certificates_look(struct station *s)
{
    char text[TEXT_SIZE];
    wn_utc_us now = s->clock->ops->utc(s->clock);
    bool ran_out = wn_calibration_ran_out(&s->config.calibration, s->certificates_utc, now, text,
                                          sizeof text) > 0;
    if (now > s->certificates_utc) { /* a clock that is set back tells nothing twice */
        s->certificates_utc = now;
    }
    if (ran_out && campaign_is_live(s)) {
        certificates_apply(s);
        wn_engine_set_accuracy(s->engine, &s->setup.accuracy);
        tell_out_of_date(s, text);
    }
}

/* Configuration: what a calibration certificate says of a station's instrument.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <string.h>

#include "base/num.h"

#define MEMBER(member) .offset = offsetof(struct wn_calibration_line, member)

/* Days since 1970-01-01 of a date of the Gregorian calendar (the usual formula with years that
 * begin in March). */
static int64_t days_of(int64_t y, int64_t m, int64_t d)
{
    y -= m <= 2;
    int64_t era = y / 400, of_era = y - era * 400;
    int64_t of_year = (153 * (m + (m > 2 ? -3 : 9)) + 2) / 5 + d - 1;
    return era * 146097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719468;
}

/* Exactly n digits: no sign, no blank. */
static bool parse_digits(const char *text, size_t n, int64_t *out)
{
    return strspn(text, "0123456789") >= n && wn_num_parse_int(text, n, out) == WN_OK;
}

static int64_t days_in(int64_t y, int64_t m)
{
    return (m < 12 ? days_of(y, m + 1, 1) : days_of(y + 1, 1, 1)) - days_of(y, m, 1);
}

/* "2026-05-01" */
static bool parse_date(const char *text, wn_utc_us *out)
{
    int64_t y = 0, m = 0, d = 0;
    if (text == NULL || strlen(text) != 10 || text[4] != '-' || text[7] != '-' ||
        !parse_digits(text, 4, &y) || !parse_digits(text + 5, 2, &m) ||
        !parse_digits(text + 8, 2, &d) || y < 1970 || y > 2200 || m < 1 || m > 12 || d < 1 ||
        d > days_in(y, m)) {
        return false;
    }
    *out = days_of(y, m, d) * 86400 * 1000000;
    return true;
}

static void read_date(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    wn_utc_us *out = (wn_utc_us *)(void *)((char *)target + key->offset);
    if (!parse_date(config_setting_get_string(s), out)) {
        wn_reader_fail(r, s, "must be a date; write %s = %s;", key->name, key->example);
    }
}

#define DATE(key, member)                                                                          \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, MEMBER(member), .read = read_date,                      \
        .example = "\"2026-05-01\""                                                                \
    }
#define QUANTITY(key, needed, member, dimension, low, high, text)                                  \
    {                                                                                              \
        .name = key, .kind = WN_KEY_QUANTITY, .required = needed, MEMBER(member),                  \
        .dim = dimension, .min = low, .max = high, .example = text                                 \
    }
#define LINE(table, dimension, most, text)                                                         \
    static const struct wn_key table[] = {                                                         \
        {.name = "gain",                                                                           \
         .kind = WN_KEY_NUMBER,                                                                    \
         .required = true,                                                                         \
         MEMBER(gain),                                                                             \
         .min = 0.9,                                                                               \
         .max = 1.1,                                                                               \
         .example = "1.0002"},                                                                     \
        QUANTITY("offset", true, offset, dimension, -most, most, text),                            \
        QUANTITY("expanded", true, expanded, dimension, 0, most, text),                            \
        {.name = "coverage_factor",                                                                \
         .kind = WN_KEY_NUMBER,                                                                    \
         MEMBER(coverage_factor),                                                                  \
         .min = 1,                                                                                 \
         .max = 4,                                                                                 \
         .example = "2.0"},                                                                        \
        QUANTITY("drift", false, drift, dimension, 0, most, text),                                 \
        DATE("date", date),                                                                        \
        DATE("valid_until", valid_until),                                                          \
        {.name = "certificate",                                                                    \
         .kind = WN_KEY_TEXT,                                                                      \
         MEMBER(certificate),                                                                      \
         .size = sizeof((struct wn_calibration_line *)0)->certificate,                             \
         .example = "\"K-4711\""},                                                                 \
        {.name = NULL}}

LINE(voltage_keys, WN_DIM_VOLTAGE, 0.5, "\"0.5 mV\"");
LINE(current_keys, WN_DIM_CURRENT, 1.0, "\"2 mA\"");
LINE(temperature_keys, WN_DIM_TEMPERATURE_DIFF, 20.0, "\"0.3 K\"");

static void read_line(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    struct wn_calibration *c = target;
    struct wn_calibration_line *line = &c->line[key->size];
    wn_reader_group(r, s, key->group, line);
    line->known = true;
}

#define QUANTITY_LINE(key, quantity, table)                                                        \
    {                                                                                              \
        .name = key, .kind = WN_KEY_OTHER, .size = quantity, .group = table, .read = read_line,    \
        .example = "{ gain = 1.0002; offset = \"0.5 mV\"; expanded = \"1 mV\"; }"                  \
    }

static const struct wn_key lines[] = {
    QUANTITY_LINE("voltage", WN_QUANTITY_VOLTAGE, voltage_keys),
    QUANTITY_LINE("current", WN_QUANTITY_CURRENT, current_keys),
    QUANTITY_LINE("temperature", WN_QUANTITY_TEMPERATURE, temperature_keys),
    QUANTITY_LINE("ambient", WN_QUANTITY_AMBIENT, temperature_keys),
    {.name = NULL}};

void wn_config_read_calibration(struct wn_reader *r, const config_setting_t *s,
                                const struct wn_key *key, void *target)
{
    struct wn_calibration *c = (struct wn_calibration *)(void *)((char *)target + key->offset);
    struct wn_error err;
    int before = r->problems->n;
    wn_reader_group(r, s, lines, c);
    if (r->problems->n == before && wn_calibration_validate(c, &err) != WN_OK) {
        wn_reader_fail(r, s, "%s", err.text);
    }
}

void wn_config_read_own_calibration(struct wn_reader *r, const config_setting_t *s,
                                    const struct wn_key *key, void *target)
{
    struct wn_instrument_config *i = target;
    struct wn_calibration_line *l = i->calibration.line;
    struct wn_key own = *key;
    own.offset = offsetof(struct wn_instrument_config, calibration);
    wn_config_read_calibration(r, s, &own, target);
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        bool electric = q == WN_QUANTITY_VOLTAGE || q == WN_QUANTITY_CURRENT;
        bool measures = electric ? wn_role_sources(i->role)
                                 : i->role == WN_ROLE_THERMOMETER && q == WN_QUANTITY_TEMPERATURE;
        if (l[q].known && !measures) {
            wn_reader_fail(r, s, "a %s does not measure %s; leave it out", wn_role_name(i->role),
                           wn_quantity_name((enum wn_quantity)q));
        }
    }
}

static bool has_thermometer(const struct wn_station_config *c, bool ambient)
{
    bool has = false;
    for (int i = 0; i < c->instruments; i++) {
        has = has ||
              (c->instrument[i].role == WN_ROLE_THERMOMETER && c->instrument[i].ambient == ambient);
    }
    return has;
}

void wn_config_calibration_of(const struct wn_station_config *c, int n, struct wn_calibration *out)
{
    const struct wn_instrument_config *i = &c->instrument[n];
    bool thermometer = i->role == WN_ROLE_THERMOMETER;
    bool source = wn_role_sources(i->role);
    struct wn_calibration_line *l = out->line;
    const struct wn_calibration_line *own = i->calibration.line;
    *out = c->calibration;
    l[WN_QUANTITY_VOLTAGE].known &= source;
    l[WN_QUANTITY_CURRENT].known &= source;
    l[WN_QUANTITY_TEMPERATURE].known &=
        thermometer ? !i->ambient : source && !has_thermometer(c, false);
    l[WN_QUANTITY_AMBIENT].known &= (thermometer && i->ambient) || !has_thermometer(c, true);
    for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
        if (own[q].known) {
            l[i->ambient ? WN_QUANTITY_AMBIENT : q] = own[q];
        }
    }
}

void wn_config_calibration_of_results(const struct wn_station_config *c, struct wn_calibration *out)
{
    wn_calibration_init(out);
    for (int n = 0; n < c->instruments; n++) {
        struct wn_calibration one;
        wn_config_calibration_of(c, n, &one);
        for (int q = 0; q < WN_QUANTITY_COUNT; q++) {
            bool electric = q == WN_QUANTITY_VOLTAGE || q == WN_QUANTITY_CURRENT;
            if (one.line[q].known && (!electric || wn_role_discharges(c->instrument[n].role))) {
                out->line[q] = one.line[q];
            }
        }
    }
}

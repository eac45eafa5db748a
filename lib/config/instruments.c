/* Configuration: the instruments of a station.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <stdio.h>
#include <string.h>

#include "base/assert.h"

#define MEMBER(member) .offset = offsetof(struct wn_instrument_config, member)
#define SIZE(member)   sizeof(((struct wn_instrument_config *)0)->member)

const char *wn_instrument_name(const struct wn_instrument_config *i)
{
    if (i->role == WN_ROLE_THERMOMETER) {
        return i->ambient ? "ambient thermometer" : "cell thermometer";
    }
    return wn_role_name(i->role);
}

bool wn_interlock_is_line(enum wn_interlock interlock)
{
    return interlock != WN_INTERLOCK_UNSAID && interlock != WN_INTERLOCK_NONE;
}

bool wn_config_is_pair(const struct wn_station_config *station)
{
    return station->instrument[0].role == WN_ROLE_SUPPLY;
}

static const struct wn_key_word measures_words[] = {
    {"cell", 0, 0}, {"ambient", 1, 0}, {NULL, 0, 0}};

static void read_measures(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    struct wn_instrument_config *i = target;
    struct wn_key word = *key;
    int ambient = 0;
    if (i->role != WN_ROLE_THERMOMETER) {
        wn_reader_fail(r, s, "is for thermometers; leave it out");
        return;
    }
    word.kind = WN_KEY_WORD;
    word.offset = 0;
    word.words = measures_words;
    wn_reader_value(r, s, &word, &ambient);
    i->ambient = ambient != 0;
}

static const struct wn_key instrument_keys[] = {
    {.name = "dialect",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(dialect),
     .size = SIZE(dialect),
     .example = "\"my-instrument\""},
    {.name = "port",
     .kind = WN_KEY_TEXT,
     .required = true,
     MEMBER(port),
     .size = SIZE(port),
     .example = "\"/dev/serial/by-id/...\""},
    {.name = "baud",
     .kind = WN_KEY_COUNT,
     MEMBER(baud),
     .min = 50,
     .max = 4000000,
     .example = "115200"},
    {.name = "channel", .kind = WN_KEY_COUNT, MEMBER(channel), .min = 1, .max = 99, .example = "1"},
    {.name = "unit", .kind = WN_KEY_COUNT, MEMBER(unit), .min = 1, .max = 247, .example = "1"},
    {.name = "measures", .kind = WN_KEY_OTHER, .read = read_measures, .example = "\"cell\""},
    {.name = "accuracy",
     .kind = WN_KEY_OTHER,
     .read = wn_config_read_own_accuracy,
     .example = "{ voltage_reading = \"0.05 %\"; ... }"},
    {.name = "calibration",
     .kind = WN_KEY_OTHER,
     .read = wn_config_read_own_calibration,
     .example = "{ current = { gain = 1.0002; offset = \"2 mA\"; expanded = \"3 mA\"; }; }"},
    {.name = NULL}};

/* Behind those that are there already; the first place is the tester's. */
static void read_one(struct wn_reader *r, const config_setting_t *s, enum wn_role role,
                     struct wn_station_config *c)
{
    wn_assert(1 + c->instruments < WN_INSTRUMENTS_MAX);
    struct wn_instrument_config *i = &c->instrument[1 + c->instruments++];
    i->role = role;
    wn_config_own_nothing(i);
    wn_reader_group(r, s, instrument_keys, i);
}

void wn_reader_instrument(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    enum wn_role role = (enum wn_role)key->size;
    if (role != WN_ROLE_THERMOMETER) {
        read_one(r, s, role, target);
    } else if (wn_reader_list(r, s, 1, 2, key->example)) {
        for (int i = 0; i < config_setting_length(s); i++) {
            read_one(r, config_setting_get_elem(s, (unsigned)i), role, target);
        }
    }
}

/* A tester stands on the station itself; a supply and a load have groups of their own. */
static void check_sources(struct wn_reader *r, const config_setting_t *s,
                          const struct wn_key *station_keys)
{
    static const char *const own[] = {"dialect", "port", "baud", "channel", "unit"};
    bool pair = config_setting_get_member(s, "supply") != NULL ||
                config_setting_get_member(s, "load") != NULL;
    if (!pair) {
        wn_reader_need(r, s, station_keys, "dialect");
        wn_reader_need(r, s, station_keys, "port");
        return;
    }
    wn_reader_need(r, s, station_keys, "supply");
    wn_reader_need(r, s, station_keys, "load");
    for (size_t i = 0; i < sizeof own / sizeof own[0]; i++) {
        if (config_setting_get_member(s, own[i]) != NULL) {
            wn_reader_fail(r, wn_reader_at(s, own[i]),
                           "belongs to a tester, but the station has a supply and a load: put it "
                           "into their groups");
        }
    }
}

void wn_reader_arrange(struct wn_reader *r, const config_setting_t *s,
                       const struct wn_key *station_keys, struct wn_station_config *c)
{
    const struct wn_instrument_config *last = &c->instrument[c->instruments];
    wn_config_own_nothing(&c->instrument[0]); /* a tester is the station's */
    check_sources(r, s, station_keys);
    if (c->instruments > 1 && strcmp(wn_instrument_name(last), wn_instrument_name(last - 1)) == 0) {
        wn_reader_fail(r, wn_reader_at(s, "thermometers"),
                       "both measure the same; write measures = \"ambient\"; for one of them");
    }
    if (config_setting_get_member(s, "relay") != NULL && wn_interlock_is_line(c->interlock)) {
        wn_reader_fail(r, wn_reader_at(s, "interlock"),
                       "the relay is the interlock of this station: leave one of the two out");
    }
    if (config_setting_get_member(s, "supply") != NULL) {
        memmove(c->instrument, c->instrument + 1, (size_t)c->instruments * sizeof c->instrument[0]);
    } else {
        c->instruments++;
    }
}

static bool same_instrument(const struct wn_instrument_config *a,
                            const struct wn_instrument_config *b)
{
    return a->role == b->role && a->ambient == b->ambient && a->baud == b->baud &&
           a->channel == b->channel && a->unit == b->unit && strcmp(a->dialect, b->dialect) == 0 &&
           strcmp(a->port, b->port) == 0;
}

bool wn_config_same_instruments(const struct wn_station_config *a,
                                const struct wn_station_config *b)
{
    bool same = a->instruments == b->instruments;
    for (int i = 0; same && i < a->instruments; i++) {
        same = same_instrument(&a->instrument[i], &b->instrument[i]);
    }
    return same;
}

/* A tester may also stand in for a supply or for a load. */
static bool fits(enum wn_role role, enum wn_role kind)
{
    return kind == role ||
           (kind == WN_ROLE_TESTER && (role == WN_ROLE_SUPPLY || role == WN_ROLE_LOAD));
}

bool wn_config_has_interlock(const struct wn_station_config *c)
{
    bool relay = false;
    for (int i = 0; i < c->instruments; i++) {
        relay = relay || c->instrument[i].role == WN_ROLE_RELAY;
    }
    return relay || wn_interlock_is_line(c->interlock);
}

const char *wn_config_halting(const struct wn_station_config *c, const struct wn_dialect *tester,
                              bool *nothing)
{
    bool command = tester->safe_off_len > 0, interlock = wn_config_has_interlock(c);
    *nothing = false;
    if (tester->protocol != WN_PROTOCOL_RECORDS) {
        return NULL;
    }
    if (command && interlock) {
        return "The tester runs its own program. Halting sends its stop command and opens the "
               "interlock, at once.";
    }
    if (command) {
        return "The tester runs its own program. Halting sends its stop command; there is no "
               "interlock for the case that it does not obey.";
    }
    if (interlock) {
        return "The tester runs its own program. Halting opens the interlock; there is no stop "
               "command.";
    }
    *nothing = true;
    return "The tester runs its own program, and NOTHING on this station stops it: halting can "
           "only call a person.";
}

bool wn_config_fit_dialect(const struct wn_station_config *station, int n, struct wn_dialect *d,
                           struct wn_problems *problems)
{
    const struct wn_instrument_config *i = &station->instrument[n];
    struct wn_error err;
    if (!fits(i->role, d->kind)) {
        wn_problem_add(problems, "station %s: its %s has dialect %s, which is that of a %s",
                       station->name, wn_instrument_name(i), d->name, wn_role_name(d->kind));
        return false;
    }
    if (d->protocol == WN_PROTOCOL_RECORDS && i->role != WN_ROLE_TESTER) {
        wn_problem_add(
            problems,
            "station %s: dialect %s is that of a tester with a program of its own, which "
            "is no %s",
            station->name, d->name, wn_role_name(i->role));
        return false;
    }
    if (wn_dialect_place(d, i->unit, i->channel, &err) != WN_OK) {
        wn_problem_add(problems, "station %s: %s: %s", station->name, wn_instrument_name(i),
                       err.text);
        return false;
    }
    d->baud = i->baud > 0 ? i->baud : d->baud; /* MODBUS counts its silences by it */
    return true;
}

int wn_config_read_dialects(const char *conf_dir, const struct wn_station_config *station,
                            struct wn_dialect out[WN_INSTRUMENTS_MAX], struct wn_problems *problems)
{
    int rc = WN_OK;
    for (int i = 0; i < station->instruments && rc == WN_OK; i++) {
        rc = wn_config_read_dialect(conf_dir, station->instrument[i].dialect, &out[i], problems);
        if (rc == WN_OK && !wn_config_fit_dialect(station, i, &out[i], problems)) {
            rc = WN_EINVAL;
        }
    }
    return rc;
}

bool wn_config_simulated(const struct wn_station_config *station,
                         const struct wn_dialect dialect[WN_INSTRUMENTS_MAX])
{
    bool simulated = false;
    for (int i = 0; i < station->instruments; i++) {
        simulated = simulated || dialect[i].simulated;
    }
    return simulated;
}

bool wn_config_reports(const struct wn_station_config *station,
                       const struct wn_dialect dialect[WN_INSTRUMENTS_MAX], enum wn_field field)
{
    for (int i = 0; i < station->instruments; i++) {
        bool turned = station->instrument[i].ambient && field == WN_FIELD_AMBIENT_C &&
                      wn_dialect_reports(&dialect[i], WN_FIELD_TEMPERATURE_C);
        bool plain = wn_dialect_reports(&dialect[i], field) &&
                     !(station->instrument[i].ambient && field == WN_FIELD_TEMPERATURE_C);
        if (turned || plain) {
            return true;
        }
    }
    return false;
}

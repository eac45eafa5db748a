/* Answers of a station on its control socket.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "station.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static json_t *refuse(const char *text)
{
    return json_pack("{s:b,s:s}", "ok", 0, "error", text);
}

static json_t *number(double x)
{
    return isfinite(x) ? json_real(x) : json_null();
}

static void put(json_t *o, const char *key, json_t *value)
{
    (void)json_object_set_new(o, key, value);
}

static const char *output_word(enum wn_output_mode mode)
{
    switch (mode) {
    case WN_OUTPUT_CHARGE:
        return "charge";
    case WN_OUTPUT_DISCHARGE:
        return "discharge";
    case WN_OUTPUT_POWER:
        return "power";
    case WN_OUTPUT_FOLLOW:
        return "listen";
    case WN_OUTPUT_OFF:
        break;
    }
    return "off";
}

static void put_reading(json_t *o, const struct wn_reading *r, bool known)
{
    bool v = known && (r->has & WN_HAS_VOLTAGE), i = known && (r->has & WN_HAS_CURRENT);
    bool t = known && (r->has & WN_HAS_TEMPERATURE), a = known && (r->has & WN_HAS_AMBIENT);
    put(o, "voltage_v", number(v ? r->voltage_v : NAN));
    put(o, "current_a", number(i ? r->current_a : NAN));
    put(o, "temperature_c", number(t ? r->temperature_c : NAN));
    put(o, "ambient_c", number(a ? r->ambient_c : NAN));
}

static void put_campaign(json_t *o, const struct station *s)
{
    struct wn_engine_view v;
    wn_engine_view(s->engine, &v);
    double rated_ah = s->info.cell.rated_capacity_ah;
    put(o, "state", json_string(wn_engine_state_name(v.state)));
    put(o, "simulated", json_boolean(s->info.simulated));
    put(o, "campaign", json_string(s->info.name));
    put(o, "file", json_string(s->campaign_path));
    put(o, "cell", json_string(s->info.cell.name));
    put(o, "procedure", json_string(s->info.procedure));
    put(o, "cycle", json_integer(v.cycle));
    put(o, "cycles_planned", json_integer(v.cycles_planned));
    put(o, "cycles_done", json_integer(v.cycles_done));
    put(o, "in_check_up", json_boolean(v.in_check_up));
    put(o, "check_up", json_integer(v.check_up));
    put(o, "step", json_string(v.step));
    put(o, "step_s", number(v.step_s));
    put(o, "time_s", number(wn_ns_to_s(s->campaign_now_ns)));
    put_reading(o, &v.reading, v.has_reading);
    put(o, "output", json_string(output_word(v.output.mode)));
    put(o, "step_charge_ah", number(v.step_charge_ah));
    put(o, "step_energy_wh", number(v.step_energy_wh));
    put(o, "capacity_ah", number(v.last_capacity_ah));
    put(o, "initial_capacity_ah", number(v.first_capacity_ah));
    put(o, "rated_capacity_ah", number(rated_ah));
    put(o, "retention", number(rated_ah > 0 ? v.last_capacity_ah / rated_ah : NAN));
    put(o, "remaining_s", number(v.remaining_s));
    put(o, "alarm", json_boolean(v.alarm));
    put(o, "halt", json_pack("{s:s,s:s}", "rule", v.halt_rule, "text", v.halt_text));
}

static void put_idle(json_t *o, const struct station *s)
{
    static const char *const unknown[] = {
        "campaign",    "file",        "cell",     "procedure", "cycle",  "cycles_planned",
        "cycles_done", "in_check_up", "check_up", "step",      "step_s", "time_s"};
    put(o, "state", json_string("idle"));
    put(o, "simulated", json_boolean(bench_is_simulated(s)));
    if (instrument_listens(s->bench.instrument)) {
        bool nothing;
        put(o, "halting",
            json_string(wn_config_halting(&s->config, &s->bench.instrument[0].dialect, &nothing)));
    }
    for (size_t i = 0; i < sizeof unknown / sizeof unknown[0]; i++) {
        put(o, unknown[i], json_null());
    }
    put_reading(o, &s->reading, s->has_reading);
    put(o, "output", json_string("off"));
    bool lost = s->broken_text[0] != '\0'; /* for good, or as long as it cannot be read */
    put(o, "alarm", json_boolean(lost));
    put(o, "halt",
        json_pack("{s:s,s:s}", "rule", lost ? "broken_campaign" : "", "text", s->broken_text));
}

static void put_instruments(json_t *o, const struct station *s)
{
    json_t *list = json_array();
    uint64_t exchanges = 0, bad = 0;
    for (int n = 0; n < s->config.instruments; n++) {
        const struct instrument *i = &s->bench.instrument[n];
        const struct wn_instrument_config *c = instrument_config(s, i);
        bool ready = i->stage == STAGE_READY;
        exchanges += i->session.exchanges;
        bad += i->session.bad_replies;
        (void)json_array_append_new(
            list, json_pack("{s:s,s:s,s:s,s:b,s:o,s:s,s:i,s:i,s:s}", "name", wn_instrument_name(c),
                            "port", c->port, "dialect", i->dialect.name, "ready", ready, "identity",
                            ready ? json_string(i->session.identity) : json_null(), "fault",
                            i->fault, "recent_replies", i->session.recent_n, "recent_bad_replies",
                            i->session.recent_bad, "last_bad_reply",
                            i->session.recent_bad > 0 ? i->session.complaint.text : ""));
    }
    put(o, "instruments", list);
    put(o, "exchanges", json_integer((json_int_t)exchanges));
    put(o, "bad_replies", json_integer((json_int_t)bad));
}

static json_t *status(const struct station *s)
{
    json_t *o = json_pack("{s:b,s:s}", "ok", 1, "station", s->config.name);
    const struct instrument *first = &s->bench.instrument[0];
    if (s->campaign != NULL) {
        put_campaign(o, s);
    } else {
        put_idle(o, s);
    }
    wn_ns age_ns = wn_clock_monotonic(s->clock) - s->reading.host_ns;
    put(o, "reading_age_s", number(s->has_reading ? wn_ns_to_s(age_ns) : NAN));
    put(o, "port", json_string(s->config.instrument[0].port));
    put(o, "instrument",
        first->stage == STAGE_READY ? json_string(first->session.identity) : json_null());
    put(o, "fault", json_string(bench_fault(s)));
    put(o, "instrument_ready", json_boolean(bench_not_ready(s) == NULL));
    put_instruments(o, s);
    put(o, "guard", json_boolean(s->guard.fd >= 0 && !s->guard.lost));
    put(o, "recording", json_boolean(!s->store_failed));
    return o;
}

static const char *text_of(const json_t *request, const char *key)
{
    return json_string_value(json_object_get(request, key));
}

static json_t *start(struct station *s, const json_t *request, const struct wn_peer *peer)
{
    const char *cell = text_of(request, "cell"), *procedure = text_of(request, "procedure");
    struct wn_error err = {0};
    if (cell == NULL || procedure == NULL) {
        return refuse("start needs a cell and a procedure");
    }
    if (strchr(cell, '/') != NULL || strchr(procedure, '/') != NULL) {
        return refuse(
            "cell and procedure are names of files in the configuration directory, not paths");
    }
    if (bench_is_real(s) && !json_is_true(json_object_get(request, "caution_read"))) {
        return refuse("read the caution first: wane start shows it and asks");
    }
    bool unstopped = json_is_true(json_object_get(request, "nothing_stops_it"));
    if (campaign_start(s, cell, procedure, text_of(request, "name"), unstopped, peer->who, &err) !=
        WN_OK) {
        return refuse(err.text);
    }
    return json_pack("{s:b,s:s,s:s}", "ok", 1, "campaign", s->info.name, "file", s->campaign_path);
}

/* {"mass_g": 46.9, "ac_impedance_ohm": null, "marking": "..."}; false: not like that. */
static bool read_change(const json_t *from, struct wn_intake_change *out)
{
    const char *key;
    json_t *value;
    bool good = json_is_object(from);
    memset(out, 0, sizeof *out);
    json_object_foreach((json_t *)(uintptr_t)from, key, value)
    {
        enum wn_intake q = wn_intake_find(key);
        if (q < WN_INTAKE_NUMBERS && (json_is_number(value) || json_is_null(value))) {
            out->given[q] = true;
            out->value[q] = json_is_null(value) ? NAN : json_number_value(value);
        } else if (strcmp(key, "marking") == 0 && json_is_string(value) &&
                   json_string_length(value) < sizeof out->marking) {
            out->marking_given = true;
            (void)snprintf(out->marking, sizeof out->marking, "%s", json_string_value(value));
        } else {
            good = false;
        }
    }
    return good;
}

/* Nothing is run by these values: it may be done at any time, and touches the output in nothing. */
static json_t *intake(struct station *s, const json_t *request, const struct wn_peer *peer)
{
    const char *campaign = text_of(request, "campaign");
    struct wn_intake_change change;
    struct wn_intake_words words;
    struct wn_error err = {0};
    struct wn_cell cell = s->info.cell;
    struct wn_engine_view v;
    if (s->campaign == NULL || campaign == NULL || strcmp(campaign, s->info.name) != 0) {
        return refuse("this station does not have that campaign open");
    }
    if (!read_change(json_object_get(request, "change"), &change)) {
        return refuse("intake needs a change: values of the intake record, or null, by name");
    }
    wn_engine_view(s->engine, &v);
    int rc = wn_intake_change(&cell, &change, &words, &err);
    const struct wn_amendment a = {.kind = "intake",
                                   .words = &words,
                                   .who = peer->who,
                                   .time_ns = station_time(s),
                                   .cycle = v.cycle};
    if (rc == WN_OK && words.n > 0) {
        rc = wn_campaign_amend(s->campaign, &cell, &a, s->clock->ops->utc(s->clock), &err);
    }
    if (rc != WN_OK) {
        return refuse(err.text);
    }
    s->info.cell = cell;
    json_t *list = json_array();
    for (int i = 0; i < words.n; i++) {
        (void)json_array_append_new(list, json_string(words.text[i]));
    }
    return json_pack("{s:b,s:o}", "ok", 1, "changes", list);
}

static json_t *command(struct station *s, enum wn_event_kind kind, const struct wn_peer *peer)
{
    struct wn_error err = {0};
    if (s->campaign == NULL) {
        return refuse("no campaign on this station: wane start begins one");
    }
    if (wn_engine_may(s->engine, kind, &err) != WN_OK) {
        return refuse(err.text);
    }
    if (kind == WN_EVENT_RESUME && s->store_failed) {
        return refuse(
            "recording still fails: make room on the disk first; nothing goes on without a record");
    }
    if (kind == WN_EVENT_ACKNOWLEDGE) {
        int64_t count = 0;
        (void)wn_campaign_acknowledge(s->campaign, peer->who, s->clock->ops->utc(s->clock), &count,
                                      &err);
    }
    station_command(s, kind, peer->who);
    if (kind == WN_EVENT_PAUSE) { /* ordered is ordered: no restart policy may undo it */
        int rc = wn_campaign_set_status(s->campaign, "paused", s->clock->ops->utc(s->clock), &err);
        s->status_written = rc == WN_OK ? "paused" : NULL;
    }
    json_t *answer =
        json_pack("{s:b,s:s}", "ok", 1, "state", wn_engine_state_name(wn_engine_state(s->engine)));
    if (s->store_failed && answer != NULL) {
        (void)json_object_set_new(
            answer, "warning",
            json_string("done, but the disk does not take the record: after a restart it may be "
                        "forgotten; make room on the disk"));
    }
    return answer;
}

/* What a word may do is one column of one table: see the rights in sock/control.h. */
enum right { RIGHT_SAFE, RIGHT_LOOK, RIGHT_COMMAND };

static const struct word {
    const char *word;
    enum right right;
    enum wn_event_kind kind; /* of the orders to a campaign */
} words[] = {{"stop", RIGHT_SAFE, WN_EVENT_STOP},
             {"pause", RIGHT_SAFE, WN_EVENT_PAUSE},
             {"status", RIGHT_LOOK, 0},
             {"ping", RIGHT_LOOK, 0},
             {"start", RIGHT_COMMAND, WN_EVENT_START},
             {"resume", RIGHT_COMMAND, WN_EVENT_RESUME},
             {"ack", RIGHT_COMMAND, WN_EVENT_ACKNOWLEDGE},
             {"intake", RIGHT_COMMAND, 0}};

static const struct word *find_word(const char *text)
{
    for (size_t i = 0; text != NULL && i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(text, words[i].word) == 0) {
            return &words[i];
        }
    }
    return NULL;
}

static json_t *not_permitted(const struct station *s, const struct wn_peer *peer, enum right right)
{
    const char *group = right == RIGHT_LOOK ? s->daemon->look_group : s->daemon->command_group;
    const char *key = right == RIGHT_LOOK ? "look_group" : "command_group";
    char text[400];
    if (group[0] != '\0') {
        (void)snprintf(text, sizeof text,
                       "not permitted: %s is no member of %s, the %s of this service; an "
                       "administrator can change that (adduser NAME %s), and it counts from the "
                       "next login on; stop and pause are open to you",
                       peer->who, group, key, group);
    } else {
        (void)snprintf(
            text, sizeof text,
            "not permitted: %s is neither root nor the owner of this service; %s in the "
            "configuration can name a group that may too; stop and pause are open to you",
            peer->who, key);
    }
    return refuse(text);
}

/* Commands are logged with who gave them and what became of them; looking is not. */
static json_t *logged(const struct station *s, const struct word *w, const struct wn_peer *peer,
                      json_t *answer)
{
    const char *why = json_string_value(json_object_get(answer, "error"));
    if (why == NULL) {
        station_log(s, 5, "%s by %s", w->word, peer->who);
    } else {
        station_log(s, 4, "%s by %s refused: %s", w->word, peer->who, why);
    }
    return answer;
}

json_t *station_answer(void *ctx, const json_t *request, const struct wn_peer *peer)
{
    struct station *s = ctx;
    const char *text = text_of(request, "command");
    const struct word *w = find_word(text);
    if (w == NULL) {
        return refuse(text == NULL ? "a request names its command" : "unknown command");
    }
    if (w->right == RIGHT_LOOK) {
        if (!peer->may_look) {
            return not_permitted(s, peer, w->right);
        }
        return strcmp(w->word, "status") == 0
                   ? status(s)
                   : json_pack("{s:b,s:s}", "ok", 1, "station", s->config.name);
    }
    if (w->right == RIGHT_COMMAND && !peer->may_command) {
        return logged(s, w, peer, not_permitted(s, peer, w->right));
    }
    return logged(s, w, peer,
                  strcmp(w->word, "intake") == 0 ? intake(s, request, peer)
                  : w->kind == WN_EVENT_START    ? start(s, request, peer)
                                                 : command(s, w->kind, peer));
}

/* Which words a station obeys from whom, one by one: sock/control.h holds the table.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * There is no campaign and no instrument, so a word that is permitted is refused for a reason of
 * its own; one that is not is refused before anything is looked at. */
#include "station/station.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

#include "serial/serial.h"

/* The station's ends of the guard and of the port: nothing here may come so far. */
void guard_beat(struct station *s, wn_ns now)
{
    (void)s;
    (void)now;
}

void guard_beat_grace(struct station *s, double grace_s)
{
    (void)s;
    (void)grace_s;
}

int guard_register(struct station *s, const struct instrument *i, struct wn_error *err)
{
    (void)s;
    (void)i;
    return wn_error_set(err, WN_EGUARD, "there is no guard here");
}

void guard_release(struct station *s, const struct instrument *i)
{
    (void)s;
    (void)i;
}

void guard_look(struct station *s)
{
    (void)s;
}

static const struct wn_peer stranger = {.uid = 1001, .who = "nobody (uid 1001)"};
static const struct wn_peer looker = {.uid = 1002, .who = "lea (uid 1002)", .may_look = true};
static const struct wn_peer member = {
    .uid = 1003, .who = "mo (uid 1003)", .may_look = true, .may_command = true};

static struct wn_daemon_config config;
static struct station station;

static int setup(void **state)
{
    (void)state;
    memset(&config, 0, sizeof config);
    memset(&station, 0, sizeof station);
    (void)snprintf(config.look_group, sizeof config.look_group, "lookers");
    (void)snprintf(config.command_group, sizeof config.command_group, "members");
    station.clock = wn_clock_real();
    station.daemon = &config;
    station.guard.fd = -1;
    (void)snprintf(station.config.name, sizeof station.config.name, "A");
    return 0;
}

/* The error, "" for none. */
static const char *ask(const char *word, const struct wn_peer *peer)
{
    static char error[512];
    json_t *request = json_pack("{s:s}", "command", word);
    json_t *reply = station_answer(&station, request, peer);
    const char *text = json_string_value(json_object_get(reply, "error"));
    bool good = json_is_true(json_object_get(reply, "ok"));
    assert_true(good == (text == NULL));
    (void)snprintf(error, sizeof error, "%s", text != NULL ? text : "");
    json_decref(request);
    json_decref(reply);
    return error;
}

static void refused(const char *word, const struct wn_peer *peer, const char *group)
{
    const char *text = ask(word, peer);
    if (strncmp(text, "not permitted: ", 15) != 0) {
        fail_msg("%s is not refused to %s: %s", word, peer->who, text);
    }
    assert_non_null(strstr(text, peer->who)); /* who, what is missing, what is open all the same */
    assert_non_null(strstr(text, group));
    assert_non_null(strstr(text, "stop and pause are open to you"));
}

static void permitted(const char *word, const struct wn_peer *peer, const char *answer)
{
    const char *text = ask(word, peer);
    if (strncmp(text, answer, strlen(answer)) != 0 || (answer[0] == '\0' && text[0] != '\0')) {
        fail_msg("%s by %s: %s", word, peer->who, text);
    }
}

#define NO_CAMPAIGN "no campaign on this station"

static void making_safe_is_for_everybody(void **state)
{
    (void)state;
    const struct wn_peer *const everybody[] = {&stranger, &looker, &member};
    for (size_t i = 0; i < sizeof everybody / sizeof everybody[0]; i++) {
        permitted("stop", everybody[i], NO_CAMPAIGN);
        permitted("pause", everybody[i], NO_CAMPAIGN);
    }
}

static void looking_is_for_lookers(void **state)
{
    (void)state;
    refused("status", &stranger, "lookers");
    refused("ping", &stranger, "lookers");
    permitted("status", &looker, "");
    permitted("ping", &looker, "");
    permitted("status", &member, "");
}

static void commanding_is_for_members(void **state)
{
    (void)state;
    static const char *const orders[] = {"start", "resume", "ack"};
    for (size_t i = 0; i < sizeof orders / sizeof orders[0]; i++) {
        refused(orders[i], &stranger, "members");
        refused(orders[i], &looker, "members");
    }
    permitted("start", &member, "start needs a cell and a procedure");
    permitted("resume", &member, NO_CAMPAIGN);
    permitted("ack", &member, NO_CAMPAIGN);
}

/* Words that are none reach neither the rights nor the log. */
static void unknown_words(void **state)
{
    (void)state;
    permitted("format", &member, "unknown command");
    permitted("", &member, "unknown command");
    permitted("stop\n<1>guard: all is well", &stranger, "unknown command");
    json_t *request = json_pack("{s:i}", "command", 7);
    json_t *reply = station_answer(&station, request, &member);
    assert_string_equal(json_string_value(json_object_get(reply, "error")),
                        "a request names its command");
    json_decref(request);
    json_decref(reply);
}

/* Without groups in the configuration the text names the key instead. */
static void no_groups(void **state)
{
    (void)state;
    config.look_group[0] = config.command_group[0] = '\0';
    refused("resume", &looker, "command_group in the configuration");
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test_setup(making_safe_is_for_everybody, setup),
        cmocka_unit_test_setup(looking_is_for_lookers, setup),
        cmocka_unit_test_setup(commanding_is_for_members, setup),
        cmocka_unit_test_setup(unknown_words, setup),
        cmocka_unit_test_setup(no_groups, setup),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

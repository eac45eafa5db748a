/* Swarm: an operator who mostly does the right thing, and sometimes does not.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <string.h>

#include "swarm/config.h"
#include "swarm/host.h"
#include "swarm/plant.h"

static wn_ns next_ns;
static bool over; /* the campaign has ended after the healing */

void operator_begin(void)
{
    next_ns = sim.now_ns + 5 * WN_NS_PER_S;
    over = false;
}

/* A new reference, or NULL when nobody answered. */
static json_t *say(const char *word)
{
    json_t *request = json_pack("{s:s,s:s,s:s,s:b}", "command", word, "cell", "swarm", "procedure",
                                config_procedure(), "caution_read", 1);
    json_t *reply = host_command(request);
    bool ok = json_is_true(json_object_get(reply, "ok"));
    json_decref(request);
    if (strcmp(word, "ack") == 0 && (ok || reply == NULL)) {
        ledger_acknowledged(); /* no answer: it may have been done */
    }
    if (strcmp(word, "status") != 0) {
        const char *error = json_string_value(json_object_get(reply, "error"));
        trace("operator: %s: %s", word,
              reply == NULL ? "no answer"
              : ok          ? "done"
              : error       ? error
                            : "refused");
    }
    return reply;
}

/* The faults, and resuming whatever happened, have driven it out of the envelope of config.c for
 * good: no campaign goes on with it, rightly. */
static bool cell_is_spoilt(void)
{
    struct plant_truth t;
    plant_truth(&t);
    return !t.flowing && (t.voltage_v > 4.25 || t.voltage_v < 1.7);
}

static void do_right_thing(void)
{
    json_t *status = say("status");
    const char *state = json_string_value(json_object_get(status, "state"));
    const char *rule = json_string_value(json_object_get(json_object_get(status, "halt"), "rule"));
    const char *word = NULL;
    if (state == NULL) {
        json_decref(status);
        return;
    }
    bool ended = strcmp(state, "finished") == 0 || strcmp(state, "stopped") == 0;
    bool alarm = json_is_true(json_object_get(status, "alarm"));
    if (sim.healing && !ended && cell_is_spoilt()) {
        word = "stop";
    } else if (strcmp(state, "halted") == 0 || (strcmp(state, "paused") == 0 && alarm)) {
        word = "ack";
    } else if (strcmp(state, "paused") == 0) {
        word = "resume";
    } else if (rule != NULL && strcmp(rule, "broken_campaign") == 0) {
        trace("operator: restarts the service, for %s",
              json_string_value(json_object_get(json_object_get(status, "halt"), "text")));
        host_ask_end();
    } else if (strcmp(state, "idle") == 0 || (ended && !sim.healing)) {
        word = "start";
    } else if (ended) {
        over = true;
    }
    if (word != NULL) {
        json_decref(say(word));
    }
    json_decref(status);
}

void operator_bother(enum fault command)
{
    static const char *const words[] = {"pause", "resume", "stop", "ack", "start", "frobnicate"};
    int which = (int)command - (int)FAULT_COMMAND_PAUSE;
    int times = 1 + (int)wn_prng_below(&sim.choice, 3);
    for (int i = 0; i < times && which >= 0 && which < 6; i++) {
        json_t *reply = say(words[which]);
        sim.injected[command] += reply != NULL ? 1 : 0;
        json_decref(reply);
    }
}

bool operator_is_done(void)
{
    return over;
}

wn_ns operator_run(void)
{
    if (sim.now_ns >= next_ns) {
        double tempo = sim.own_clock && !sim.healing ? 20.0 : 1.0;
        double wait_s = sim.healing ? 10.0 : 20.0 + 280.0 * wn_prng_uniform(&sim.choice);
        next_ns = sim.now_ns + wn_ns_from_s(wait_s / tempo);
        do_right_thing();
    }
    return next_ns;
}

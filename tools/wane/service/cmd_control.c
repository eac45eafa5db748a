/* wane start, pause, resume, stop, ack: orders to a station.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

/* Before anything is switched on for the first time. */
static const char caution[] =
    "CAUTION. Lithium-ion cells can catch fire and explode, hours after the mistake that caused "
    "it.\n"
    " - The cell stands in a fire-safe containment, away from what burns, under a smoke alarm.\n"
    " - Never rely on software alone: an independent over-temperature and over-voltage cut-out, a "
    "fuse, and\n"
    "   an interlock that must be energised to connect the cell.\n"
    " - Be there for the first cycles of every new cell, and know how to disconnect it.\n"
    " - Four-wire sensing; cell and currents inside the datasheet.\n"
    " - Follow your local codes; mains wiring and fixed installations are for licensed people.\n";

static int order(struct wane *w, const struct wane_args *a, const char *done)
{
    json_t *reply = NULL;
    const struct wn_station_config *s = wane_station(w, a);
    if (s == NULL) {
        return WANE_FAILED;
    }
    int rc = wane_ask(w, s->name, json_pack("{s:s}", "command", w->command->name), &reply);
    if (rc != WANE_DONE) {
        return rc;
    }
    if (w->json) {
        return wane_print_json(reply);
    }
    const char *state = json_string_value(json_object_get(reply, "state"));
    (void)printf("station %s: %s (%s)\n", s->name, done, state != NULL ? state : "state unknown");
    json_decref(reply);
    return wane_flush();
}

static int run_pause(struct wane *w, const struct wane_args *a)
{
    return order(w, a, "pausing, the output goes off");
}

static int run_resume(struct wane *w, const struct wane_args *a)
{
    return order(w, a, "going on, once the cell has been looked at");
}

static int run_stop(struct wane *w, const struct wane_args *a)
{
    return order(w, a, "stopping, the output goes off");
}

static int run_ack(struct wane *w, const struct wane_args *a)
{
    return order(w, a, "alarms acknowledged");
}

enum { CELL, PROCEDURE, NAME, CAUTION_READ, NOTHING_STOPS_IT };

static const struct wane_option start_options[] = {
    [CELL] = {"cell", 0, WANE_TEXT, "CELL", "cells/CELL.conf of the configuration"},
    [PROCEDURE] = {"procedure", 0, WANE_TEXT, "PROCEDURE", "procedures/PROCEDURE.conf"},
    [NAME] = {"name", 0, WANE_TEXT, "NAME",
              "of the campaign and its file; else CELL-1, CELL-2, ..."},
    [CAUTION_READ] = {"caution-read", 0, WANE_FLAG, NULL, "I have read the caution: do not ask"},
    [NOTHING_STOPS_IT] = {"nothing-stops-it", 0, WANE_FLAG, NULL,
                          "the tester runs its own program and nothing here stops it: I know"},
};

/* Asks on the terminal; anything but "yes" is no. */
static bool says_yes(void)
{
    char answer[16] = "";
    (void)fputs("Have you read this, and is it so? Type yes: ", stderr);
    return fgets(answer, sizeof answer, stdin) != NULL && strcmp(answer, "yes\n") == 0;
}

/* Does the station drive a virtual bench? Only the station knows. */
static int is_simulated(struct wane *w, const char *station, bool *simulated)
{
    const char *halting;
    json_t *reply = NULL;
    int rc = wane_ask(w, station, json_pack("{s:s}", "command", "status"), &reply);
    *simulated = rc == WANE_DONE && json_is_true(json_object_get(reply, "simulated"));
    if (json_unpack(reply, "{s:s}", "halting", &halting) == 0) {
        (void)fprintf(stderr, "%s\n", halting);
    }
    json_decref(reply);
    return rc;
}

static int settle_caution(struct wane *w, const struct wane_args *a, const char *station,
                          bool *read)
{
    bool simulated = false;
    int rc = is_simulated(w, station, &simulated);
    if (rc != WANE_DONE) {
        return rc;
    }
    (void)fputs(caution, stderr);
    *read = a->value[CAUTION_READ].given;
    if (simulated) {
        (void)fputs("Station is SIMULATED: no cell can be harmed here.\n", stderr);
    } else if (!*read && isatty(STDIN_FILENO)) {
        *read = says_yes();
    }
    if (!simulated && !*read) {
        (void)fputs("wane start: nothing was started: the caution must be read, and --caution-read "
                    "or \"yes\" say so\n",
                    stderr);
        return WANE_FAILED;
    }
    return WANE_DONE;
}

static int run_start(struct wane *w, const struct wane_args *a)
{
    json_t *reply = NULL;
    bool read = false;
    if (!a->value[CELL].given || !a->value[PROCEDURE].given) {
        return wane_usage(w, "which %s? wane start %s", a->value[CELL].given ? "procedure" : "cell",
                          w->command->synopsis);
    }
    const struct wn_station_config *s = wane_station(w, a);
    int rc = s != NULL ? settle_caution(w, a, s->name, &read) : WANE_FAILED;
    if (rc != WANE_DONE) {
        return rc;
    }
    json_t *request =
        json_pack("{s:s,s:s,s:s,s:b}", "command", "start", "cell", a->value[CELL].text, "procedure",
                  a->value[PROCEDURE].text, "caution_read", read);
    if (a->value[NOTHING_STOPS_IT].given) {
        wane_put(request, "nothing_stops_it", json_true());
    }
    if (a->value[NAME].given) {
        wane_put(request, "name", json_string(a->value[NAME].text));
    }
    rc = wane_ask(w, s->name, request, &reply);
    if (rc != WANE_DONE) {
        return rc;
    }
    if (w->json) {
        return wane_print_json(reply);
    }
    (void)printf("station %s: campaign %s begun, recorded in %s\n", s->name,
                 json_string_value(json_object_get(reply, "campaign")),
                 json_string_value(json_object_get(reply, "file")));
    json_decref(reply);
    return wane_flush();
}

const struct wane_command cmd_start = {
    .name = "start",
    .synopsis = "STATION --cell CELL --procedure PROCEDURE [--name NAME] [--caution-read] "
                "[--nothing-stops-it]",
    .summary = "begin a campaign",
    .text = "Takes the cell on the station through the procedure. Prints the caution first;\n"
            "on a station that is not simulated it must be answered with yes, or\n"
            "--caution-read. wane check tells beforehand what will happen.\n"
            "Where the tester runs its own program the station listens: the procedure tells\n"
            "what that program is, and nothing is driven. When nothing on the station stops\n"
            "such a tester, --nothing-stops-it must say so.\n",
    .examples = "  wane start A --cell demo-18650 --procedure datasheet-claim --name demo\n",
    .options = start_options,
    .options_n = sizeof start_options / sizeof start_options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run_start,
};

const struct wane_command cmd_pause = {
    .name = "pause",
    .synopsis = "STATION",
    .summary = "output off, campaign kept where it is",
    .text = "Switches the output off and keeps the campaign where it is. The cycle in\n"
            "progress is marked interrupted.\n",
    .examples = "  wane pause A\n",
    .operands_min = 1,
    .operands_max = 1,
    .run = run_pause,
};

const struct wane_command cmd_resume = {
    .name = "resume",
    .synopsis = "STATION",
    .summary = "go on after a pause, a halt or a restart",
    .text = "Looks at the cell and goes on with the step that was interrupted. After a halt\n"
            "the alarm must have been acknowledged (wane ack).\n",
    .examples = "  wane resume A\n",
    .operands_min = 1,
    .operands_max = 1,
    .run = run_resume,
};

const struct wane_command cmd_stop = {
    .name = "stop",
    .synopsis = "STATION",
    .summary = "output off, campaign over; never asks",
    .text = "Switches the output off at once and ends the campaign for good. It never asks,\n"
            "and whoever reaches the station may do it.\n",
    .examples = "  wane stop A\n",
    .operands_min = 1,
    .operands_max = 1,
    .run = run_stop,
};

const struct wane_command cmd_ack = {
    .name = "ack",
    .synopsis = "STATION",
    .summary = "acknowledge the alarms of a station",
    .text = "Says that a person has seen the alarms, and records who. The output stays off\n"
            "until wane resume.\n",
    .examples = "  wane ack A\n",
    .operands_min = 1,
    .operands_max = 1,
    .run = run_ack,
};

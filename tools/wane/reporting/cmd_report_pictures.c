/* wane report: its pictures.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cmd_report.h"

#include <stdio.h>
#include <stdlib.h>

/* In the words of wane plot; where the page shows them is decided there. */
static const struct {
    const char *word, *title, *caption;
} wanted[] = {
    {"discharge", "Voltage over discharged charge",
     "Voltage in discharge: at each current when there are several, else of cycles from the first "
     "to the last."},
    {"heating", "Temperature of the cell over discharged charge",
     "Temperature of the cell in the same discharges."},
    {"resistance", "DC resistance over cycles",
     "Resistance at the onset of each discharge, and of the check-ups."},
    {"fade", "Capacity over cycles, with threshold, claim and projection",
     "Capacity of every cycle; flagged ones are hollow. What lies beyond the last cycle is "
     "projected."},
    {"efficiency", "Coulombic and energy efficiency over cycles",
     "What came out of what was put in before, for charge and for energy."},
};
_Static_assert(sizeof wanted / sizeof wanted[0] <= REPORT_PICTURES_MAX, "one place each");

static void draw(struct report_picture *out, enum drawing_kind kind, struct drawing_subject *s)
{
    char id[24];
    struct wn_error err = {0};
    const struct drawing_choice choice = {0};
    const struct wn_style style = {.look = WN_LOOK_INLINE};
    struct wn_picture *p = malloc(sizeof *p);
    if (p == NULL) {
        (void)snprintf(out->why, sizeof out->why, "out of memory");
        return;
    }
    wn_picture_init(p);
    (void)snprintf(id, sizeof id, "picture-%s", out->word);
    int rc = drawing_make(p, kind, s, 1, &choice, &err);
    if (rc == WN_OK) {
        out->svg = wn_picture_svg(p, &style, id, &err);
        rc = out->svg != NULL ? WN_OK : err.code;
    }
    if (rc != WN_OK && rc != WN_EINVAL) { /* nothing to draw is no failure */
        (void)snprintf(out->why, sizeof out->why, "%.*s", (int)sizeof out->why - 1, err.text);
    }
    wn_picture_fini(p);
    free(p);
}

void report_draw(struct report *r, struct drawing_subject *s)
{
    r->pictures = 0;
    for (size_t i = 0; i < sizeof wanted / sizeof wanted[0]; i++) {
        struct report_picture *p = &r->picture[r->pictures];
        enum drawing_kind kind = drawing_of(wanted[i].word);
        *p = (struct report_picture){
            .word = wanted[i].word, .title = wanted[i].title, .caption = wanted[i].caption};
        if (kind != DRAWING_KINDS) {
            draw(p, kind, s);
            r->pictures += p->svg != NULL || p->why[0] != '\0';
        }
    }
}

void report_forget_pictures(struct report *r)
{
    for (int i = 0; i < r->pictures; i++) {
        free(r->picture[i].svg);
    }
    r->pictures = 0;
}

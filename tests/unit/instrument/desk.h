/* Three askers at one port: what each asks, what is sent, who is answered.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_DESK_H
#define WN_TESTS_DESK_H

#include "talk.h"
#include "instrument/share.h"

struct desk {
    struct wn_dialect dialect[3];
    struct wn_share share;
    wn_ns now_ns;
    int asker[3];
};

/** The test's dialect with the number of an output in all that is about one. */
void desk_dialect(struct wn_dialect *d, int n);
/** The share of the three dialects, an asker at each channel. */
void sit_down(struct desk *k);
/** Three outputs of one instrument, each with its asker, in step. */
void begin(struct desk *k);

/** '|' stands for LF in all texts. */
void asks(struct desk *k, int who, const char *what);
void says(struct desk *k, const char *what);
/** All that is written now is this. */
#define sends(k, want) sends_at((k), (want), __FILE__, __LINE__)
void sends_at(struct desk *k, const char *want, const char *file, int line);
/** The answer that is there is this one, for that asker. */
#define gives(k, who, want) gives_at((k), (who), (want), __FILE__, __LINE__)
void gives_at(struct desk *k, int who, const char *want, const char *file, int line);
void gives_nothing(struct desk *k);
void waits(struct desk *k, double ms);

#endif

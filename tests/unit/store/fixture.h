/* Tests of the campaign file: a directory of its own, and records with a value in every member.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_STORE_FIXTURE_H
#define WN_TESTS_STORE_FIXTURE_H

#include <sqlite3.h>

#include "support/near.h"

#include "store/campaign.h"

struct fixture {
    char dir[200];
    char path[240]; /* DIR/cell-1.wane; does not exist yet */
};

/** cmocka set-up and tear-down; *state is a struct fixture. */
int fixture_setup(void **state);
int fixture_teardown(void **state);

/** Everything a campaign starts from, every member set; readings are stored when 0.25 V, 0.5 A, 2 K
 * or 60 s have changed. */
void fixture_info(struct wn_campaign_info *info);
extern const char fixture_config[];

/** Creates the campaign of the fixture, or fails the test. */
struct wn_campaign *fixture_create(const struct fixture *f);
struct wn_campaign *fixture_open(const struct fixture *f);

/** Records number n (from 1), every member set and different from that of other n. */
void fixture_reading(struct wn_record *r, int64_t n, int64_t step);
void fixture_step(struct wn_record *r, enum wn_record_kind kind, int64_t n);
void fixture_cycle(struct wn_record *r, int64_t n);
void fixture_check_up(struct wn_record *r, int64_t n);
void fixture_event(struct wn_record *r, int64_t n, enum wn_severity severity);
void fixture_intent(struct wn_record *r, int64_t n);
void fixture_state(struct wn_record *r, int64_t n, uint32_t size);

/** Puts and fails the test when that does not work. */
void fixture_put(struct wn_campaign *c, const struct wn_record *r);
void fixture_commit(struct wn_campaign *c, wn_utc_us utc);

/** A connection as anybody's plain SQLite makes one; and the first column of a query on it: as
 * number, as text (of a buffer that the next call overwrites). They fail the test on errors. */
sqlite3 *plain_open(const char *path);
int64_t plain_int(sqlite3 *db, const char *sql);
const char *plain_text(sqlite3 *db, const char *sql);

/** SEED from the environment, else the given one; printed. */
uint64_t fixture_seed(uint64_t otherwise);

#define assert_ok(call)                                                                            \
    do {                                                                                           \
        struct wn_error err_ = {0};                                                                \
        struct wn_error *why = &err_;                                                              \
        int rc_ = (call);                                                                          \
        if (rc_ != WN_OK) {                                                                        \
            print_error("%s: %d: %s\n", #call, rc_, err_.text);                                    \
            _fail(__FILE__, __LINE__);                                                             \
        }                                                                                          \
    } while (0)

#endif

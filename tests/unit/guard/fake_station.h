/* What a fake station hands to the guard.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_GUARD_FAKE_STATION_H
#define WN_TESTS_GUARD_FAKE_STATION_H

/* One channel; of several each line has the channel's number behind: "OFF 2". */
#define FAKE_OFF    "OFF\n"
#define FAKE_QUERY  "OFF?\n"
#define FAKE_EXPECT "0"

#endif

/* The session: what no other test would see when it breaks (tests/mutate).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/near.h"
#include "talk.h"

/* Set to 4 A with a tolerance of 1 mA: less is as wrong as more. */
static void a_read_back_may_be_wrong_in_both_directions(void **state)
{
    (void)state;
    static const struct {
        const char *answer;
        bool good;
    } rows[] = {{"4.001|", true}, {"3.999|", true}, {"4.0011|", false}, {"3.9989|", false},
                {"0|", false},    {"-4|", false},   {"40|", false}};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        struct talk t;
        talk_begin(&t);
        talk_request(&t, WN_REQUEST_CHARGE);
        talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
        talk_hears(&t, "0|", WN_SESSION_PENDING);
        talk_sends(&t, "MODE?|");
        talk_hears(&t, "CHAR|", WN_SESSION_PENDING);
        talk_sends(&t, "CURR?|");
        talk_hears(&t, rows[i].answer, WN_SESSION_PENDING);
        if (rows[i].good) {
            talk_sends(&t, "VOLT?|");
            continue;
        }
        talk_sends(&t, "|ID?|"); /* in step? then asked again, and the same answer is none by
                                    accident */
        talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
        talk_sends(&t, "CURR?|");
        talk_hears(&t, rows[i].answer, WN_SESSION_FAILED);
        talk_failed(&t, WN_EREADBACK, "current_a was set to 4");
    }
}

/* Two retries: each query of a request has them for itself. */
static void each_query_has_its_own_retries(void **state)
{
    (void)state;
    struct talk t;
    talk_begin(&t);
    talk_request(&t, WN_REQUEST_CHARGE);
    talk_sends(&t, "MODE CHAR|CURR 4|VOLT 4.2|ERR?|");
    talk_hears(&t, "0|", WN_SESSION_PENDING);
    static const char *const query[] = {"MODE?|", "CURR?|", "VOLT?|"};
    static const char *const answer[] = {"CHAR|", "4|", "4.2|"};
    for (int i = 0; i < 3; i++) {
        for (int n = 0; n < 2; n++) {
            talk_sends(&t, query[i]);
            talk_hears(&t, n == 0 ? "?|" : "!|", WN_SESSION_PENDING);
            talk_sends(&t, "|ID?|");
            talk_hears(&t, "maker,model,17|", WN_SESSION_PENDING);
        }
        talk_sends(&t, query[i]);
        talk_hears(&t, answer[i], i < 2 ? WN_SESSION_PENDING : WN_SESSION_DONE);
    }
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(a_read_back_may_be_wrong_in_both_directions),
        cmocka_unit_test(each_query_has_its_own_retries),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

/* Several askers at one port: turns, whose reply it is, off first, late replies.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "desk.h"

#include <stdio.h>
#include <string.h>

static void test_one_at_a_time(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "ALL? 1,(@1)|");
    says(&k, "1,3.6");
    gives_nothing(&k);
    sends(&k, "");
    says(&k, ",0|");
    gives(&k, 0, "1,3.6,0|");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "2,3.7,0|");
    gives(&k, 1, "2,3.7,0|");
    assert_true(wn_share_is_idle(&k.share));
}

/* Commands need no reply; as many replies as queries make an answer. */
static void test_how_many_replies(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "MODE CHAR|CURR 4|VOLT 4.2|");
    asks(&k, 1, "CURR?|ID?|VOLT?|");
    sends(&k, "MODE CHAR|CURR 4|VOLT 4.2|CURR?|ID?|VOLT?|");
    says(&k, "4|maker,model,17|");
    gives_nothing(&k);
    says(&k, "4.2|");
    gives(&k, 1, "4|maker,model,17|4.2|");
}

static void test_turns(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "CURR?|");
    for (int i = 0; i < 3; i++) { /* the first asks without a pause */
        asks(&k, 0, "VOLT?|");
    }
    asks(&k, 1, "ALL? 1,(@2)|");
    asks(&k, 2, "ALL? 1,(@3)|");
    sends(&k, "CURR?|");
    says(&k, "4|");
    gives(&k, 0, "4|");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "b|");
    gives(&k, 1, "b|");
    sends(&k, "ALL? 1,(@3)|");
    says(&k, "c|");
    gives(&k, 2, "c|");
    sends(&k, "VOLT?|");
}

/* Off goes out at once, and in its turn before what has waited longer. */
static void test_off_first(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    asks(&k, 2, "|OUT 0,(@3)|OUT? (@3)|");
    sends(&k, "|OUT 0,(@3)|");
    says(&k, "a|");
    gives(&k, 0, "a|");
    sends(&k, "|OUT 0,(@3)|OUT? (@3)|");
    says(&k, "0|");
    gives(&k, 2, "0|");
    sends(&k, "ALL? 1,(@2)|");
}

/* The guard's own: the bytes, and then whether it is off. */
static void test_off_of_the_guard(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    asks(&k, 2, "|OUT 0,(@3)|OUT 0,(@3)|");
    asks(&k, 2, "OUT? (@3)|");
    sends(&k, "|OUT 0,(@3)|OUT 0,(@3)|");
    says(&k, "a|");
    gives(&k, 0, "a|");
    sends(&k, "|OUT 0,(@3)|OUT 0,(@3)|OUT? (@3)|");
    says(&k, "0|");
    gives(&k, 2, "0|");
    sends(&k, "ALL? 1,(@2)|");
}

/* On that waits must not come behind off. */
static void test_off_cancels(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "OUT 1,(@2)|OUT? (@2)|");
    asks(&k, 2, "OUT 1,(@3)|OUT? (@3)|");
    asks(&k, 1, "|OUT 0,(@2)|OUT? (@2)|");
    sends(&k, "|OUT 0,(@2)|");
    says(&k, "a|");
    sends(&k, "|OUT 0,(@2)|OUT? (@2)|");
    says(&k, "0|");
    sends(&k, "OUT 1,(@3)|OUT? (@3)|"); /* another channel's stays */
    says(&k, "1|");
    sends(&k, "");
    assert_true(wn_share_is_idle(&k.share));
}

/* Two askers of a channel: the dead station's descriptor, which the guard holds, and its successor.
 */
static void test_off_cancels_for_the_channel(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    int old = k.asker[1];
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "OUT 1,(@2)|OUT? (@2)|");
    k.asker[1] = wn_share_join(&k.share, 1);
    asks(&k, 1, "|OUT 0,(@2)|OUT? (@2)|");
    sends(&k, "|OUT 0,(@2)|");
    says(&k, "a|");
    sends(&k, "|OUT 0,(@2)|OUT? (@2)|");
    says(&k, "0|");
    gives(&k, 1, "0|");
    wn_share_leave(&k.share, old, k.now_ns); /* not the last of its channel */
    sends(&k, "");
    wn_share_leave(&k.share, k.asker[1], k.now_ns);
    sends(&k, "|OUT 0,(@2)|OUT 0,(@2)|");
    assert_true(wn_share_is_idle(&k.share));
}

/* A packet that does more than switch off waits like all others. */
static void test_what_is_no_off(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "CLS|OUT 0,(@2)|HIGH 4.25|ERR?|");
    asks(&k, 2, "OUT 0,(@2)|"); /* not of its channel */
    sends(&k, "");
    says(&k, "a|");
    sends(&k, "CLS|OUT 0,(@2)|HIGH 4.25|ERR?|");
    says(&k, "0|");
    sends(&k, "OUT 0,(@2)|");
}

/* The reply of the first comes when the second would have been asked. */
static void test_late_reply(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "ALL? 1,(@1)|");
    waits(&k, 499);
    sends(&k, "");
    waits(&k, 1);
    sends(&k, "|ID?|");
    says(&k, "late|");
    gives_nothing(&k);
    says(&k, "maker,model,17|");
    gives_nothing(&k);
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "b|");
    gives(&k, 1, "b|");
    assert_int_equal(k.share.timeouts, 1);
}

/* At the very deadline it is late. */
static void test_reply_at_the_deadline(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "ALL? 1,(@1)|");
    k.now_ns += 500 * WN_NS_PER_MS;
    says(&k, "late|");
    gives_nothing(&k);
    sends(&k, "|ID?|");
    says(&k, "maker,model,17|");
    sends(&k, "ALL? 1,(@2)|");
}

/* An identity may be late itself: it is asked once more often than it is unanswered. */
static void test_late_identity(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ID?|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "ID?|");
    waits(&k, 500);
    sends(&k, "|ID?|ID?|");
    says(&k, "maker,model,17|"); /* of the first asker, perhaps */
    sends(&k, "");
    gives_nothing(&k);
    says(&k, "maker,model,17|");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "maker,model,17|"); /* the one that was still due */
    gives_nothing(&k);
    says(&k, "b|");
    gives(&k, 1, "b|");
}

/* A line that comes before the packet is written is no reply to it. */
static void test_line_before_writing(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    says(&k, "what|");
    gives_nothing(&k);
    sends(&k, "ID?|");
    says(&k, "maker,model,17|");
    sends(&k, "ALL? 1,(@1)|");
    says(&k, "a|");
    gives(&k, 0, "a|");
}

static void test_garbage(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "ALL? 1,(@1)|");
    says(&k, "1,\x80,3|");
    gives(&k, 0, "\x15|"); /* no text either */
    sends(&k, "|ID?|");
    says(&k, "\x81|x|maker,model,17|");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "b|");
    gives(&k, 1, "b|");
}

/* A line nobody asked for, or half of one: not before it is in step again. */
static void test_stray_line(void **state)
{
    static const char *const stray[] = {"what|", "wh", "\x80"};
    for (size_t i = 0; i < 3; i++) {
        static struct desk k;
        (void)state;
        begin(&k);
        says(&k, stray[i]);
        asks(&k, 1, "ALL? 1,(@2)|");
        sends(&k, "ID?|");
        says(&k, i == 0 ? "maker,model,17|" : "at|maker,model,17|");
        sends(&k, "ALL? 1,(@2)|");
    }
}

/* Silent: only off is still told, each time, and nobody's packet is kept for later. */
static void test_silence(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "OUT 1,(@2)|OUT? (@2)|");
    sends(&k, "ALL? 1,(@1)|");
    waits(&k, 500);
    sends(&k, "|ID?|");
    asks(&k, 2, "|OUT 0,(@3)|OUT? (@3)|");
    sends(&k, "|OUT 0,(@3)|");
    waits(&k, 500);
    gives_nothing(&k);
    sends(&k, "");
    asks(&k, 0, "OUT 1,(@1)|");
    waits(&k, 100);
    asks(&k, 2, "|OUT 0,(@3)|OUT? (@3)|");
    sends(&k, "||OUT 0,(@3)|");
    assert_true(wn_share_deadline(&k.share) == k.now_ns + 1900 * WN_NS_PER_MS);
    waits(&k, 1899);
    sends(&k, "");
    waits(&k, 1);
    sends(&k, "ID?|ID?|"); /* the off was told already */
    says(&k, "maker,model,17|");
    sends(&k, "");
    says(&k, "maker,model,17|");
    sends(&k, "|OUT 0,(@3)|OUT? (@3)|");
    says(&k, "0|");
    gives(&k, 2, "0|");
    assert_true(wn_share_is_idle(&k.share));
    assert_int_equal(k.share.dropped, 2);
}

/* It answers while it is left alone: four time-outs from there. */
static void test_rest_is_disturbed(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 1, "CURR?|");
    waits(&k, 500);
    sends(&k, "|ID?|");
    waits(&k, 500);
    waits(&k, 1500);
    says(&k, "maker,model,17|");
    assert_false(wn_share_ask(&k.share, k.asker[0], "CURR?", 5, k.now_ns));
    waits(&k, 1999);
    assert_false(wn_share_ask(&k.share, k.asker[0], "CURR?", 5, k.now_ns));
    waits(&k, 1);
    asks(&k, 0, "CURR?|");
    sends(&k, "|ID?|");
}

/* The port takes nothing: what was on its way is off again when it does. */
static void test_port_is_stuck(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 2, "|OUT 0,(@3)|OUT? (@3)|");
    waits(&k, 500);
    sends(&k, "||OUT 0,(@3)|ID?|");
}

/* One that has gone gets nothing, nor does the one that takes its number. */
static void test_gone(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "ALL? 1,(@1)|");
    asks(&k, 0, "OUT 1,(@1)|");
    wn_share_leave(&k.share, k.asker[0], k.now_ns);
    sends(&k, "|OUT 0,(@1)|OUT 0,(@1)|");
    k.asker[0] = wn_share_join(&k.share, 0);
    says(&k, "a|");
    gives_nothing(&k);
    sends(&k, "|OUT 0,(@1)|OUT 0,(@1)|");
    sends(&k, "");
    assert_true(wn_share_is_idle(&k.share));
}

static void test_all_off(void **state)
{
    static struct desk k;
    (void)state;
    begin(&k);
    for (int i = 0; i < 3; i++) {
        wn_share_leave(&k.share, k.asker[i], k.now_ns);
    }
    assert_false(wn_share_is_idle(&k.share));
    sends(&k, "|OUT 0,(@1)|OUT 0,(@1)||OUT 0,(@2)|OUT 0,(@2)||OUT 0,(@3)|OUT 0,(@3)|"
              "|OUT 0,(@2)|OUT 0,(@2)||OUT 0,(@3)|OUT 0,(@3)|"); /* and in their turn */
    wn_share_all_off(&k.share, k.now_ns);
    sends(&k, "|OUT 0,(@1)|OUT 0,(@1)||OUT 0,(@2)|OUT 0,(@2)||OUT 0,(@3)|OUT 0,(@3)|"
              "|OUT 0,(@3)|OUT 0,(@3)||OUT 0,(@2)|OUT 0,(@2)|"); /* the turns went on */
    assert_true(wn_share_is_idle(&k.share));
}

/* Echoes belong to the answer of nobody, prompts neither; the next is asked behind the last echo.
 */
static void test_echo_and_prompt(void **state)
{
    static struct desk k;
    (void)state;
    memset(&k, 0, sizeof k);
    for (int i = 0; i < 3; i++) {
        desk_dialect(&k.dialect[i], i + 1);
        k.dialect[i].echo = true;
        (void)snprintf(k.dialect[i].prompt, sizeof k.dialect[i].prompt, "> ");
    }
    sit_down(&k);
    asks(&k, 0, "MODE CHAR|CURR 4|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "|MODE CHAR|CURR 4|");
    says(&k, "> |MODE CHAR|> ");
    sends(&k, "");
    says(&k, "CURR 4|> ");
    sends(&k, "ID?|");
    says(&k, "ID?|maker,model,17|> ");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "ALL? 1,(@2)|b|> ");
    gives(&k, 1, "b|");
}

/* Characters with pauses between them; an off waits for the end of the line under way only. */
static void test_character_pauses(void **state)
{
    static struct desk k;
    size_t len = 0;
    (void)state;
    begin(&k);
    for (int i = 0; i < 3; i++) {
        k.dialect[i].character_delay_s = 0.01;
    }
    asks(&k, 0, "CURR 4|");
    for (int i = 0; i < 7; i++) {
        assert_int_equal(wn_share_output(&k.share, &len)[0], "CURR 4\n"[i]);
        assert_int_equal(len, 1);
        wn_share_wrote(&k.share, 1, k.now_ns);
        if (i == 1) {
            asks(&k, 1, "OUT 0,(@2)|");
        }
        (void)wn_share_output(&k.share, &len);
        assert_int_equal(len, 0);
        assert_true(wn_share_deadline(&k.share) == k.now_ns + 10 * WN_NS_PER_MS);
        waits(&k, 10);
    }
    assert_int_equal(wn_share_output(&k.share, &len)[1], 'O');
}

/* Two instruments on one bus, one of them dead: the other one is served. */
static void test_bus(void **state)
{
    static struct desk k;
    (void)state;
    memset(&k, 0, sizeof k);
    for (int i = 0; i < 3; i++) {
        desk_dialect(&k.dialect[i], i + 1);
        (void)snprintf(k.dialect[i].identity_query, WN_TEMPLATE_SIZE, "#%d ID?", i + 1);
        (void)snprintf(k.dialect[i].identity_prefix, sizeof k.dialect[i].identity_prefix, "at %d,",
                       i + 1);
    }
    sit_down(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    asks(&k, 1, "ALL? 1,(@2)|");
    sends(&k, "|#1 ID?|");
    waits(&k, 500);
    sends(&k, "|#2 ID?|");
    says(&k, "at 1,x|"); /* late */
    says(&k, "at 2,x|");
    sends(&k, "ALL? 1,(@2)|");
    says(&k, "b|");
    gives(&k, 1, "b|");
}

/* An identity with a checksum counts when it is right; answers go to the asker as they came. */
static void test_checksums(void **state)
{
    static struct desk k;
    char identity[100], wrong[100];
    size_t n = 0;
    (void)state;
    memset(&k, 0, sizeof k);
    for (int i = 0; i < 3; i++) {
        struct wn_reply_checksum *c = &k.dialect[i].checksum;
        desk_dialect(&k.dialect[i], i + 1);
        c->used = true;
        c->how = *wn_checksum_named("xor8");
        (void)snprintf(c->start, sizeof c->start, "$");
        (void)snprintf(c->separator, sizeof c->separator, "*");
    }
    assert_int_equal(
        wn_reply_wrap(&k.dialect[0], "maker,model,17", identity, sizeof identity - 1, &n, NULL),
        WN_OK);
    memcpy(identity + n, "|", 2);
    (void)snprintf(wrong, sizeof wrong, "%s", identity);
    wrong[n - 1] = wrong[n - 1] == '0' ? '1' : '0';
    sit_down(&k);
    asks(&k, 0, "ALL? 1,(@1)|");
    sends(&k, "|ID?|");
    says(&k, wrong);
    sends(&k, "");
    says(&k, identity);
    sends(&k, "ALL? 1,(@1)|");
    says(&k, "$any*00|");
    gives(&k, 0, "$any*00|");
}

static void test_too_much(void **state)
{
    static struct desk k;
    static char large[WN_SESSION_OUT_MAX + 1];
    (void)state;
    begin(&k);
    memset(large, 'x', sizeof large);
    assert_false(wn_share_ask(&k.share, k.asker[0], large, sizeof large, k.now_ns));
    asks(&k, 0, "CURR?|");
    for (int i = 0; i < WN_SHARE_QUEUE; i++) {
        assert_true(wn_share_ask(&k.share, k.asker[0], "VOLT?", 5, k.now_ns));
    }
    assert_false(wn_share_ask(&k.share, k.asker[0], "VOLT?", 5, k.now_ns));
    asks(&k, 0, "OUT 0,(@1)|");
    sends(&k, "CURR?||OUT 0,(@1)|");
    says(&k, "4|");
    sends(&k, "OUT 0,(@1)|");
    assert_true(wn_share_is_idle(&k.share));
    int n = 0;
    while (wn_share_join(&k.share, 1) >= 0) {
        n++;
    }
    assert_int_equal(n, WN_SHARE_ASKERS_MAX - 3);
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_one_at_a_time),
        cmocka_unit_test(test_how_many_replies),
        cmocka_unit_test(test_turns),
        cmocka_unit_test(test_off_first),
        cmocka_unit_test(test_off_of_the_guard),
        cmocka_unit_test(test_off_cancels),
        cmocka_unit_test(test_off_cancels_for_the_channel),
        cmocka_unit_test(test_what_is_no_off),
        cmocka_unit_test(test_late_reply),
        cmocka_unit_test(test_reply_at_the_deadline),
        cmocka_unit_test(test_late_identity),
        cmocka_unit_test(test_line_before_writing),
        cmocka_unit_test(test_garbage),
        cmocka_unit_test(test_stray_line),
        cmocka_unit_test(test_silence),
        cmocka_unit_test(test_rest_is_disturbed),
        cmocka_unit_test(test_port_is_stuck),
        cmocka_unit_test(test_gone),
        cmocka_unit_test(test_all_off),
        cmocka_unit_test(test_echo_and_prompt),
        cmocka_unit_test(test_character_pauses),
        cmocka_unit_test(test_bus),
        cmocka_unit_test(test_checksums),
        cmocka_unit_test(test_too_much),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

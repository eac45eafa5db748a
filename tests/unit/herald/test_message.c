/* What a hook is given: every field, in JSON and environment, also of hostile text.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <cmocka.h>
#include <jansson.h>
#include <unistd.h>

#include "herald/message.h"

static struct policy_message m;
static struct policy_campaign c;
static struct message out;

static void make(const char *digest)
{
    struct wn_error err = {0};
    assert_int_equal(message_make(&m, &c, digest, &out, &err), WN_OK);
}

static void set_up(void)
{
    memset(&m, 0, sizeof m);
    memset(&c, 0, sizeof c);
    m.fact = (struct policy_fact){.type = POLICY_HALT,
                                  .severity = WN_SEVERITY_ALARM,
                                  .simulated = true,
                                  .station = "A",
                                  .campaign = "short",
                                  .cell = "demo-18650",
                                  .target = "mail x",
                                  .created_utc = INT64_C(1767225600) * 1000000,
                                  .utc = INT64_C(1767225661) * 1000000,
                                  .number = 17,
                                  .cycle = 3,
                                  .kind = "over_temperature",
                                  .text = "halted: 71.2 degC"};
    m.repeat = 2;
    m.suppressed = 5;
    (void)snprintf(c.status, sizeof c.status, "halted");
    c.open_alarms = 1;
}

static const char *variable(const char *name)
{
    size_t n = strlen(name);
    for (int i = 0; out.environment[i] != NULL; i++) {
        if (strncmp(out.environment[i], name, n) == 0 && out.environment[i][n] == '=') {
            return out.environment[i] + n + 1;
        }
    }
    fail_msg("no variable %s", name);
    return NULL;
}

/* Version 1, field by field: what stands here is a promise to whoever wrote a hook. */
static void test_every_field(void **state)
{
    (void)state;
    static const struct {
        const char *name, *variable, *value;
        json_type type;
    } fields[] = {
        {"version", "WANE_VERSION", "1", JSON_INTEGER},
        {"id", "WANE_ID", "short/1767225600/17/r2", JSON_STRING},
        {"type", "WANE_TYPE", "halt", JSON_STRING},
        {"severity", "WANE_SEVERITY", "alarm", JSON_STRING},
        {"station", "WANE_STATION", "A", JSON_STRING},
        {"campaign", "WANE_CAMPAIGN", "short", JSON_STRING},
        {"cell", "WANE_CELL", "demo-18650", JSON_STRING},
        {"simulated", "WANE_SIMULATED", "1", JSON_TRUE},
        {"number", "WANE_NUMBER", "17", JSON_INTEGER},
        {"utc", "WANE_UTC", "2026-01-01T00:01:01Z", JSON_STRING},
        {"kind", "WANE_KIND", "over_temperature", JSON_STRING},
        {"cycle", "WANE_CYCLE", "3", JSON_INTEGER},
        {"text", "WANE_TEXT", "halted: 71.2 degC", JSON_STRING},
        {"repeat", "WANE_REPEAT", "2", JSON_INTEGER},
        {"suppressed", "WANE_SUPPRESSED", "5", JSON_INTEGER},
        {"status", "WANE_STATUS", "halted", JSON_STRING},
        {"open_alarms", "WANE_OPEN_ALARMS", "1", JSON_INTEGER},
        {"target", "WANE_TARGET", "mail x", JSON_STRING},
        {"host", "WANE_HOST", NULL, JSON_STRING},
        {"subject", "WANE_SUBJECT", NULL, JSON_STRING},
    };
    set_up();
    make("");
    json_t *o = json_loads(out.json, 0, NULL);
    assert_non_null(o);
    assert_int_equal(json_object_size(o), sizeof fields / sizeof fields[0]);
    for (size_t i = 0; i < sizeof fields / sizeof fields[0]; i++) {
        const json_t *v = json_object_get(o, fields[i].name);
        char number[32] = "";
        assert_non_null(v);
        assert_int_equal(json_typeof(v), fields[i].type);
        (void)snprintf(number, sizeof number, "%lld", (long long)json_integer_value(v));
        if (fields[i].value != NULL) {
            assert_string_equal(variable(fields[i].variable), fields[i].value);
            assert_string_equal(json_is_string(v)    ? json_string_value(v)
                                : json_is_integer(v) ? number
                                                     : "1",
                                fields[i].value);
        } else {
            assert_string_equal(variable(fields[i].variable), json_string_value(v));
        }
    }
    json_decref(o);
    char host[64] = "";
    assert_int_equal(gethostname(host, sizeof host - 1), 0);
    assert_string_equal(variable("WANE_HOST"), host);
}

static void test_the_id_tells_messages_apart(void **state)
{
    (void)state;
    set_up();
    m.repeat = 0;
    make("");
    assert_string_equal(variable("WANE_ID"), "short/1767225600/17");
    m.fact.campaign[0] = '\0'; /* the herald's own */
    make("");
    assert_string_equal(variable("WANE_ID"), "herald/1767225661/17");
}

static void test_the_subject_tells_what_is_simulated(void **state)
{
    (void)state;
    set_up();
    make("");
    assert_non_null(strstr(variable("WANE_SUBJECT"),
                           ": SIMULATED ALARM station A: over_temperature (not acknowledged yet)"));
    m.fact.simulated = false;
    m.repeat = 0;
    make("");
    assert_null(strstr(variable("WANE_SUBJECT"), "SIMULATED"));
    assert_non_null(strstr(variable("WANE_SUBJECT"), ": ALARM station A: over_temperature"));
}

static void test_hostile_text(void **state)
{
    (void)state;
    static const char hostile[] = "a\nBcc: x@y\r\n.\r\n~!id `id` $(id) \"q\" 'q' \\ \x1b[2J\x7f"
                                  "\xc2\x9b" /* CSI as one character */
                                  "\xff\xc0\xaf\xed\xa0\x80\xe2\x82\xac\xf4\x90\x80\x80 end";
    set_up();
    (void)snprintf(m.fact.text, sizeof m.fact.text, "%s", hostile);
    make("");
    const char *text = variable("WANE_TEXT");
    for (const char *s = text; *s != '\0'; s++) {
        assert_true((unsigned char)*s >= 0x20 && *s != 0x7f);
    }
    assert_string_equal(text, "a Bcc: x@y  .  ~!id `id` $(id) \"q\" 'q' \\  [2J  "
                              "??????\xe2\x82\xac???? end");
    json_t *o = json_loads(out.json, 0, NULL); /* refuses broken UTF-8 */
    assert_non_null(o);
    assert_string_equal(json_string_value(json_object_get(o, "text")), text);
    json_decref(o);
    assert_ptr_equal(strchr(out.json, '\n'), out.json + strlen(out.json) - 1);
}

static void test_a_text_is_cut_between_characters(void **state)
{
    (void)state;
    char small[8];
    message_clean("\xe2\x82\xac\xe2\x82\xac\xe2\x82\xac", false, small, sizeof small);
    assert_string_equal(small, "\xe2\x82\xac\xe2\x82\xac");
    message_clean("a\nb", true, small, sizeof small);
    assert_string_equal(small, "a\nb");
    message_clean("", false, small, 1);
    assert_string_equal(small, "");
}

/* The longest there can be must fit: a message that cannot be made would never be told. */
static void test_the_longest_message_fits(void **state)
{
    (void)state;
    static char digest[POLICY_DIGEST_SIZE];
    set_up();
    memset(m.fact.text, '"', sizeof m.fact.text - 1); /* two bytes each in JSON */
    memset(m.fact.station, 'S', sizeof m.fact.station - 1);
    memset(m.fact.campaign, 'C', sizeof m.fact.campaign - 1);
    memset(m.fact.cell, '\\', sizeof m.fact.cell - 1);
    memset(m.fact.target, '"', sizeof m.fact.target - 1);
    memset(m.fact.kind, 'k', sizeof m.fact.kind - 1);
    make("");
    m.fact.type = POLICY_DIGEST;
    memset(digest, 'd', sizeof digest - 1);
    for (size_t i = 100; i < sizeof digest; i += 100) {
        digest[i] = '\n';
    }
    make(digest);
    assert_string_equal(variable("WANE_TEXT"), digest);
}

static void test_a_test_says_so(void **state)
{
    (void)state;
    struct wn_error err = {0};
    message_test(&m, INT64_C(1767225661) * 1000000);
    assert_int_equal(message_make(&m, NULL, "", &out, &err), WN_OK);
    assert_string_equal(variable("WANE_TYPE"), "test");
    assert_string_equal(variable("WANE_STATUS"), "");
    assert_non_null(strstr(variable("WANE_SUBJECT"), "test"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_every_field),
        cmocka_unit_test(test_the_id_tells_messages_apart),
        cmocka_unit_test(test_the_subject_tells_what_is_simulated),
        cmocka_unit_test(test_hostile_text),
        cmocka_unit_test(test_a_text_is_cut_between_characters),
        cmocka_unit_test(test_the_longest_message_fits),
        cmocka_unit_test(test_a_test_says_so),
    };
    return cmocka_run_group_tests(tests, NULL, NULL);
}

/* Quantities: every unit, every wrong dimension, and the message for each mistake.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include <inttypes.h>
#include <locale.h>
#include <stdio.h>
#include <string.h>

#include "support/near.h"
#include "base/prng.h"
#include "base/qty.h"

static const struct {
    enum wn_dim dim;
    const char *unit;
    double factor; /* base units in one of these; It apart */
} all_units[] = {
    {WN_DIM_VOLTAGE, "uV", 1e-6},
    {WN_DIM_VOLTAGE, "mV", 1e-3},
    {WN_DIM_VOLTAGE, "V", 1.0},
    {WN_DIM_CURRENT, "uA", 1e-6},
    {WN_DIM_CURRENT, "mA", 1e-3},
    {WN_DIM_CURRENT, "A", 1.0},
    {WN_DIM_CURRENT, "It", 1.0},
    {WN_DIM_POWER, "mW", 1e-3},
    {WN_DIM_POWER, "W", 1.0},
    {WN_DIM_RESISTANCE, "mohm", 1e-3},
    {WN_DIM_RESISTANCE, "ohm", 1.0},
    {WN_DIM_CAPACITY, "mAh", 1e-3},
    {WN_DIM_CAPACITY, "Ah", 1.0},
    {WN_DIM_ENERGY, "mWh", 1e-3},
    {WN_DIM_ENERGY, "Wh", 1.0},
    {WN_DIM_TIME, "ms", 1e-3},
    {WN_DIM_TIME, "s", 1.0},
    {WN_DIM_TIME, "min", 60.0},
    {WN_DIM_TIME, "h", 3600.0},
    {WN_DIM_TIME, "d", 86400.0},
    {WN_DIM_TEMPERATURE, "degC", 1.0},
    {WN_DIM_TEMPERATURE_DIFF, "K", 1.0},
    {WN_DIM_TEMPERATURE_RATE, "K/min", 1.0},
    {WN_DIM_MASS, "g", 1.0},
    {WN_DIM_LENGTH, "mm", 1.0},
    {WN_DIM_FREQUENCY, "Hz", 1.0},
    {WN_DIM_FREQUENCY, "kHz", 1000.0},
    {WN_DIM_RATIO, "%", 0.01},
    {WN_DIM_RATIO, "ppm", 1e-6},
    {WN_DIM_RATIO, "1", 1.0},
};
#define UNIT_COUNT (sizeof all_units / sizeof all_units[0])

static enum wn_dim dim_at(int i)
{
    return (enum wn_dim)i;
}

static void accepts(const char *text, enum wn_dim dim, double want, int is_it)
{
    struct wn_qty q = {-77.25, 9};
    struct wn_error e = {0};
    if (wn_qty_parse(text, dim, &q, &e) != WN_OK) {
        fail_msg("\"%s\" was refused: %s", text, e.text);
    }
    assert_string_equal(e.text, "");
    assert_near(q.value, want, 4e-16 * fabs(want));
    assert_int_equal(q.is_it, is_it);
}

static void refuses(const char *text, enum wn_dim dim, int code, const char *message)
{
    struct wn_qty q = {-77.25, 9};
    struct wn_error e = {0};
    int rc = wn_qty_parse(text, dim, &q, &e);
    if (rc != code || e.code != code) {
        fail_msg("\"%s\" as %s: got %d (%s), want %d", text, wn_dim_name(dim), rc, e.text, code);
    }
    if (message != NULL) {
        assert_string_equal(e.text, message);
    }
    assert_true(strlen(e.text) > 0);
    assert_near(q.value, -77.25, 0.0);
    assert_int_equal(q.is_it, 9);
    assert_int_equal(wn_qty_parse(text, dim, &q, NULL), code);
}

static void test_each_unit(void **state)
{
    (void)state;
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        static const char *const forms[] = {"2.5 %s",  "2.5%s",    "  2.5\t %s ",
                                            "+2.5 %s", "25e-1 %s", "-2.5 %s"};
        for (size_t k = 0; k < sizeof forms / sizeof forms[0]; k++) {
            char text[40];
            double want = (k == 5 ? -2.5 : 2.5) * all_units[i].factor;
            const char *place = strstr(forms[k], "%s");
            if (strcmp(all_units[i].unit, "1") == 0 && place[-1] != ' ') {
                continue; /* "2.51" is a number */
            }
            (void)snprintf(text, sizeof text, "%.*s%s%s", (int)(place - forms[k]), forms[k],
                           all_units[i].unit, place + 2);
            accepts(text, all_units[i].dim, want, strcmp(all_units[i].unit, "It") == 0);
        }
    }
}

/* No unit is read as another dimension, whatever stands in the table above. */
static void test_each_wrong_dimension(void **state)
{
    (void)state;
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        for (int d = 0; d < WN_DIM_COUNT_; d++) {
            char text[40];
            (void)snprintf(text, sizeof text, "2.5 %s", all_units[i].unit);
            if (dim_at(d) != all_units[i].dim) {
                refuses(text, dim_at(d), WN_EUNIT, NULL);
            }
        }
    }
}

/* 100 mA is the double nearest to 0.1, so that it compares equal to what somebody else computed
 * from "0.1 A". */
static void test_small_units_are_rounded_once(void **state)
{
    struct wn_qty a;
    struct wn_qty b;

    (void)state;
    for (int i = 1; i <= 2000; i++) {
        char text[40];
        (void)snprintf(text, sizeof text, "%d mA", i);
        assert_int_equal(wn_qty_parse(text, WN_DIM_CURRENT, &a, NULL), WN_OK);
        (void)snprintf(text, sizeof text, "%d.%03d A", i / 1000, i % 1000);
        assert_int_equal(wn_qty_parse(text, WN_DIM_CURRENT, &b, NULL), WN_OK);
        assert_near(a.value, b.value, 0.0);
    }
    assert_int_equal(wn_qty_parse("70 %", WN_DIM_RATIO, &a, NULL), WN_OK);
    assert_near(a.value, 0.7, 0.0);
}

static void test_missing_unit(void **state)
{
    static const struct {
        enum wn_dim dim;
        const char *message;
    } table[] = {
        {WN_DIM_VOLTAGE, "\"4\" has no unit: write \"4 V\" or \"4000 mV\""},
        {WN_DIM_CURRENT, "\"4\" has no unit: write \"4 A\", \"4000 mA\" or \"0.5 It\""},
        {WN_DIM_POWER, "\"4\" has no unit: write \"4 W\" or \"4000 mW\""},
        {WN_DIM_RESISTANCE, "\"4\" has no unit: write \"4 ohm\" or \"4000 mohm\""},
        {WN_DIM_CAPACITY, "\"4\" has no unit: write \"4 Ah\" or \"4000 mAh\""},
        {WN_DIM_ENERGY, "\"4\" has no unit: write \"4 Wh\" or \"4000 mWh\""},
        {WN_DIM_TIME, "\"4\" has no unit: write \"4 s\", \"4 min\" or \"4 h\""},
        {WN_DIM_TEMPERATURE, "\"4\" has no unit: write \"4 degC\""},
        {WN_DIM_TEMPERATURE_DIFF, "\"4\" has no unit: write \"4 K\""},
        {WN_DIM_TEMPERATURE_RATE, "\"4\" has no unit: write \"4 K/min\""},
        {WN_DIM_MASS, "\"4\" has no unit: write \"4 g\""},
        {WN_DIM_LENGTH, "\"4\" has no unit: write \"4 mm\""},
        {WN_DIM_FREQUENCY, "\"4\" has no unit: write \"4 Hz\""},
        {WN_DIM_RATIO, "\"4\" has no unit: write \"4 1\" or \"400 %\""},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        refuses("4", table[i].dim, WN_EUNIT, table[i].message);
        refuses("  4 ", table[i].dim, WN_EUNIT, table[i].message);
    }
    assert_int_equal(sizeof table / sizeof table[0], WN_DIM_COUNT_);
    refuses("0.05", WN_DIM_CURRENT, WN_EUNIT,
            "\"0.05\" has no unit: write \"0.05 A\", \"50 mA\" or \"0.5 It\"");
}

/* What a message tells to write must itself be accepted. */
static void test_advice_can_be_followed(void **state)
{
    (void)state;
    for (int d = 0; d < WN_DIM_COUNT_; d++) {
        struct wn_error e = {0};
        struct wn_qty q;
        int count = 0;
        assert_int_equal(wn_qty_parse("0.25", dim_at(d), &q, &e), WN_EUNIT);
        for (char *at = strstr(e.text, "write "); (at = strchr(at, '"')) != NULL; count++) {
            char *end = strchr(++at, '"');
            assert_non_null(end);
            *end = '\0';
            assert_int_equal(wn_qty_parse(at, dim_at(d), &q, NULL), WN_OK);
            if (!q.is_it && dim_at(d) != WN_DIM_TIME) {
                assert_near(q.value, 0.25, 1e-15); /* the same value, said properly */
            }
            at = end + 1;
        }
        assert_true(count >= 1);
    }
}

static void test_wrong_dimension_messages(void **state)
{
    (void)state;
    refuses("4 Ah", WN_DIM_CURRENT, WN_EUNIT,
            "\"4 Ah\" is a capacity where a current is wanted: write it in uA, mA, A or It");
    refuses("4 A", WN_DIM_CAPACITY, WN_EUNIT,
            "\"4 A\" is a current where a capacity is wanted: write it in mAh or Ah");
    refuses("0.5 It", WN_DIM_CAPACITY, WN_EUNIT,
            "\"0.5 It\" is a current where a capacity is wanted: write it in mAh or Ah");
    refuses("4 Wh", WN_DIM_TIME, WN_EUNIT,
            "\"4 Wh\" is an energy where a time is wanted: write it in ms, s, min, h or d");
    refuses("40 K", WN_DIM_TEMPERATURE, WN_EUNIT,
            "\"40 K\" is a temperature difference where a temperature is wanted: write it in degC");
    refuses("4 1", WN_DIM_CURRENT, WN_EUNIT,
            "\"4 1\" is a ratio where a current is wanted: write it in uA, mA, A or It");
    refuses("4 V", WN_DIM_ENERGY, WN_EUNIT,
            "\"4 V\" is a voltage where an energy is wanted: write it in mWh or Wh");
    refuses("4 foo", WN_DIM_MASS, WN_EUNIT,
            "\"4 foo\" has the unknown unit \"foo\": a mass is written in g");
    refuses("4 kg", WN_DIM_MASS, WN_EUNIT,
            "\"4 kg\" has the unknown unit \"kg\": a mass is written in g");
    refuses("4 A h", WN_DIM_CAPACITY, WN_EUNIT,
            "\"4 A h\" has the unknown unit \"A h\": a capacity is written in mAh or Ah");
    refuses("0x10 A", WN_DIM_CURRENT, WN_EUNIT,
            "\"0x10 A\" has the unknown unit \"x10 A\": a current is written in uA, mA, A or It");
    refuses("140 F", WN_DIM_TEMPERATURE, WN_EUNIT,
            "\"140 F\" has the unknown unit \"F\": a temperature is written in degC");
}

static void test_habits(void **state)
{
    static const struct {
        enum wn_dim dim;
        const char *number;
        const char *unit;
        const char *meant;
    } table[] = {
        /* only the case is wrong */
        {WN_DIM_CAPACITY, "2500", "mah", "mAh"},
        {WN_DIM_CAPACITY, "2500", "MAH", "mAh"},
        {WN_DIM_CURRENT, "4", "a", "A"},
        {WN_DIM_CURRENT, "4", "MA", "mA"},
        {WN_DIM_CURRENT, "0.5", "IT", "It"},
        {WN_DIM_CURRENT, "0.5", "it", "It"},
        {WN_DIM_VOLTAGE, "4.2", "v", "V"},
        {WN_DIM_RESISTANCE, "20", "mOhm", "mohm"},
        {WN_DIM_RESISTANCE, "2", "Ohm", "ohm"},
        {WN_DIM_TEMPERATURE, "60", "DegC", "degC"},
        {WN_DIM_TEMPERATURE, "60", "degc", "degC"},
        {WN_DIM_TIME, "1", "H", "h"},
        {WN_DIM_TIME, "1", "Min", "min"},
        {WN_DIM_TEMPERATURE_DIFF, "5", "k", "K"},
        {WN_DIM_ENERGY, "9", "wh", "Wh"},
        {WN_DIM_RATIO, "5", "PPM", "ppm"},
        /* other words for it */
        {WN_DIM_TEMPERATURE, "60", "C", "degC"},
        {WN_DIM_TEMPERATURE, "60", "c", "degC"},
        {WN_DIM_TEMPERATURE, "60", "\302\260C", "degC"},
        {WN_DIM_TEMPERATURE, "60", "\342\204\203", "degC"},
        {WN_DIM_TEMPERATURE_DIFF, "5", "degC", "K"},
        {WN_DIM_TEMPERATURE_DIFF, "5", "C", "K"},
        {WN_DIM_TEMPERATURE_RATE, "3", "degC/min", "K/min"},
        {WN_DIM_CURRENT, "0.5", "C", "It"},
        {WN_DIM_CURRENT, "5", "\302\265A", "uA"},
        {WN_DIM_CURRENT, "5", "\316\274A", "uA"},
        {WN_DIM_VOLTAGE, "5", "\302\265V", "uV"},
        {WN_DIM_RESISTANCE, "2", "\316\251", "ohm"},
        {WN_DIM_RESISTANCE, "2", "m\342\204\246", "mohm"},
        {WN_DIM_TIME, "5", "m", "min"},
        {WN_DIM_TIME, "5", "sec", "s"},
        {WN_DIM_TIME, "5", "hours", "h"},
        {WN_DIM_TIME, "5", "days", "d"},
        {WN_DIM_RATIO, "70", "percent", "%"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char text[40];
        char want[160];
        struct wn_qty q;
        (void)snprintf(text, sizeof text, "%s %s", table[i].number, table[i].unit);
        (void)snprintf(want, sizeof want,
                       "\"%s\": the unit is written \"%s\", not \"%s\": write \"%s %s\"", text,
                       table[i].meant, table[i].unit, table[i].number, table[i].meant);
        refuses(text, table[i].dim, WN_EUNIT, want);
        (void)snprintf(text, sizeof text, "%s %s", table[i].number, table[i].meant);
        assert_int_equal(wn_qty_parse(text, table[i].dim, &q, NULL), WN_OK);
    }
}

static void test_no_number(void **state)
{
    static const char *const texts[] = {"A",     "four A", "-A",     ".A",    "--4 A", "+-4 A",
                                        "nan A", "inf A",  "-inf A", "(4) A", "\n4 A", "=4 A"};

    (void)state;
    for (size_t i = 0; i < sizeof texts / sizeof texts[0]; i++) {
        refuses(texts[i], WN_DIM_CURRENT, WN_ESYNTAX, NULL);
    }
    refuses("", WN_DIM_TIME, WN_ESYNTAX,
            "empty where a time is wanted: write for example \"1 s\", \"1 min\" or \"1 h\"");
    refuses(" \t ", WN_DIM_ENERGY, WN_ESYNTAX,
            "empty where an energy is wanted: write for example \"1 Wh\" or \"1000 mWh\"");
    refuses("four A", WN_DIM_CURRENT, WN_ESYNTAX,
            "\"four A\" does not begin with a number: a current is written for example as \"1 "
            "A\", \"1000 mA\" or \"0.5 It\"");
}

static void test_more_than_one_number(void **state)
{
    static const char blanks[] = "write one number and one unit, without blanks inside the number";
    static const char comma[] = "the decimal mark is a point, and thousands are not separated";
    static const struct {
        const char *text;
        const char *advice;
    } table[] = {
        {"4,2 V", comma},    {"1,000 V", comma}, {"4 ,2 V", comma}, {"4 200 V", blanks},
        {"4.2.1 V", blanks}, {"4 .2 V", blanks}, {"4-5 V", blanks}, {"4 - 5 V", blanks},
        {"3 +1 V", blanks},  {"4 000", blanks},  {"1 1 V", blanks},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char want[200];
        if (table[i].advice != NULL) {
            (void)snprintf(want, sizeof want, "\"%s\" cannot be read as one number: %s",
                           table[i].text, table[i].advice);
            refuses(table[i].text, WN_DIM_VOLTAGE, WN_ESYNTAX, want);
        }
    }
}

static void test_too_large(void **state)
{
    static const char long_number[] =
        "1000000000000000000000000000000000000000000000000000000000000000 V";

    (void)state;
    refuses("1e309 V", WN_DIM_VOLTAGE, WN_ERANGE,
            "\"1e309 V\" is too large a number: write a smaller one");
    refuses("1e308 d", WN_DIM_TIME, WN_ERANGE, "\"1e308 d\" is too large: write a smaller value");
    refuses(long_number, WN_DIM_VOLTAGE, WN_ESYNTAX,
            "\"100000000000000000000000000000000000000000000000...\" has too many digits: "
            "write at most 63 characters");
    accepts("1e308 V", WN_DIM_VOLTAGE, 1e308, 0);
    accepts("1e-400 V", WN_DIM_VOLTAGE, 0.0, 0);
}

/* A foreign text must not spoil a log or a terminal, nor end in half a character. */
static void test_quoted_text_is_tame(void **state)
{
    struct wn_error e = {0};
    struct wn_qty q;
    char text[200] = "4 ";

    (void)state;
    assert_int_equal(wn_qty_parse("4 \033[2Jx\ny\177", WN_DIM_VOLTAGE, &q, &e), WN_EUNIT);
    assert_string_equal(
        e.text,
        "\"4 ?[2Jx?y?\" has the unknown unit \"?[2Jx?y?\": a voltage is written in uV, mV or V");
    for (int i = 0; i < 60; i++) {
        memcpy(&text[2 + 3 * i], "\342\204\246", 4);
    }
    assert_int_equal(wn_qty_parse(text, WN_DIM_VOLTAGE, &q, &e), WN_EUNIT);
    assert_non_null(strstr(e.text, "\"4 \342\204\246"));
    assert_non_null(strstr(e.text, "\342\204\246...\" has the unknown unit \"\342\204\246"));
    assert_non_null(strstr(e.text, "\342\204\246...\": a voltage"));
}

static void test_success_leaves_error_alone(void **state)
{
    struct wn_error e = {0};
    struct wn_qty q;

    (void)state;
    (void)wn_error_set(&e, WN_EIO, "earlier");
    assert_int_equal(wn_qty_parse("4 V", WN_DIM_VOLTAGE, &q, &e), WN_OK);
    assert_int_equal(e.code, WN_EIO);
    assert_string_equal(e.text, "earlier");
}

static void test_names(void **state)
{
    (void)state;
    assert_string_equal(wn_dim_name(WN_DIM_VOLTAGE), "voltage");
    assert_string_equal(wn_dim_name(WN_DIM_ENERGY), "energy");
    assert_string_equal(wn_dim_name(WN_DIM_TEMPERATURE_RATE), "temperature rate");
    for (int i = 0; i < WN_DIM_COUNT_; i++) {
        for (int k = 0; k < i; k++) {
            assert_string_not_equal(wn_dim_name(dim_at(i)), wn_dim_name(dim_at(k)));
        }
    }
}

static void test_written(void **state)
{
    static const struct {
        double value;
        enum wn_dim dim;
        const char *want;
    } table[] = {
        {0.1, WN_DIM_CURRENT, "100 mA"},
        {-0.1, WN_DIM_CURRENT, "-100 mA"},
        {4.0, WN_DIM_CURRENT, "4 A"},
        {0.0, WN_DIM_CURRENT, "0 A"},
        {2.5e-5, WN_DIM_CURRENT, "25 uA"},
        {2.5e-9, WN_DIM_CURRENT, "0.0025 uA"},
        {0.9999999, WN_DIM_CURRENT, "1 A"},
        {0.999999, WN_DIM_CURRENT, "999.999 mA"},
        {4.2, WN_DIM_VOLTAGE, "4.2 V"},
        {3.6123456, WN_DIM_VOLTAGE, "3.61235 V"},
        {1500.0, WN_DIM_POWER, "1500 W"},
        {0.0213, WN_DIM_RESISTANCE, "21.3 mohm"},
        {2.5, WN_DIM_CAPACITY, "2.5 Ah"},
        {0.5, WN_DIM_CAPACITY, "500 mAh"},
        {9.36, WN_DIM_ENERGY, "9.36 Wh"},
        {0.25, WN_DIM_TIME, "250 ms"},
        {1.0, WN_DIM_TIME, "1 s"},
        {90.0, WN_DIM_TIME, "1.5 min"},
        {3600.0, WN_DIM_TIME, "1 h"},
        {5400.0, WN_DIM_TIME, "1.5 h"},
        {4000.0, WN_DIM_TIME, "4000 s"},
        {86400.0, WN_DIM_TIME, "1 d"},
        {129600.0, WN_DIM_TIME, "1.5 d"},
        {1e6, WN_DIM_TIME, "1000000 s"},
        {61.5, WN_DIM_TIME, "61.5 s"},
        {0.0, WN_DIM_TIME, "0 s"},
        {-3600.0, WN_DIM_TIME, "-1 h"},
        {25.0, WN_DIM_TEMPERATURE, "25 degC"},
        {-5.5, WN_DIM_TEMPERATURE, "-5.5 degC"},
        {0.0, WN_DIM_TEMPERATURE, "0 degC"},
        {5.0, WN_DIM_TEMPERATURE_DIFF, "5 K"},
        {2.0, WN_DIM_TEMPERATURE_RATE, "2 K/min"},
        {47.2, WN_DIM_MASS, "47.2 g"},
        {1000, WN_DIM_FREQUENCY, "1 kHz"},
        {50, WN_DIM_FREQUENCY, "50 Hz"},
        {65.0, WN_DIM_LENGTH, "65 mm"},
        {0.7, WN_DIM_RATIO, "70 %"},
        {1.0, WN_DIM_RATIO, "100 %"},
        {0.001, WN_DIM_RATIO, "0.1 %"},
        {0.0005, WN_DIM_RATIO, "500 ppm"},
        {0.0, WN_DIM_RATIO, "0 %"},
        {-0.02, WN_DIM_RATIO, "-2 %"},
        {NAN, WN_DIM_CURRENT, "nan A"},
        {INFINITY, WN_DIM_VOLTAGE, "inf V"},
        {-INFINITY, WN_DIM_TEMPERATURE_RATE, "-inf K/min"},
        {-1.23456789e300, WN_DIM_TEMPERATURE_RATE, "-1.23457e+300 K/min"},
        {-999999999999.0, WN_DIM_TEMPERATURE_RATE, "-999999999999 K/min"},
    };
    (void)state;
    for (size_t i = 0; i < sizeof table / sizeof table[0]; i++) {
        char buf[WN_QTY_SIZE];
        assert_string_equal(wn_qty_format(table[i].value, table[i].dim, buf, sizeof buf),
                            table[i].want);
    }
}

static void check_written_reads_back(uint64_t seed)
{
    struct wn_prng r;

    wn_prng_init(&r, seed);
    for (int i = 0; i < 30000; i++) {
        enum wn_dim dim = dim_at((int)wn_prng_below(&r, WN_DIM_COUNT_));
        double value = wn_prng_normal(&r) * pow(10.0, 12.0 * wn_prng_uniform(&r) - 6.0);
        char buf[WN_QTY_SIZE];
        struct wn_qty q;
        (void)wn_qty_format(value, dim, buf, sizeof buf);
        assert_int_equal(wn_qty_parse(buf, dim, &q, NULL), WN_OK);
        assert_near(q.value, value, 5.001e-6 * fabs(value)); /* six digits */
    }
}

static void test_written_reads_back(void **state)
{
    const uint64_t seed = 21;

    (void)state;
    print_message("SEED=%" PRIu64 "\n", seed);
    check_written_reads_back(seed);
}

static void test_decimal_comma_locale(void **state)
{
    const uint64_t seed = 22;

    (void)state;
    if (setlocale(LC_ALL, "de_DE.UTF-8") == NULL || strcmp(localeconv()->decimal_point, ",") != 0) {
        print_message(
            "no locale de_DE.UTF-8 on this system (nor localedef with its sources): skipped\n");
        skip();
    }
    print_message("SEED=%" PRIu64 "\n", seed);
    check_written_reads_back(seed);
    accepts("4.2 V", WN_DIM_VOLTAGE, 4.2, 0);
    refuses("4,2 V", WN_DIM_VOLTAGE, WN_ESYNTAX, NULL);
    refuses("0.5", WN_DIM_CURRENT, WN_EUNIT,
            "\"0.5\" has no unit: write \"0.5 A\", \"500 mA\" or \"0.5 It\"");
    assert_non_null(setlocale(LC_ALL, "C"));
}

int main(void)
{
    const struct CMUnitTest tests[] = {
        cmocka_unit_test(test_each_unit),
        cmocka_unit_test(test_each_wrong_dimension),
        cmocka_unit_test(test_small_units_are_rounded_once),
        cmocka_unit_test(test_missing_unit),
        cmocka_unit_test(test_advice_can_be_followed),
        cmocka_unit_test(test_wrong_dimension_messages),
        cmocka_unit_test(test_habits),
        cmocka_unit_test(test_no_number),
        cmocka_unit_test(test_more_than_one_number),
        cmocka_unit_test(test_too_large),
        cmocka_unit_test(test_quoted_text_is_tame),
        cmocka_unit_test(test_success_leaves_error_alone),
        cmocka_unit_test(test_names),
        cmocka_unit_test(test_written),
        cmocka_unit_test(test_written_reads_back),
        cmocka_unit_test(test_decimal_comma_locale),
    };
    return cmocka_run_group_tests(tests, NULL, NULL) != 0;
}

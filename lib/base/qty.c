/* Quantities: reading and writing numbers with units.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/qty.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

/* One way to write a dimension. Two factors instead of one, because 100 / 1000.0 is the double
 * nearest to 0.1 and 100 * 0.001 need not be. */
struct unit {
    enum wn_dim dim;
    const char *name;
    double multiply;
    double divide;
    int example; /* number shown to somebody who forgot the unit: 0 none, else its order */
};

/* Per dimension from small to large; the order in which messages name them. */
static const struct unit units[] = {
    {WN_DIM_VOLTAGE, "uV", 1, 1e6, 0},
    {WN_DIM_VOLTAGE, "mV", 1, 1e3, 2},
    {WN_DIM_VOLTAGE, "V", 1, 1, 1},
    {WN_DIM_CURRENT, "uA", 1, 1e6, 0},
    {WN_DIM_CURRENT, "mA", 1, 1e3, 2},
    {WN_DIM_CURRENT, "A", 1, 1, 1},
    {WN_DIM_POWER, "mW", 1, 1e3, 2},
    {WN_DIM_POWER, "W", 1, 1, 1},
    {WN_DIM_RESISTANCE, "mohm", 1, 1e3, 2},
    {WN_DIM_RESISTANCE, "ohm", 1, 1, 1},
    {WN_DIM_CAPACITY, "mAh", 1, 1e3, 2},
    {WN_DIM_CAPACITY, "Ah", 1, 1, 1},
    {WN_DIM_ENERGY, "mWh", 1, 1e3, 2},
    {WN_DIM_ENERGY, "Wh", 1, 1, 1},
    {WN_DIM_TIME, "ms", 1, 1e3, 0},
    {WN_DIM_TIME, "s", 1, 1, 1},
    {WN_DIM_TIME, "min", 60, 1, 2},
    {WN_DIM_TIME, "h", 3600, 1, 3},
    {WN_DIM_TIME, "d", 86400, 1, 0},
    {WN_DIM_TEMPERATURE, "degC", 1, 1, 1},
    {WN_DIM_TEMPERATURE_DIFF, "K", 1, 1, 1},
    {WN_DIM_TEMPERATURE_RATE, "K/min", 1, 1, 1},
    {WN_DIM_MASS, "g", 1, 1, 1},
    {WN_DIM_LENGTH, "mm", 1, 1, 1},
    {WN_DIM_FREQUENCY, "Hz", 1, 1, 1},
    {WN_DIM_FREQUENCY, "kHz", 1e3, 1, 0},
    {WN_DIM_RATIO, "ppm", 1, 1e6, 0},
    {WN_DIM_RATIO, "%", 1, 1e2, 2},
    {WN_DIM_RATIO, "1", 1, 1, 1},
};
#define UNIT_COUNT (sizeof units / sizeof units[0])

/* With the article for messages. */
static const char *const dim_names[] = {
    [WN_DIM_VOLTAGE] = "a voltage",
    [WN_DIM_CURRENT] = "a current",
    [WN_DIM_POWER] = "a power",
    [WN_DIM_RESISTANCE] = "a resistance",
    [WN_DIM_CAPACITY] = "a capacity",
    [WN_DIM_ENERGY] = "an energy",
    [WN_DIM_TIME] = "a time",
    [WN_DIM_TEMPERATURE] = "a temperature",
    [WN_DIM_TEMPERATURE_DIFF] = "a temperature difference",
    [WN_DIM_TEMPERATURE_RATE] = "a temperature rate",
    [WN_DIM_MASS] = "a mass",
    [WN_DIM_LENGTH] = "a length",
    [WN_DIM_FREQUENCY] = "a frequency",
    [WN_DIM_RATIO] = "a ratio",
};
_Static_assert(sizeof dim_names / sizeof dim_names[0] == WN_DIM_COUNT_, "one name per dimension");

/* The unit of IEC 61434; it has no size of its own, so it is not a row of the table. */
static const char it_name[] = "It";

/* What people write out of habit, and what is meant. Compared without regard to case. */
static const struct {
    enum wn_dim dim;
    const char *habit;
    const char *write;
} habits[] = {
    {WN_DIM_CURRENT, "C", "It"},
    {WN_DIM_CURRENT, "\302\265A", "uA"}, /* micro sign */
    {WN_DIM_CURRENT, "\316\274A", "uA"}, /* Greek mu */
    {WN_DIM_CURRENT, "amp", "A"},
    {WN_DIM_CURRENT, "amps", "A"},
    {WN_DIM_VOLTAGE, "\302\265V", "uV"},
    {WN_DIM_VOLTAGE, "\316\274V", "uV"},
    {WN_DIM_VOLTAGE, "volt", "V"},
    {WN_DIM_VOLTAGE, "volts", "V"},
    {WN_DIM_POWER, "watt", "W"},
    {WN_DIM_POWER, "watts", "W"},
    {WN_DIM_RESISTANCE, "\342\204\246", "ohm"}, /* ohm sign */
    {WN_DIM_RESISTANCE, "\316\251", "ohm"},     /* Greek Omega */
    {WN_DIM_RESISTANCE, "ohms", "ohm"},
    {WN_DIM_RESISTANCE, "m\342\204\246", "mohm"},
    {WN_DIM_RESISTANCE, "m\316\251", "mohm"},
    {WN_DIM_TIME, "m", "min"},
    {WN_DIM_TIME, "sec", "s"},
    {WN_DIM_TIME, "second", "s"},
    {WN_DIM_TIME, "seconds", "s"},
    {WN_DIM_TIME, "mins", "min"},
    {WN_DIM_TIME, "minute", "min"},
    {WN_DIM_TIME, "minutes", "min"},
    {WN_DIM_TIME, "hr", "h"},
    {WN_DIM_TIME, "hour", "h"},
    {WN_DIM_TIME, "hours", "h"},
    {WN_DIM_TIME, "day", "d"},
    {WN_DIM_TIME, "days", "d"},
    {WN_DIM_TEMPERATURE, "C", "degC"},
    {WN_DIM_TEMPERATURE, "\302\260C", "degC"},    /* degree sign */
    {WN_DIM_TEMPERATURE, "\342\204\203", "degC"}, /* degree Celsius in one character */
    {WN_DIM_TEMPERATURE_DIFF, "C", "K"},
    {WN_DIM_TEMPERATURE_DIFF, "degC", "K"},
    {WN_DIM_TEMPERATURE_DIFF, "\302\260C", "K"},
    {WN_DIM_TEMPERATURE_RATE, "C/min", "K/min"},
    {WN_DIM_TEMPERATURE_RATE, "degC/min", "K/min"},
    {WN_DIM_TEMPERATURE_RATE, "\302\260C/min", "K/min"},
    {WN_DIM_RATIO, "percent", "%"},
};
#define HABIT_COUNT (sizeof habits / sizeof habits[0])

/* The pieces of a quantity, all inside the caller's text. */
struct parts {
    const char *text; /* without the blanks around it */
    size_t text_len;
    size_t num_len; /* text[0..num_len) is the number; 0 when there is none */
    const char *unit;
    size_t unit_len;
};

#define QUOTE_SIZE 52

/* A foreign text for a message: short, on one line, and without half a character at its end. */
static const char *quote(const char *text, size_t len, char buf[QUOTE_SIZE])
{
    const size_t room = QUOTE_SIZE - sizeof "...";
    size_t n = len;

    if (len > room) {
        n = room;
        while (n > 0 && ((unsigned char)text[n] & 0xc0u) == 0x80u) {
            n--;
        }
    }
    for (size_t i = 0; i < n; i++) {
        unsigned char c = (unsigned char)text[i];
        buf[i] = c < 0x20 || c == 0x7f ? '?' : text[i];
    }
    memcpy(&buf[n], n < len ? "..." : "", n < len ? sizeof "..." : 1);
    return buf;
}

static int is_blank(char c)
{
    return c == ' ' || c == '\t';
}

static void split(const char *text, struct parts *p)
{
    size_t len = strlen(text);
    size_t at;

    while (len > 0 && is_blank(text[0])) {
        text++;
        len--;
    }
    while (len > 0 && is_blank(text[len - 1])) {
        len--;
    }
    p->text = text;
    p->text_len = len;
    p->num_len = wn_num_scan(text, len);
    at = p->num_len;
    while (at < len && is_blank(text[at])) {
        at++;
    }
    p->unit = &text[at];
    p->unit_len = len - at;
}

static int same(const char *name, const char *text, size_t len)
{
    return strlen(name) == len && memcmp(name, text, len) == 0;
}

/* tolower() would ask the locale. */
static char lower(char c)
{
    return c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
}

static int same_but_case(const char *name, const char *text, size_t len)
{
    if (strlen(name) != len) {
        return 0;
    }
    for (size_t i = 0; i < len; i++) {
        if (lower(name[i]) != lower(text[i])) {
            return 0;
        }
    }
    return 1;
}

/* NULL when no dimension has that unit. */
static const struct unit *find_unit(const struct parts *p)
{
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        if (same(units[i].name, p->unit, p->unit_len)) {
            return &units[i];
        }
    }
    return NULL;
}

/* What was probably meant in this dimension, or NULL. */
static const char *guess(const struct parts *p, enum wn_dim want)
{
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        if (units[i].dim == want && same_but_case(units[i].name, p->unit, p->unit_len)) {
            return units[i].name;
        }
    }
    if (want == WN_DIM_CURRENT && same_but_case(it_name, p->unit, p->unit_len)) {
        return it_name;
    }
    for (size_t i = 0; i < HABIT_COUNT; i++) {
        if (habits[i].dim == want && same_but_case(habits[i].habit, p->unit, p->unit_len)) {
            return habits[i].write;
        }
    }
    return NULL;
}

/* Collects parts of a sentence: "a", "a or b", "a, b or c". */
struct phrase {
    char text[160];
    size_t len;
};

static void phrase_add(struct phrase *f, int is_first, int is_last, const char *item)
{
    const char *glue = is_first ? "" : is_last ? " or " : ", ";
    int n = snprintf(&f->text[f->len], sizeof f->text - f->len, "%s%s", glue, item);
    wn_assert(n > 0 && (size_t)n < sizeof f->text - f->len);
    f->len += (size_t)n;
}

static void phrase_units(struct phrase *f, enum wn_dim dim)
{
    size_t left = dim == WN_DIM_CURRENT ? 1 : 0;

    f->len = 0;
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        left += units[i].dim == dim ? 1u : 0u;
    }
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        if (units[i].dim == dim) {
            left--;
            phrase_add(f, f->len == 0, left == 0, units[i].name);
        }
    }
    if (dim == WN_DIM_CURRENT) {
        phrase_add(f, 0, 1, it_name);
    }
}

/* "4 A", "4000 mA" or "0.5 It": the same value in the units most used; for times, where nobody can
 * know which was meant, the same number. */
static void phrase_examples(struct phrase *f, enum wn_dim dim, double number)
{
    int count = dim == WN_DIM_CURRENT ? 1 : 0;

    f->len = 0;
    for (size_t i = 0; i < UNIT_COUNT; i++) {
        count += units[i].dim == dim && units[i].example > 0 ? 1 : 0;
    }
    for (int order = 1; order <= count; order++) {
        char item[WN_NUM_SIZE + 16] = "\"0.5 It\"";
        for (size_t i = 0; i < UNIT_COUNT; i++) {
            if (units[i].dim == dim && units[i].example == order) {
                char num[WN_NUM_SIZE];
                double factor = dim == WN_DIM_TIME ? 1.0 : units[i].divide;
                (void)snprintf(item, sizeof item, "\"%s %s\"",
                               wn_num_format(number * factor, 7, num, sizeof num), units[i].name);
            }
        }
        phrase_add(f, order == 1, order == count, item);
    }
}

static int no_number(const struct parts *p, enum wn_dim want, struct wn_error *err)
{
    char text[QUOTE_SIZE];
    struct phrase f;

    phrase_examples(&f, want, 1.0);
    if (p->text_len == 0) {
        return wn_error_set(err, WN_ESYNTAX, "empty where %s is wanted: write for example %s",
                            dim_names[want], f.text);
    }
    return wn_error_set(err, WN_ESYNTAX,
                        "\"%s\" does not begin with a number: %s is written for example as %s",
                        quote(p->text, p->text_len, text), dim_names[want], f.text);
}

/* A second number, a comma or a sign behind the number. */
static int bad_number(const struct parts *p, struct wn_error *err)
{
    char text[QUOTE_SIZE];
    const char *advice = "write one number and one unit, without blanks inside the number";

    if (p->unit[0] == ',') {
        advice = "the decimal mark is a point, and thousands are not separated";
    }
    return wn_error_set(err, WN_ESYNTAX, "\"%s\" cannot be read as one number: %s",
                        quote(p->text, p->text_len, text), advice);
}

static int no_unit(const struct parts *p, enum wn_dim want, double number, struct wn_error *err)
{
    char text[QUOTE_SIZE];
    struct phrase f;

    phrase_examples(&f, want, number);
    return wn_error_set(err, WN_EUNIT, "\"%s\" has no unit: write %s",
                        quote(p->text, p->text_len, text), f.text);
}

static int wrong_unit(const struct parts *p, enum wn_dim want, struct wn_error *err)
{
    char text[QUOTE_SIZE];
    char unit[QUOTE_SIZE];
    struct phrase f;
    const struct unit *other = find_unit(p);
    const char *meant = guess(p, want);
    int is_it = same(it_name, p->unit, p->unit_len);

    phrase_units(&f, want);
    quote(p->text, p->text_len, text);
    quote(p->unit, p->unit_len, unit);
    if (meant != NULL) {
        char number[QUOTE_SIZE];
        return wn_error_set(err, WN_EUNIT,
                            "\"%s\": the unit is written \"%s\", not \"%s\": write \"%s %s\"", text,
                            meant, unit, quote(p->text, p->num_len, number), meant);
    }
    if (other != NULL || is_it) {
        enum wn_dim dim = is_it ? WN_DIM_CURRENT : other->dim;
        return wn_error_set(err, WN_EUNIT, "\"%s\" is %s where %s is wanted: write it in %s", text,
                            dim_names[dim], dim_names[want], f.text);
    }
    return wn_error_set(err, WN_EUNIT, "\"%s\" has the unknown unit \"%s\": %s is written in %s",
                        text, unit, dim_names[want], f.text);
}

int wn_qty_parse(const char *text, enum wn_dim want, struct wn_qty *out, struct wn_error *err)
{
    struct parts p;
    const struct unit *unit;
    char buf[QUOTE_SIZE];
    double value;
    int is_it;
    int rc;

    wn_assert((unsigned)want < WN_DIM_COUNT_);
    split(text, &p);
    if (p.num_len == 0) {
        return no_number(&p, want, err);
    }
    rc = wn_num_parse(p.text, p.num_len, &value);
    if (rc == WN_ESYNTAX) {
        return wn_error_set(err, rc, "\"%s\" has too many digits: write at most %d characters",
                            quote(p.text, p.text_len, buf), WN_NUM_LEN_MAX);
    }
    if (rc != WN_OK) {
        return wn_error_set(err, rc, "\"%s\" is too large a number: write a smaller one",
                            quote(p.text, p.text_len, buf));
    }
    if (p.unit_len == 0) {
        return no_unit(&p, want, value, err);
    }
    unit = find_unit(&p); /* first, because "1" is a unit too */
    if ((unit == NULL || p.unit == &p.text[p.num_len]) &&
        strchr("0123456789.,+-", p.unit[0]) != NULL) {
        return bad_number(&p, err);
    }
    is_it = want == WN_DIM_CURRENT && same(it_name, p.unit, p.unit_len);
    if (!is_it && (unit == NULL || unit->dim != want)) {
        return wrong_unit(&p, want, err);
    }
    if (!is_it) {
        value = value * unit->multiply / unit->divide;
    }
    if (!isfinite(value)) {
        return wn_error_set(err, WN_ERANGE, "\"%s\" is too large: write a smaller value",
                            quote(p.text, p.text_len, buf));
    }
    out->value = value;
    out->is_it = is_it;
    return WN_OK;
}

const char *wn_dim_name(enum wn_dim dim)
{
    wn_assert((unsigned)dim < WN_DIM_COUNT_);
    return strchr(dim_names[dim], ' ') + 1;
}

/* Six digits, and no exponent for the magnitudes of this trade. */
static const char *format_number(double value, char *buf, size_t size)
{
    double a = fabs(value);
    return a >= 999999.5 && a < 1e12 ? wn_num_fixed(value, 0, buf, size)
                                     : wn_num_format(value, 6, buf, size);
}

static double in_unit(double value, const struct unit *u)
{
    return value * u->divide / u->multiply;
}

/* "1.5 h" says more than "5400 s", "1.11111 h" less than "4000 s". */
static int is_neat(double value)
{
    return fabs(value) >= 1.0 && fabs(value * 10.0 - round(value * 10.0)) < 1e-6 * fabs(value);
}

static const struct unit *choose_unit(double value, enum wn_dim dim)
{
    const struct unit *best = NULL;

    for (size_t i = 0; i < UNIT_COUNT; i++) {
        const struct unit *u = &units[i];
        double scaled = fabs(in_unit(value, u));
        if (u->dim != dim) {
            continue;
        }
        if (dim == WN_DIM_RATIO) { /* a part of a whole is written in %, unless it is tiny */
            int is_percent = u->name[0] == '%';
            int is_ppm = u->name[0] == 'p';
            if (is_percent ? (best == NULL || !(scaled < 0.1) || value == 0.0) : is_ppm) {
                best = u;
            }
        } else if (dim == WN_DIM_TIME && u->multiply > 1.0) {
            best = is_neat(scaled) ? u : best;
        } else if (best == NULL || !(scaled < 0.9999995) || value == 0.0) {
            best = u;
        }
    }
    wn_assert(best != NULL);
    return best;
}

const char *wn_qty_format(double value, enum wn_dim dim, char *buf, size_t size)
{
    char num[WN_NUM_SIZE];
    const struct unit *unit;
    int n;

    wn_assert((unsigned)dim < WN_DIM_COUNT_);
    wn_assert(size >= WN_QTY_SIZE);
    unit = choose_unit(value, dim);
    n = snprintf(buf, size, "%s %s", format_number(in_unit(value, unit), num, sizeof num),
                 unit->name);
    wn_assert(n > 0 && (size_t)n < size);
    return buf;
}

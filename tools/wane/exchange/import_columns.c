/* wane import: which column is what, and in which unit.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A heading is a name and a unit: "voltage_v", "Voltage / V", "U [mV]", "I(A)", "Time, s". Names
 * are the usual words, those of the Battery Data Format (table of columns 1.3.0) among them; where
 * two columns would do, the name that stands first in the list wins. */
#include "import.h"

#include <math.h>
#include <string.h>
#include <strings.h>

#include "base/num.h"
#include "base/qty.h"

enum { NAME_SIZE = 96, UNIT_SIZE = 16 };

static const struct {
    const char *word, *own;
    enum wn_dim dim;   /* WN_DIM_COUNT_: no unit */
    const char *plain; /* the unit that is taken where none is told */
    const char *names; /* between bars */
} quantity[LOG_QUANTITIES] = {
    [LOG_TIME] = {"time", "time_s", WN_DIM_TIME, "s",
                  "|time|test time|elapsed time|total time|run time|running time|t|date time|"
                  "datetime|date and time|timestamp|time stamp|date|unix time|"},
    [LOG_VOLTAGE] = {"voltage", "voltage_v", WN_DIM_VOLTAGE, "V",
                     "|voltage|cell voltage|terminal voltage|battery voltage|potential|u|v|ucell|"
                     "vcell|u cell|v cell|"},
    [LOG_CURRENT] = {"current", "current_a", WN_DIM_CURRENT, "A",
                     "|current|cell current|battery current|i|icell|i cell|"},
    [LOG_TEMPERATURE] = {"temperature", "temperature_c", WN_DIM_TEMPERATURE, "degC",
                         "|temperature|cell temperature|surface temperature|temperature t1|"
                         "surface temperature t1|battery temperature|temp|cell temp|tcell|t cell|"},
    [LOG_AMBIENT] = {"ambient", "ambient_c", WN_DIM_TEMPERATURE, "degC",
                     "|ambient|ambient temperature|ambient temp|chamber temperature|"
                     "room temperature|tambient|t ambient|"},
    [LOG_CYCLE] = {"cycle", "cycle", WN_DIM_COUNT_, "",
                   "|cycle|cycle count|cycle number|cycle index|cycle no|cycle nr|"},
    [LOG_SIMULATED] = {"simulated", "simulated", WN_DIM_COUNT_, "", "|simulated|"},
    [LOG_ROUND] = {"round", "round", WN_DIM_COUNT_, "", "|round|"},
};

/* Units as logs write them, and as lib/base knows them. Kelvin and Fahrenheit are no factor. */
static const struct {
    enum wn_dim dim;
    const char *written, *known;
    double scale, offset; /* when known is NULL */
} unit_list[] = {
    {WN_DIM_TIME, "s", "s", 0, 0},
    {WN_DIM_TIME, "sec", "s", 0, 0},
    {WN_DIM_TIME, "second", "s", 0, 0},
    {WN_DIM_TIME, "seconds", "s", 0, 0},
    {WN_DIM_TIME, "ms", "ms", 0, 0},
    {WN_DIM_TIME, "millisecond", "ms", 0, 0},
    {WN_DIM_TIME, "min", "min", 0, 0},
    {WN_DIM_TIME, "minutes", "min", 0, 0},
    {WN_DIM_TIME, "h", "h", 0, 0},
    {WN_DIM_TIME, "hours", "h", 0, 0},
    {WN_DIM_TIME, "d", "d", 0, 0},
    {WN_DIM_TIME, "days", "d", 0, 0},
    {WN_DIM_VOLTAGE, "V", "V", 0, 0},
    {WN_DIM_VOLTAGE, "volt", "V", 0, 0},
    {WN_DIM_VOLTAGE, "volts", "V", 0, 0},
    {WN_DIM_VOLTAGE, "mV", "mV", 0, 0},
    {WN_DIM_VOLTAGE, "uV", "uV", 0, 0},
    {WN_DIM_VOLTAGE, "\xc2\xb5V", "uV", 0, 0},
    {WN_DIM_CURRENT, "A", "A", 0, 0},
    {WN_DIM_CURRENT, "ampere", "A", 0, 0},
    {WN_DIM_CURRENT, "amps", "A", 0, 0},
    {WN_DIM_CURRENT, "mA", "mA", 0, 0},
    {WN_DIM_CURRENT, "uA", "uA", 0, 0},
    {WN_DIM_CURRENT,
     "\xc2\xb5"
     "A",
     "uA", 0, 0},
    {WN_DIM_TEMPERATURE, "degC", "degC", 0, 0},
    {WN_DIM_TEMPERATURE, "C", "degC", 0, 0},
    {WN_DIM_TEMPERATURE,
     "\xc2\xb0"
     "C",
     "degC", 0, 0},
    {WN_DIM_TEMPERATURE,
     "\xb0"
     "C",
     "degC", 0, 0},
    {WN_DIM_TEMPERATURE, "celsius", "degC", 0, 0},
    {WN_DIM_TEMPERATURE, "K", NULL, 1, -273.15},
    {WN_DIM_TEMPERATURE, "kelvin", NULL, 1, -273.15},
    {WN_DIM_TEMPERATURE, "degF", NULL, 5.0 / 9, -160.0 / 9},
    {WN_DIM_COUNT_, "1", NULL, 1, 0},
};

struct heading {
    char name[NAME_SIZE]; /* lower case, single blanks between words */
    char unit[UNIT_SIZE]; /* as written; "" none */
};

const char *log_quantity_name(enum log_quantity q)
{
    return quantity[q].word;
}

/* False: no unit of this quantity. */
static bool find_unit(enum wn_dim dim, const char *written, double *scale, double *offset)
{
    for (size_t i = 0; i < sizeof unit_list / sizeof unit_list[0]; i++) {
        if (unit_list[i].dim == dim && strcasecmp(unit_list[i].written, written) == 0) {
            char one[UNIT_SIZE + 4];
            struct wn_qty qty = {unit_list[i].scale, 0};
            (void)snprintf(one, sizeof one, "1 %s", unit_list[i].known);
            *offset = unit_list[i].offset;
            bool ok = unit_list[i].known == NULL || wn_qty_parse(one, dim, &qty, NULL) == WN_OK;
            *scale = qty.value;
            return ok;
        }
    }
    return false;
}

static void tidy_name(const char *from, size_t len, char out[NAME_SIZE])
{
    size_t n = 0;
    for (size_t i = 0; i < len && n + 1 < NAME_SIZE; i++) {
        char c = from[i];
        bool gap = c == ' ' || c == '_' || c == '-' || c == '.' || c == '\t';
        if (!gap) {
            out[n++] = c >= 'A' && c <= 'Z' ? (char)(c - 'A' + 'a') : c;
        } else if (n > 0 && out[n - 1] != ' ') {
            out[n++] = ' ';
        }
    }
    n -= n > 0 && out[n - 1] == ' ';
    out[n] = '\0';
}

static void set_heading(const char *text, size_t name_len, const char *unit, size_t unit_len,
                        struct heading *out)
{
    while (unit_len > 0 && *unit == ' ') {
        unit++;
        unit_len--;
    }
    while (unit_len > 0 && unit[unit_len - 1] == ' ') {
        unit_len--;
    }
    tidy_name(text, name_len, out->name);
    (void)snprintf(out->unit, sizeof out->unit, "%.*s", (int)(unit_len < 99 ? unit_len : 99), unit);
}

/* "U [mV]", "U(mV)", "U / mV", "U, mV"; else all of it is the name. */
static void split_heading(const char *text, struct heading *out)
{
    size_t len = strlen(text);
    static const char close[] = "])}", open[] = "[({";
    const char *end = len > 0 ? strchr(close, text[len - 1]) : NULL;
    const char *from = end != NULL ? strrchr(text, open[end - close]) : NULL;
    if (from != NULL) {
        set_heading(text, (size_t)(from - text), from + 1, len - 2 - (size_t)(from - text), out);
        return;
    }
    from = strrchr(text, '/');
    from = from != NULL ? from : strrchr(text, ',');
    if (from != NULL && from[1] != '\0') {
        set_heading(text, (size_t)(from - text), from + 1, strlen(from + 1), out);
    } else {
        set_heading(text, len, "", 0, out);
    }
}

/* Place of a name in the list of the quantity's names; 0: it is none. */
static int rank(enum log_quantity q, const char *name)
{
    char barred[NAME_SIZE + 3];
    (void)snprintf(barred, sizeof barred, "|%s|", name);
    const char *at = name[0] != '\0' ? strstr(quantity[q].names, barred) : NULL;
    return at != NULL ? (int)(at - quantity[q].names) + 1 : 0;
}

/* What would this heading be for the quantity? 0: nothing. */
static int judge(enum log_quantity q, const char *text, struct log_column *out)
{
    struct heading h;
    enum wn_dim dim = quantity[q].dim;
    *out = (struct log_column){-1, 1, 0, false};
    split_heading(text, &h);
    int place = rank(q, h.name);
    if (place > 0 && h.unit[0] != '\0') {
        return find_unit(dim, h.unit, &out->scale, &out->offset) ? place : 0;
    }
    if (place > 0) {
        out->unit_assumed = dim != WN_DIM_COUNT_;
        return place;
    }
    char *last = strrchr(h.name, ' '); /* voltage_v, test_time_second */
    if (h.unit[0] == '\0' && last != NULL && find_unit(dim, last + 1, &out->scale, &out->offset)) {
        *last = '\0';
        return rank(q, h.name);
    }
    return 0;
}

static int find_alone(const struct wn_csv *csv, enum log_quantity q, struct log_column *out,
                      struct wn_error *err)
{
    int best = 0, twin = -1;
    *out = (struct log_column){-1, 1, 0, false};
    for (int i = 0; i < csv->columns; i++) {
        struct log_column c;
        int place = judge(q, csv->column[i], &c);
        if (place > 0 && place == best) {
            twin = i;
        } else if (place > 0 && (best == 0 || place < best)) {
            best = place;
            twin = -1;
            c.at = i;
            *out = c;
        }
    }
    if (twin >= 0) {
        char one[64], other[64];
        return wn_error_set(err, WN_EINVAL,
                            "%s:%lld: both '%s' and '%s' may be the %s: say which one, with "
                            "--map %s='...', or by its number: --map %s='#%d'",
                            csv->name, (long long)csv->line,
                            wn_csv_shown(csv->column[out->at], one, sizeof one),
                            wn_csv_shown(csv->column[twin], other, sizeof other), quantity[q].word,
                            quantity[q].word, quantity[q].word, out->at + 1);
    }
    return WN_OK;
}

/* The column a --map means: #N, the heading, or its name without the unit. */
static int find_mapped(const struct wn_csv *csv, const struct log_map *m)
{
    int64_t number = 0;
    if (m->column[0] == '#' &&
        wn_num_parse_int(m->column + 1, strlen(m->column + 1), &number) == WN_OK) {
        return number >= 1 && number <= csv->columns ? (int)number - 1 : -1;
    }
    int found = wn_csv_column(csv, m->column);
    for (int i = 0; i < csv->columns && found < 0; i++) {
        struct heading h, want;
        split_heading(csv->column[i], &h);
        tidy_name(m->column, strlen(m->column), want.name);
        found = strcmp(h.name, want.name) == 0 ? i : -1;
    }
    return found;
}

static int take_unit(const struct wn_csv *csv, const struct log_map *m, struct log_column *out,
                     struct wn_error *err)
{
    struct heading h;
    enum wn_dim dim = quantity[m->quantity].dim;
    split_heading(csv->column[out->at], &h);
    char *last = strrchr(h.name, ' ');
    const char *unit = m->unit[0] != '\0' ? m->unit : h.unit;
    if (unit[0] == '\0' && last != NULL && find_unit(dim, last + 1, &out->scale, &out->offset)) {
        return WN_OK;
    }
    out->unit_assumed = unit[0] == '\0' && dim != WN_DIM_COUNT_;
    if (unit[0] != '\0' && !find_unit(dim, unit, &out->scale, &out->offset)) {
        char shown[32];
        return wn_error_set(err, WN_EUNIT,
                            "%s:%lld: '%s' is no unit of %s: write it behind the column, as in "
                            "--map %s='...@%s'",
                            csv->name, (long long)csv->line,
                            wn_csv_shown(unit, shown, sizeof shown), quantity[m->quantity].word,
                            quantity[m->quantity].word, quantity[m->quantity].plain);
    }
    return WN_OK;
}

static int complain_missing(const struct wn_csv *csv, const char *missing, struct wn_error *err)
{
    char names[400] = "";
    for (int i = 0; i < csv->columns; i++) {
        char one[40];
        size_t n = strlen(names);
        (void)snprintf(names + n, sizeof names - n, "%s'%s'", n > 0 ? ", " : "",
                       wn_csv_shown(csv->column[i], one, sizeof one));
    }
    return wn_error_set(err, WN_EMISSING,
                        "%s:%lld: the header names no column for %s; it names %s: say which is "
                        "which, with --map voltage='...'",
                        csv->name, (long long)csv->line, missing, names);
}

static int check(const struct log_form *form, const struct wn_csv *csv,
                 const struct log_column column[LOG_QUANTITIES], struct wn_error *err)
{
    char missing[64] = "", one[64];
    for (int q = LOG_TIME; q <= LOG_CURRENT; q++) {
        size_t n = strlen(missing);
        if (column[q].at < 0) {
            (void)snprintf(missing + n, sizeof missing - n, "%s%s", n > 0 ? ", " : "",
                           quantity[q].word);
        }
    }
    if (missing[0] != '\0') {
        return complain_missing(csv, missing, err);
    }
    for (int q = 0; q < LOG_QUANTITIES && form->strict; q++) {
        if (column[q].at >= 0 && column[q].unit_assumed && q != LOG_TIME) {
            return wn_error_set(err, WN_EUNIT,
                                "%s:%lld: the unit of '%s' is not told, and --strict assumes none: "
                                "write --map %s='%s@%s', or what it is",
                                csv->name, (long long)csv->line,
                                wn_csv_shown(csv->column[column[q].at], one, sizeof one),
                                quantity[q].word, one, quantity[q].plain);
        }
    }
    return WN_OK;
}

int log_columns(const struct log_form *form, const struct wn_csv *csv,
                struct log_column column[LOG_QUANTITIES], struct wn_error *err)
{
    int rc = WN_OK;
    for (int q = 0; q < LOG_QUANTITIES && rc == WN_OK; q++) {
        const struct log_map *m = NULL;
        for (int i = 0; i < form->maps; i++) {
            m = form->map[i].quantity == (enum log_quantity)q ? &form->map[i] : m;
        }
        if (m == NULL) {
            rc = find_alone(csv, (enum log_quantity)q, &column[q], err);
            continue;
        }
        column[q] = (struct log_column){find_mapped(csv, m), 1, 0, false};
        int twin = m->column[0] == '#' ? -1 : wn_csv_twin(csv, column[q].at);
        if (twin >= 0) {
            char shown[64];
            rc = wn_error_set(err, WN_EINVAL,
                              "%s:%lld: columns %d and %d are both called '%s': say which one, by "
                              "its number: --map %s='#%d'",
                              csv->name, (long long)csv->line, column[q].at + 1, twin + 1,
                              wn_csv_shown(csv->column[twin], shown, sizeof shown),
                              quantity[q].word, column[q].at + 1);
        } else if (column[q].at < 0) {
            char names[64];
            rc = complain_missing(csv, wn_csv_shown(m->column, names, sizeof names), err);
        } else {
            rc = take_unit(csv, m, &column[q], err);
        }
    }
    return rc == WN_OK ? check(form, csv, column, err) : rc;
}

int log_map_read(struct log_form *form, const char *text, struct wn_error *err)
{
    const char *equal = strchr(text, '=');
    const char *at = equal != NULL ? strrchr(equal, '@') : NULL;
    size_t len = equal == NULL ? 0 : at != NULL ? (size_t)(at - equal - 1) : strlen(equal + 1);
    if (form->maps == LOG_MAPS_MAX || len == 0 || len >= sizeof form->map[0].column ||
        (at != NULL && (at[1] == '\0' || strlen(at + 1) >= sizeof form->map[0].unit))) {
        return wn_error_set(err, WN_EINVAL,
                            "--map is '%.60s': write QUANTITY=COLUMN or QUANTITY=COLUMN@UNIT, as "
                            "in voltage=\"U [mV]\" or voltage=#3@mV",
                            text);
    }
    struct log_map *m = &form->map[form->maps];
    size_t word = (size_t)(equal - text);
    enum log_quantity q = LOG_TIME;
    while (q < LOG_SIMULATED &&
           (strlen(quantity[q].word) != word || strncmp(quantity[q].word, text, word) != 0)) {
        q++;
    }
    if (q == LOG_SIMULATED) {
        return wn_error_set(err, WN_EINVAL,
                            "--map is '%.60s': before the = stands time, voltage, current, "
                            "temperature, ambient or cycle",
                            text);
    }
    m->quantity = q;
    (void)snprintf(m->column, sizeof m->column, "%.*s", (int)len, equal + 1);
    (void)snprintf(m->unit, sizeof m->unit, "%s", at != NULL ? at + 1 : "");
    form->maps++;
    return WN_OK;
}

void log_columns_tell(const struct wn_csv *csv, const struct log_column column[LOG_QUANTITIES],
                      FILE *f)
{
    bool plain = true;
    for (int q = 0; q < LOG_SIMULATED; q++) {
        plain = plain &&
                (column[q].at < 0 || strcasecmp(csv->column[column[q].at], quantity[q].own) == 0);
    }
    for (int q = 0; q < LOG_SIMULATED && !plain; q++) {
        const struct log_column *c = &column[q];
        char name[64], x[WN_NUM_SIZE];
        if (c->at < 0) {
            continue;
        }
        (void)fprintf(f, "%s: %s is '%s'", csv->name, quantity[q].word,
                      wn_csv_shown(csv->column[c->at], name, sizeof name));
        if (c->unit_assumed) {
            (void)fprintf(f, ", taken %s %s: its unit is not told",
                          q == LOG_TIME ? "where it is a number as" : "as", quantity[q].plain);
        } else if (c->scale != 1 || c->offset != 0) {
            (void)fprintf(f, " x %s", wn_num_format(c->scale, 6, x, sizeof x));
        }
        if (c->offset != 0) {
            (void)fprintf(f, " %s", wn_num_format(c->offset, 6, x, sizeof x));
        }
        (void)fputc('\n', f);
    }
}

/* wane export: cycles, readings, steps, events and check-ups as CSV or JSON.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "export.h"

enum { WHAT, FORMAT, OUTPUT, COLUMNS, FROM, TO };

static const struct wane_option options[] = {
    [WHAT] = {"what", 0, WANE_TEXT, "WHAT", "cycles, readings, steps, events or check-ups"},
    [FORMAT] = {"format", 0, WANE_TEXT, "csv|json", "csv (RFC 4180) unless told otherwise"},
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE",
                "instead of standard output; written whole or not at all"},
    [COLUMNS] = {"columns", 0, WANE_TEXT, "wane|bdf",
                 "of readings: our own, or those of the Battery Data Format"},
    [FROM] = {"from-cycle", 0, WANE_COUNT, "N", "only from this cycle on"},
    [TO] = {"to-cycle", 0, WANE_COUNT, "N", "only up to this cycle"},
};

/* Is it there already, and no regular file: a pipe, a device? Then it is written to, and never
 * replaced. */
static bool in_place(const char *file)
{
    struct stat st;
    return stat(file, &st) == 0 && !S_ISREG(st.st_mode);
}

/* The file gets its name when all of it is on the disk. */
static int write_whole(struct wane_campaign *c, const struct export_order *order, const char *file,
                       struct wn_error *err)
{
    char part[1024];
    int len = snprintf(part, sizeof part, "%s.part", file);
    if (len < 0 || (size_t)len >= sizeof part) {
        return wn_error_set(err, WN_ERANGE, "%.60s...: the name is too long", file);
    }
    int fd = open(part, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC | O_NOFOLLOW, 0666);
    FILE *f = fd >= 0 ? fdopen(fd, "w") : NULL;
    if (f == NULL) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    int rc = export_write(c, order, f, file, err);
    if (rc == WN_OK && fsync(fd) != 0) {
        rc = wn_error_set(err, WN_EIO, "%s: %s", file, strerror(errno));
    }
    if (fclose(f) != 0 && rc == WN_OK) {
        rc = wn_error_set(err, WN_EIO, "%s: %s", file, strerror(errno));
    }
    if (rc == WN_OK && rename(part, file) != 0) {
        rc = wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    if (rc != WN_OK) {
        (void)unlink(part);
    }
    return rc;
}

static int write_to(struct wane_campaign *c, const struct export_order *order, const char *file,
                    struct wn_error *err)
{
    size_t n = strlen(file);
    if (n > 5 && strcmp(file + n - 5, ".wane") == 0) {
        return wn_error_set(err, WN_EINVAL,
                            "%s would look like a campaign file: give the export another name",
                            file);
    }
    if (!in_place(file)) {
        return write_whole(c, order, file, err);
    }
    FILE *f = fopen(file, "we");
    if (f == NULL) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    int rc = export_write(c, order, f, file, err);
    if (fclose(f) != 0 && rc == WN_OK) {
        rc = wn_error_set(err, WN_EIO, "%s: %s", file, strerror(errno));
    }
    return rc;
}

static int take_order(struct wane *w, const struct wane_args *a, struct export_order *o)
{
    const struct wane_value *v = a->value;
    const char *format = v[FORMAT].given ? v[FORMAT].text : w->json ? "json" : "csv";
    const char *columns = v[COLUMNS].given ? v[COLUMNS].text : "wane";
    o->what = v[WHAT].given ? export_find(v[WHAT].text) : EXPORT_NOTHING;
    o->json = strcmp(format, "json") == 0;
    o->bdf = strcmp(columns, "bdf") == 0;
    o->cycle_from = v[FROM].count; /* 0: from the beginning */
    o->cycle_to = v[TO].given ? v[TO].count : INT64_MAX;
    if (o->what == EXPORT_NOTHING) {
        return wane_usage(w, "what? Give --what cycles, readings, steps, events or check-ups");
    }
    if (!o->json && strcmp(format, "csv") != 0) {
        return wane_usage(w, "--format is '%s': write csv or json", format);
    }
    if (!o->bdf && strcmp(columns, "wane") != 0) {
        return wane_usage(w, "--columns is '%s': write wane or bdf", columns);
    }
    if (o->bdf && o->what != EXPORT_READINGS) {
        return wane_usage(w, "the Battery Data Format has columns for --what readings only");
    }
    if (o->cycle_from > o->cycle_to) {
        return wane_usage(w, "--from-cycle %lld is behind --to-cycle %lld",
                          (long long)o->cycle_from, (long long)o->cycle_to);
    }
    return WANE_DONE;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct wane_campaign c;
    struct wn_error err = {0};
    struct export_order order;
    int rc = take_order(w, a, &order);
    if (rc != WANE_DONE) {
        return rc;
    }
    rc = wane_open_campaign(w, a->operand[0], &c);
    if (rc != WANE_DONE) {
        return rc;
    }
    order.aside = a->value[OUTPUT].given || isatty(STDOUT_FILENO) == 0;
    int done = a->value[OUTPUT].given ? write_to(&c, &order, a->value[OUTPUT].text, &err)
                                      : export_write(&c, &order, stdout, "standard output", &err);
    wane_close_campaign(&c);
    return done == WN_OK ? WANE_DONE : wane_fail(w, &err);
}

const struct wane_command cmd_export = {
    .name = "export",
    .synopsis = "CAMPAIGN --what WHAT [--format csv|json] [--from-cycle N] [--to-cycle N] "
                "[-o FILE]",
    .summary = "cycles, readings, steps, events, check-ups as CSV or JSON",
    .text = "Units are the ends of the columns' names: _v, _a, _ah, _wh, _ohm, _c, _k, _s.\n"
            "_u is a standard uncertainty (k = 1) after the GUM, _expanded is twice that\n"
            "(k = 2). Current is positive when it charges the cell. What was not measured\n"
            "is an empty field, or null. The last column of a CSV says whether it was\n"
            "simulated. Values have up to ten digits, time_s every digit there is.\n"
            "\n"
            "--columns bdf writes readings in the columns of the Battery Data Format of the\n"
            "Battery Data Alliance (1.3.0), labels in a CSV and machine-readable names in\n"
            "JSON. Unix Time is when a reading was recorded; a recorded log has none. Our\n"
            "own columns Round and Simulated / 1 stand last.\n"
            "\n"
            "The cycle of a check-up's readings is the one before it; their round is check-up.\n"
            "\n"
            "Rows are written as they are read: a campaign may be larger than the memory.\n",
    .examples = "  wane export demo --what cycles -o cycles.csv\n"
                "  wane export demo --what readings --from-cycle 100 --to-cycle 109\n"
                "  wane export demo --what readings --columns bdf -o demo.bdf.csv\n"
                "  wane export demo --what readings --format json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

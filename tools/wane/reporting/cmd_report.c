/* wane report: a page about a campaign, in one file.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "cmd_report.h"

#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "port/clock.h"
#include "progress.h"

enum { OUTPUT, FORCE };
enum { NAME_SIZE = 1024 };

static const struct wane_option options[] = {
    [OUTPUT] = {"output", 'o', WANE_TEXT, "FILE",
                "default CAMPAIGN.html in this directory; - is standard output"},
    [FORCE] = {"force", 0, WANE_FLAG, NULL, "write over a file that is there"},
};

static int write_to(FILE *f, const struct wn_html *h, const char *file, struct wn_error *err)
{
    if (fwrite(h->s, 1, h->len, f) != h->len || fflush(f) != 0) {
        return wn_error_set(err, errno == ENOSPC ? WN_ENOSPACE : WN_EIO, "%s: %s", file,
                            strerror(errno));
    }
    return WN_OK;
}

/* Gives the finished file its name; over another one only with force. */
static int publish(const char *part, const char *file, bool force, struct wn_error *err)
{
    int failed = force ? rename(part, file) : link(part, file);
    int why = errno;
    if (failed != 0 && why == EEXIST) {
        return wn_error_set(err, WN_EEXIST,
                            "%s exists already: --force writes over it, -o FILE writes another",
                            file);
    }
    if (failed != 0 && !force && (why == EPERM || why == EOPNOTSUPP)) { /* a disk without links */
        failed = access(file, F_OK) == 0 ? -1 : rename(part, file);
        why = errno;
    }
    return failed == 0 ? WN_OK : wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(why));
}

/* Whole or not at all. */
static int write_file(const struct wn_html *h, const char *file, bool force, struct wn_error *err)
{
    char part[NAME_SIZE + 16];
    struct stat st;
    bool there = stat(file, &st) == 0;
    if (there && !S_ISREG(st.st_mode)) { /* a pipe, a device: written to, never replaced */
        FILE *f = fopen(file, "we");
        int rc = f != NULL ? write_to(f, h, file, err)
                           : wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
        if (f != NULL) {
            (void)fclose(f);
        }
        return rc;
    }
    if (there && !force) {
        return wn_error_set(err, WN_EEXIST,
                            "%s exists already: --force writes over it, -o FILE writes another",
                            file);
    }
    (void)snprintf(part, sizeof part, "%s.XXXXXX", file);
    int fd = mkstemp(part);
    if (fd < 0) {
        return wn_error_set(err, WN_EACCESS, "%s: %s", file, strerror(errno));
    }
    mode_t mask = umask(0);
    (void)umask(mask);
    (void)fchmod(fd, 0666 & ~mask);
    FILE *f = fdopen(fd, "w");
    int rc =
        f != NULL ? write_to(f, h, file, err) : wn_error_set(err, WN_ENOMEM, "%s: no memory", file);
    if (rc == WN_OK && fsync(fd) != 0) {
        rc = wn_error_set(err, errno == ENOSPC ? WN_ENOSPACE : WN_EIO, "%s: %s", file,
                          strerror(errno));
    }
    if (f != NULL) {
        (void)fclose(f);
    } else {
        (void)close(fd);
    }
    rc = rc == WN_OK ? publish(part, file, force, err) : rc;
    (void)unlink(part); /* gone already when it was renamed */
    return rc;
}

/* CAMPAIGN.html, from the name of the campaign and not from a path. */
static int choose_name(struct wane *w, const struct wane_args *a, const char *campaign, char *file,
                       size_t size)
{
    const char *given = a->value[OUTPUT].given ? a->value[OUTPUT].text : NULL;
    int n = snprintf(file, size, "%s%s", given != NULL ? given : campaign,
                     given != NULL ? "" : ".html");
    if (given == NULL &&
        (strchr(campaign, '/') != NULL || campaign[0] == '.' || campaign[0] == '-')) {
        return wane_usage(w, "this campaign's name is none for a file: give -o FILE.html");
    }
    if (n < 0 || (size_t)n >= size) {
        return wane_usage(w, "the name of the file is too long");
    }
    size_t len = strlen(file);
    if (len > 5 && strcmp(file + len - 5, ".wane") == 0) {
        return wane_usage(w, "%s would look like a campaign file: give the report another name",
                          file);
    }
    return WANE_DONE;
}

static int tell(const struct wane *w, const struct report *r, const char *file)
{
    int missing = 0;
    for (int i = 0; i < r->pictures; i++) {
        if (r->picture[i].svg == NULL && r->picture[i].why[0] != '\0') {
            (void)fprintf(stderr, "wane %s: no picture of %s: %s\n", w->command->name,
                          r->picture[i].word, r->picture[i].why);
            missing++;
        }
    }
    if (strcmp(file, "-") != 0) {
        (void)fprintf(stderr, "wane %s: written to %s%s\n", w->command->name, file,
                      missing > 0 ? ", not with all its pictures" : "");
    }
    return WANE_DONE;
}

static int make_page(struct wane *w, const struct wane_args *a, struct report *r,
                     struct drawing_subject *s)
{
    char file[NAME_SIZE];
    struct wn_error err = {0};
    struct wn_html h;
    int chosen = choose_name(w, a, r->f->info.name, file, sizeof file);
    if (chosen != WANE_DONE) {
        return chosen;
    }
    wn_html_init(&h);
    r->h = &h;
    (void)snprintf(r->generator, sizeof r->generator, "wane %s", r->wane_version);
    const struct wn_clock *clock = wn_clock_real();
    (void)wn_utc_format(clock->ops->utc(clock), r->made_utc_text, sizeof r->made_utc_text);
    report_draw(r, s);
    report_page(r);
    int rc = wn_html_finish(&h, &err);
    if (rc == WN_OK) {
        rc = strcmp(file, "-") == 0 ? write_to(stdout, &h, "standard output", &err)
                                    : write_file(&h, file, a->value[FORCE].given, &err);
    }
    wn_html_fini(&h);
    return rc == WN_OK ? tell(w, r, file) : wane_fail(w, &err);
}

static int print_json(const struct report *r)
{
    json_t *o = findings_json(r->f);
    wane_put(o, "sha256", r->file->sha256[0] != '\0' ? json_string(r->file->sha256) : json_null());
    wane_put(o, "file_bytes", json_integer(r->file->bytes));
    wane_put(o, "file_readings", json_integer(r->file->readings));
    wane_put(o, "file_events", json_integer(r->file->events));
    wane_put(o, "file_log_pending", json_boolean(r->file->log_pending));
    return wane_print_json(o);
}

static void take_hash(const struct wane *w, const char *path, struct wn_fingerprint *out)
{
    struct wn_error err = {0};
    struct progress bar;
    progress_begin(&bar, "hash of the file", 1);
    const struct wn_progress progress = progress_of(&bar);
    int rc = wn_campaign_fingerprint(path, out, &progress, &err);
    progress_clear(&bar);
    if (rc != WN_OK) {
        (void)fprintf(stderr, "wane %s: no hash of the campaign file: %s\n", w->command->name,
                      err.text);
        out->sha256[0] = '\0';
    }
}

static int report(struct wane *w, const struct wane_args *a, struct drawing_subject *s)
{
    const struct wane_campaign *c = &s->c;
    struct wn_error err = {0};
    struct wn_fingerprint file;
    struct findings f;
    struct report r = {.f = &f, .file = &file, .wane_version = WANE_VERSION};
    int rc = findings_read(&s->c, &f, &err);
    if (rc == WN_OK) {
        take_hash(w, c->path, &file);
    }
    const char *base = strrchr(c->path, '/');
    r.file_name = base != NULL ? base + 1 : c->path;
    int done = WANE_DONE;
    if (rc != WN_OK) {
        done = wane_fail(w, &err);
    } else if (w->json) {
        done = print_json(&r);
    } else {
        done = make_page(w, a, &r, s);
    }
    report_forget_pictures(&r);
    findings_free(&f);
    return done;
}

static int run(struct wane *w, const struct wane_args *a)
{
    if (w->json && (a->value[OUTPUT].given || a->value[FORCE].given)) {
        return wane_usage(w, "--json prints what was found and writes no file: leave out -o and "
                             "--force");
    }
    struct drawing_subject *s = calloc(1, sizeof *s);
    if (s == NULL) {
        struct wn_error err = {.code = WN_ENOMEM};
        return wane_fail(w, &err);
    }
    int rc = drawing_open(w, a->operand[0], s);
    rc = rc == WANE_DONE ? report(w, a, s) : rc;
    drawing_close(s);
    free(s);
    return rc;
}

const struct wane_command cmd_report = {
    .name = "report",
    .synopsis = "CAMPAIGN [-o FILE.html] [--force]",
    .summary = "one page about a campaign, to publish or to print",
    .text = "Writes one HTML file that needs nothing else, on a screen or on paper: caution,\n"
            "under which conditions it was measured and whether they were kept, the cell at\n"
            "its arrival, capacity and energy by rate, resistance, fade and projection,\n"
            "every claim of the datasheet with what was measured, its uncertainty and a\n"
            "verdict, alarms, instruments and calibration, the hash of the campaign file.\n"
            "Who is told of alarms is left out of it. Pictures need gnuplot; without it the\n"
            "page says so. --json prints what was found.\n",
    .examples = "  wane report demo                       # writes demo.html\n"
                "  wane report demo -o pages/demo.html --force\n"
                "  wane report demo --json\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_min = 1,
    .operands_max = 1,
    .run = run,
};

/* wane backup: copies of campaign files, while they are being written.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "wane.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "base/num.h"
#include "port/clock.h"
#include "progress.h"

enum { OUTPUT, ALL, ARCHIVE, UNFINISHED };

static const struct wane_option options[] = {
    [OUTPUT] =
        {"output", 'o', WANE_TEXT, "DIR|FILE",
         "where to; in a directory the file is called\nNAME-DATE.wane, an archive NAME.wane"},
    [ALL] = {"all", 0, WANE_FLAG, NULL, "every campaign of the configuration's data_dir"},
    [ARCHIVE] = {"archive", 0, WANE_FLAG, NULL,
                 "for good: compact, read-only, with its SHA-256 beside it"},
    [UNFINISHED] = {"unfinished", 0, WANE_FLAG, NULL,
                    "archive a campaign that is not over, as far as it is"},
};

enum { PATH = 4096 };

struct job {
    const struct wane_args *a;
    bool into_directory;
    json_t *list; /* NULL: for people */
    int failed;
    struct progress bar;
};

static bool is_directory(const char *path)
{
    struct stat st;
    return stat(path, &st) == 0 && S_ISDIR(st.st_mode);
}

/* The stations and the herald work in data_dir: a second file of a campaign is none of theirs. */
static bool in_data_dir(struct wane *w, const char *output, bool directory)
{
    char dir[PATH];
    struct stat a, b;
    bool known = access(w->config_file, R_OK) == 0 && wane_daemon(w) != NULL;
    (void)snprintf(dir, sizeof dir, "%s", output);
    char *slash = strrchr(dir, '/');
    if (!directory) {
        (void)snprintf(dir, sizeof dir, slash != NULL ? "%.*s" : ".",
                       slash != NULL && slash > dir ? (int)(slash - dir) : 1, output);
    }
    return known && stat(dir, &a) == 0 && stat(w->daemon->data_dir, &b) == 0 &&
           a.st_dev == b.st_dev && a.st_ino == b.st_ino;
}

/* "2026-05-01T12:34:56Z" -> "20260501T123456Z": a file name sorts by time, and is one everywhere.
 */
static void stamp(char *out, size_t size)
{
    char utc[WN_UTC_SIZE];
    size_t n = 0;
    (void)wn_utc_format(wn_clock_real()->ops->utc(wn_clock_real()), utc, sizeof utc);
    for (const char *at = utc; *at != '\0' && n + 1 < size; at++) {
        if (*at != '-' && *at != ':') {
            out[n++] = *at;
        }
    }
    out[n] = '\0';
}

static bool name_places(const struct job *j, const struct wane_campaign *c, char *to,
                        char *temporary)
{
    const char *output = j->a->value[OUTPUT].text, *base = strrchr(c->path, '/');
    char date[WN_UTC_SIZE + 1] = "-";
    base = base != NULL ? base + 1 : c->path;
    size_t len = strlen(base);
    int stem = (int)(len > 5 && strcmp(base + len - 5, ".wane") == 0 ? len - 5 : len);
    int n = 0, m = 0;
    if (!j->into_directory) {
        n = snprintf(to, PATH, "%s", output);
        m = snprintf(temporary, PATH, "%s.new", output);
    } else {
        stamp(date + 1, sizeof date - 1);
        n = snprintf(to, PATH, "%s/%.*s%s.wane", output, stem, base,
                     j->a->value[ARCHIVE].given ? "" : date);
        m = snprintf(temporary, PATH, "%s/%.*s.wane.new", output, stem, base);
    }
    return n > 0 && n < PATH && m > 0 && m < PATH;
}

static json_t *facts_json(const struct job *j, const struct wane_campaign *c,
                          const struct wn_copy_facts *f)
{
    json_t *o = json_object();
    wane_put(o, "campaign", json_string(c->info.name));
    wane_put(o, "source", json_string(c->path));
    wane_put(o, "file", json_string(f->file));
    wane_put(o, "archive", json_boolean(j->a->value[ARCHIVE].given));
    wane_put(o, "status", json_string(c->status));
    wane_put(o, "bytes", json_integer(f->bytes));
    wane_put(o, "sha256", json_string(f->sha256));
    wane_put(o, "cycles", json_integer(f->cycles));
    wane_put(o, "steps", json_integer(f->steps));
    wane_put(o, "readings", json_integer(f->readings));
    wane_put(o, "events", json_integer(f->events));
    wane_put(o, "simulated", json_boolean(c->info.simulated));
    return o;
}

static void tell(const struct job *j, const struct wane_campaign *c, const struct wn_copy_facts *f)
{
    char mb[WN_NUM_SIZE];
    if (j->list != NULL) {
        (void)json_array_append_new(j->list, facts_json(j, c, f));
        return;
    }
    (void)printf("%s\n  %s%s, %s: %lld cycles, %lld readings, %s MB, looked through from end to "
                 "end\n",
                 f->file, c->info.simulated ? "SIMULATED " : "", c->info.name, c->status,
                 (long long)f->cycles, (long long)f->readings,
                 wn_num_fixed((double)f->bytes / 1e6, 2, mb, sizeof mb));
}

static void tell_failure(struct wane *w, struct job *j, const char *name,
                         const struct wn_error *err)
{
    j->failed++;
    (void)wane_fail(w, err);
    if (j->list != NULL) {
        json_t *o = json_object();
        wane_put(o, "campaign", json_string(name));
        wane_put(o, "error", json_string(err->text));
        (void)json_array_append_new(j->list, o);
    }
}

static void back_up(struct wane *w, struct job *j, const char *name)
{
    struct wane_campaign c;
    struct wn_copy_facts facts = {.bytes = 0};
    struct wn_error err = {0};
    char to[PATH], temporary[PATH];
    const struct wane_args *a = j->a;
    if (wane_open_campaign(w, name, &c) != WANE_DONE) { /* told already */
        j->failed++;
        return;
    }
    /* The name and the status are read; the copy is made through a connection of its own. */
    wane_close_campaign(&c);
    int rc = WN_OK;
    const struct wn_progress progress = progress_of(&j->bar);
    progress_begin(&j->bar, c.info.name, 1);
    if (!name_places(j, &c, to, temporary)) {
        rc = wn_error_set(&err, WN_ERANGE, "%s: the name of the copy is too long", c.path);
    } else if (a->value[ARCHIVE].given) {
        rc = wn_campaign_archive(c.path, to, temporary, a->value[UNFINISHED].given, &progress,
                                 &facts, &err);
        if (rc == WN_ESTATE) {
            (void)wn_error_set(&err, rc,
                               "%s is not over yet, it is %s: make a backup, or archive it as far "
                               "as it is with --unfinished",
                               c.path, c.status);
        }
    } else {
        rc = wn_campaign_copy(c.path, to, temporary, &progress, &facts, &err);
    }
    progress_clear(&j->bar);
    if (rc != WN_OK) {
        tell_failure(w, j, c.info.name, &err);
    } else {
        tell(j, &c, &facts);
    }
}

static int check(struct wane *w, const struct wane_args *a, struct job *j)
{
    const char *output = a->value[OUTPUT].text;
    if (!a->value[OUTPUT].given) {
        return wane_usage(w, "where to? -o DIR or -o FILE is missing");
    }
    if (a->value[ALL].given == (a->operands > 0)) {
        return wane_usage(w, a->operands > 0 ? "--all and names of campaigns do not go together"
                                             : "which campaign? name one, or give --all");
    }
    if (a->value[UNFINISHED].given && !a->value[ARCHIVE].given) {
        return wane_usage(w, "--unfinished goes with --archive; a backup needs no leave");
    }
    j->into_directory = is_directory(output);
    if (!j->into_directory &&
        (a->value[ALL].given || a->operands > 1 || output[strlen(output) - 1] == '/')) {
        struct wn_error err = {0};
        (void)wn_error_set(&err, WN_ENOENT, "%s is no directory: make it first", output);
        return wane_fail(w, &err);
    }
    if (a->value[ALL].given && wane_daemon(w) == NULL) {
        return WANE_FAILED;
    }
    return WANE_DONE;
}

static int run(struct wane *w, const struct wane_args *a)
{
    struct job j = {.a = a};
    struct wane_names names = {0};
    struct wn_error err = {0};
    int rc = check(w, a, &j);
    if (rc == WANE_DONE && a->value[ALL].given &&
        wane_list_campaigns(w->daemon->data_dir, &names, &err) != WN_OK) {
        rc = wane_fail(w, &err);
    }
    if (rc == WANE_DONE && in_data_dir(w, a->value[OUTPUT].text, j.into_directory)) {
        (void)wn_error_set(&err, WN_EINVAL,
                           "%s is where the stations work: copy to another directory, best on "
                           "another disk",
                           w->daemon->data_dir);
        rc = wane_fail(w, &err);
    }
    if (rc == WANE_DONE) {
        j.list = w->json ? json_array() : NULL;
        for (int i = 0; i < a->operands; i++) {
            back_up(w, &j, a->operand[i]);
        }
        for (size_t i = 0; i < names.n; i++) {
            back_up(w, &j, names.path[i]);
        }
        rc = w->json ? wane_print_json(json_pack("{s:o}", "backups", j.list)) : wane_flush();
        rc = rc == WANE_DONE && j.failed > 0 ? WANE_FAILED : rc;
    }
    wane_free_names(&names);
    return rc;
}

const struct wane_command cmd_backup = {
    .name = "backup",
    .synopsis = "(CAMPAIGN... | --all) -o DIR|FILE [--archive [--unfinished]]",
    .summary = "copies of campaigns, also of running ones",
    .text = "Copies campaign files while their stations go on writing: everything committed\n"
            "when the copying began, one file without a log beside it, looked through from\n"
            "end to end, and on the disk when this command says so. Copying the files by\n"
            "hand while a campaign runs gives no backup. Nothing is overwritten; what an\n"
            "interrupted copy leaves behind ends in .new and is taken over by the next.\n"
            "\n"
            "--archive makes the file to keep and to publish of a campaign that is over:\n"
            "without gaps, read-only, and FILE.sha256 beside it for sha256sum --check.\n"
            "All commands read it where it lies.\n"
            "\n"
            "To go on from a backup: stop the service, remove the damaged file with its\n"
            "-wal and -shm, copy the backup in its place under its old name.\n",
    .examples = "  wane backup demo -o /media/stick\n"
                "  wane backup --all -o /srv/backup --json\n"
                "  wane backup demo --archive -o demo-final.wane\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_max = 1000,
    .run = run,
};

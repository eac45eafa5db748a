/* Campaign file: names, directories and disks; nothing here opens a database.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * A file of SQLite is never opened and closed here once SQLite has it: its locks would vanish. */
#define _GNU_SOURCE /* renameat2 */
#include "store/internal.h"

#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

enum { LOCK_TRIES = 40, LOCK_WAIT_MS = 25 };

static int code_of(int error)
{
    switch (error) {
    case ENOENT:
    case ENOTDIR:
        return WN_ENOENT;
    case EEXIST:
        return WN_EEXIST;
    case ENOSPC:
    case EDQUOT:
        return WN_ENOSPACE;
    case EACCES:
    case EPERM:
    case EROFS:
        return WN_EACCESS;
    default:
        return WN_EIO;
    }
}

/* Directory part of path, "." when it has none. */
static int directory_of(const char *path, char *out, size_t size)
{
    const char *slash = strrchr(path, '/');
    int n = slash == NULL
                ? snprintf(out, size, ".")
                : snprintf(out, size, "%.*s", slash > path ? (int)(slash - path) : 1, path);
    return n > 0 && (size_t)n < size ? WN_OK : WN_ERANGE;
}

int place_resolve(const char *path, char *out, size_t size, struct wn_error *err)
{
    char dir[PATH_SIZE];
    const char *slash = strrchr(path, '/');
    const char *base = slash != NULL ? slash + 1 : path;
    if (directory_of(path, dir, sizeof dir) != WN_OK) {
        return wn_error_set(err, WN_ERANGE,
                            "the path of the campaign file is too long: shorten it");
    }
    if (base[0] == '\0') {
        return wn_error_set(err, WN_EINVAL, "%s is a directory: give a file in it", path);
    }
    char *real = realpath(dir, NULL);
    if (real == NULL) {
        int why = errno;
        return wn_error_set(err, code_of(why), "directory %s cannot be used: %s", dir,
                            strerror(why));
    }
    int n = snprintf(out, size, "%s/%s", strcmp(real, "/") == 0 ? "" : real, base);
    free(real);
    if (n < 0 || (size_t)n >= size) {
        return wn_error_set(err, WN_ERANGE, "%s: the path is too long: shorten it", path);
    }
    return WN_OK;
}

/* Who made -wal or -shm as another user locks the service out. */
static int check_companion(const char *path, const char *end, struct wn_error *err)
{
    char name[PATH_SIZE + 8];
    struct stat st;
    (void)snprintf(name, sizeof name, "%s%s", path, end);
    if (lstat(name, &st) != 0 || faccessat(AT_FDCWD, name, R_OK | W_OK, AT_EACCESS) == 0) {
        return WN_OK;
    }
    return wn_error_set(err, WN_EACCESS,
                        "%s cannot be written: user %u made it: give it the owner and the mode of "
                        "%s, and keep the directory closed to others",
                        name, (unsigned)st.st_uid, path);
}

int place_check(const char *path, bool writing, struct wn_error *err)
{
    struct stat st;
    if (lstat(path, &st) != 0) {
        int why = errno;
        return wn_error_set(err, code_of(why), why == ENOENT ? "%s does not exist%s" : "%s: %s",
                            path, why == ENOENT ? "" : strerror(why));
    }
    if (S_ISLNK(st.st_mode)) {
        return wn_error_set(err, WN_EINVAL, "%s is a symbolic link: give the file's own name",
                            path);
    }
    if (S_ISDIR(st.st_mode)) {
        return wn_error_set(err, WN_EINVAL, "%s is a directory: give a campaign file", path);
    }
    if (!S_ISREG(st.st_mode)) {
        return wn_error_set(err, WN_EINVAL, "%s is no regular file: give a campaign file", path);
    }
    if (st.st_size == 0) {
        return wn_error_set(err, WN_EINVAL, "%s is empty: give a campaign file", path);
    }
    if (writing && st.st_nlink > 1) {
        return wn_error_set(err, WN_EINVAL,
                            "%s has a second name (hard link): remove that, one file must have one "
                            "log",
                            path);
    }
    if (faccessat(AT_FDCWD, path, writing ? R_OK | W_OK : R_OK, AT_EACCESS) != 0) {
        int why = errno;
        return wn_error_set(err, code_of(why), "%s cannot be %s: %s: it belongs to user %u", path,
                            writing ? "written" : "read", strerror(why), (unsigned)st.st_uid);
    }
    int rc = writing ? check_companion(path, "-wal", err) : WN_OK;
    return rc == WN_OK && writing ? check_companion(path, "-shm", err) : rc;
}

void place_remove(const char *path)
{
    static const char *const ends[] = {"-journal", "-wal", "-shm", ""};
    for (size_t i = 0; i < sizeof ends / sizeof ends[0]; i++) {
        char name[PATH_SIZE + 16];
        (void)snprintf(name, sizeof name, "%s%s", path, ends[i]);
        (void)unlink(name); /* most of them do not exist */
    }
}

int place_make_new(const char *path, char *temporary, size_t size, struct wn_error *err)
{
    struct stat st;
    if (lstat(path, &st) == 0) {
        return wn_error_set(err, WN_EEXIST,
                            "%s exists already: choose another name, nothing is overwritten", path);
    }
    int n = snprintf(temporary, size, "%s.new", path);
    if (n < 0 || (size_t)n >= size) {
        return wn_error_set(err, WN_ERANGE, "%s: the path is too long: shorten it", path);
    }
    place_remove(temporary);
    int fd = open(temporary, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640);
    if (fd < 0) {
        int why = errno;
        return wn_error_set(err, code_of(why), "%s cannot be made: %s", path, strerror(why));
    }
    (void)close(fd); /* empty, and SQLite has not seen it yet */
    return WN_OK;
}

/* A new name is durable only when its directory is. */
static int sync_directory(const char *path)
{
    char dir[PATH_SIZE];
    if (directory_of(path, dir, sizeof dir) != WN_OK) {
        return ENAMETOOLONG;
    }
    int fd = open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (fd < 0) {
        return errno;
    }
    int why = fsync(fd) == 0 ? 0 : errno;
    (void)close(fd);
    return why == EINVAL ? 0 : why; /* some file systems have no such thing */
}

/* Between programs that make files in the same directory, for a moment. Where there are no locks,
 * or somebody keeps one for long, without. */
static int lock_directory(const char *path)
{
    char dir[PATH_SIZE];
    int fd = directory_of(path, dir, sizeof dir) == WN_OK
                 ? open(dir, O_RDONLY | O_DIRECTORY | O_CLOEXEC)
                 : -1;
    for (int i = 0; fd >= 0 && i < LOCK_TRIES && flock(fd, LOCK_EX | LOCK_NB) != 0; i++) {
        (void)poll(NULL, 0, LOCK_WAIT_MS);
    }
    return fd;
}

static void unlock_directory(int fd)
{
    if (fd >= 0) {
        (void)close(fd);
    }
}

int place_begin(const char *path, const char *temporary, int *fd, struct wn_error *err)
{
    struct stat st;
    int lock = lock_directory(path), why = 0;
    *fd = -1;
    bool there = lstat(path, &st) == 0;
    if (!there) {
        place_remove(temporary);
        *fd = open(temporary, O_RDWR | O_CREAT | O_EXCL | O_CLOEXEC | O_NOFOLLOW, 0640);
        why = *fd < 0 ? errno : 0;
    }
    unlock_directory(lock);
    if (there) {
        return wn_error_set(err, WN_EEXIST,
                            "%s exists already: choose another name, nothing is overwritten", path);
    }
    return why == 0 ? WN_OK
                    : wn_error_set(err, code_of(why), "%s cannot be made: %s", path, strerror(why));
}

int place_finish(int fd, const char *temporary, const char *path, unsigned mode,
                 struct wn_error *err)
{
    struct stat ours, named;
    mode_t mask = umask(0);
    (void)umask(mask);
    if (fchmod(fd, (mode_t)mode & ~mask) != 0 || fsync(fd) != 0 || fstat(fd, &ours) != 0) {
        int why = errno;
        return wn_error_set(err, code_of(why), "%s cannot be made: %s", path, strerror(why));
    }
    int lock = lock_directory(path);
    bool still =
        lstat(temporary, &named) == 0 && named.st_ino == ours.st_ino && named.st_dev == ours.st_dev;
    int rc = still ? place_publish(temporary, path, err)
                   : wn_error_set(err, WN_EBUSY,
                                  "%s: another copy to this name was begun meanwhile: let that one "
                                  "come to its end",
                                  path);
    unlock_directory(lock);
    return rc;
}

int place_publish(const char *temporary, const char *path, struct wn_error *err)
{
    struct stat st;
    int why = renameat2(AT_FDCWD, temporary, AT_FDCWD, path, RENAME_NOREPLACE) == 0 ? 0 : errno;
    if (why == EINVAL || why == ENOSYS) { /* this file system knows only plain renaming */
        why = lstat(path, &st) == 0 ? EEXIST : rename(temporary, path) == 0 ? 0 : errno;
    }
    if (why == 0) {
        why = sync_directory(path);
        if (why == 0) {
            return WN_OK;
        }
        place_remove(path);
    }
    return wn_error_set(err, code_of(why), "%s cannot be made: %s", path, strerror(why));
}

double place_free_bytes(const char *path)
{
    struct statvfs v;
    char dir[PATH_SIZE];
    bool known = statvfs(path, &v) == 0 ||
                 (directory_of(path, dir, sizeof dir) == WN_OK && statvfs(dir, &v) == 0);
    return known ? (double)v.f_bavail * (double)v.f_frsize : (double)NAN;
}

/* A file system that has turned read-only, for a program that is already running: loaded before the
 * C library (LD_PRELOAD). SPDX-License-Identifier: GPL-3.0-or-later
 *
 * While the file named by WANE_READ_ONLY exists, everything that would change a file below the
 * directory named by WANE_READ_ONLY_DIR fails with EROFS: as after the first error of a disk that
 * is mounted with errors=remount-ro. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static bool turned(void)
{
    const char *flag = getenv("WANE_READ_ONLY");
    return flag != NULL && access(flag, F_OK) == 0;
}

static bool below(const char *path)
{
    const char *dir = getenv("WANE_READ_ONLY_DIR");
    return dir != NULL && strncmp(path, dir, strlen(dir)) == 0;
}

static bool refuses(int fd)
{
    char link[64], path[4096];
    if (!turned()) {
        return false;
    }
    (void)snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    path[n > 0 ? n : 0] = '\0';
    return below(path);
}

/* A pointer to a function out of one to data, as POSIX promises it. */
#define REAL(type, name)                                                                           \
    static type real;                                                                              \
    if (real == NULL) {                                                                            \
        *(void **)(void *)&real = dlsym(RTLD_NEXT, name);                                          \
    }

typedef ssize_t (*pwrite_fn)(int, const void *, size_t, off64_t);
typedef int (*fd_fn)(int);
typedef int (*truncate_fn)(int, off64_t);
typedef int (*open_fn)(const char *, int, ...);
typedef int (*fallocate_fn)(int, off64_t, off64_t);

#define REFUSE(fd)                                                                                 \
    do {                                                                                           \
        if (refuses(fd)) {                                                                         \
            errno = EROFS;                                                                         \
            return -1;                                                                             \
        }                                                                                          \
    } while (0)

ssize_t pwrite64(int fd, const void *buf, size_t n, off64_t at)
{
    REAL(pwrite_fn, "pwrite64")
    REFUSE(fd);
    return real(fd, buf, n, at);
}

ssize_t pwrite(int fd, const void *buf, size_t n, off_t at)
{
    return pwrite64(fd, buf, n, at);
}

int ftruncate64(int fd, off64_t size)
{
    REAL(truncate_fn, "ftruncate64")
    REFUSE(fd);
    return real(fd, size);
}

int ftruncate(int fd, off_t size)
{
    return ftruncate64(fd, size);
}

int fsync(int fd)
{
    REAL(fd_fn, "fsync")
    REFUSE(fd);
    return real(fd);
}

int fdatasync(int fd)
{
    REAL(fd_fn, "fdatasync")
    REFUSE(fd);
    return real(fd);
}

int open64(const char *path, int flags, ...)
{
    REAL(open_fn, "open64")
    va_list args;
    va_start(args, flags);
    unsigned mode = (flags & (O_CREAT | O_TMPFILE)) != 0 ? va_arg(args, unsigned) : 0;
    va_end(args);
    if ((flags & (O_WRONLY | O_RDWR | O_CREAT)) != 0 && turned() && below(path)) {
        errno = EROFS;
        return -1;
    }
    return real(path, flags, mode);
}

int open(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    unsigned mode = (flags & (O_CREAT | O_TMPFILE)) != 0 ? va_arg(args, unsigned) : 0;
    va_end(args);
    return open64(path, flags, mode);
}

/* Swarm: the few calls by which the program changes names of files: a ghost changes none, and the
 * disk's model keeps up with them. The linker brings the program's calls here (--wrap).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <string.h>
#include <sys/statvfs.h>

#include "swarm/disk.h"
#include "swarm/host.h"

int __real_open(const char *path, int flags, ...);
int __real_unlink(const char *path);
int __real_rename(const char *from, const char *to);
int __real_renameat2(int fd, const char *from, int to_fd, const char *to, unsigned flags);
int __wrap_open(const char *path, int flags, ...);
int __wrap_unlink(const char *path);
int __wrap_rename(const char *from, const char *to);
int __wrap_renameat2(int fd, const char *from, int to_fd, const char *to, unsigned flags);
int __wrap_statvfs(const char *path, struct statvfs *v);

static bool refused(void)
{
    host_boundary();
    errno = EIO;
    return host_is_dead();
}

int __wrap_open(const char *path, int flags, ...)
{
    va_list args;
    va_start(args, flags);
    unsigned mode = (flags & O_CREAT) != 0 ? va_arg(args, unsigned) : 0;
    va_end(args);
    if ((flags & O_CREAT) != 0 && refused()) {
        return -1;
    }
    return __real_open(path, flags, mode);
}

int __wrap_unlink(const char *path)
{
    if (refused()) {
        return -1;
    }
    disk_name_gone(path);
    return __real_unlink(path);
}

int __wrap_rename(const char *from, const char *to)
{
    int rc = refused() ? -1 : __real_rename(from, to);
    if (rc == 0) {
        disk_name_moved(to);
    }
    return rc;
}

int __wrap_renameat2(int fd, const char *from, int to_fd, const char *to, unsigned flags)
{
    int rc = refused() ? -1 : __real_renameat2(fd, from, to_fd, to, flags);
    if (rc == 0) {
        disk_name_moved(to);
    }
    return rc;
}

int __wrap_statvfs(const char *path, struct statvfs *v)
{
    (void)path;
    memset(v, 0, sizeof *v);
    v->f_frsize = v->f_bsize = 4096;
    v->f_bavail = fault_strikes(FAULT_SPACE_LOW) ? 1000 : 1000000;
    return 0;
}

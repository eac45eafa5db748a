/* Makes a pty pass for a serial port with libserialport 0.1.1: an entry in sysfs, and modem lines.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The functions below take the place of the C library's for the whole test program, libserialport
 * included. All they do not care for goes to the kernel directly. */
#define _GNU_SOURCE
#include "pty_shim.h"

#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

int pty_shim_lines; /* TIOCM_DTR and TIOCM_RTS as last set */
int pty_shim_raised_dtr;

static const char sysfs_prefix[] = "/sys/class/tty/pts/";

static int is_pretended(const char *path)
{
    return strncmp(path, sysfs_prefix, sizeof sysfs_prefix - 1) == 0;
}

static int raw_ioctl(int fd, unsigned long request, void *arg)
{
    return (int)syscall(SYS_ioctl, fd, request, arg);
}

int ioctl(int fd, unsigned long request, ...)
{
    va_list args;
    va_start(args, request);
    void *arg = va_arg(args, void *);
    va_end(args);
    int rc = raw_ioctl(fd, request, arg);
    int lines = request == TIOCMGET || request == TIOCMBIS || request == TIOCMBIC;
    if (rc == 0 || !lines || errno != ENOTTY) {
        return rc; /* a real port, another request, or EIO after a hang-up */
    }
    int *bits = arg;
    if (request == TIOCMGET) {
        *bits = pty_shim_lines | TIOCM_CTS | TIOCM_DSR;
    } else if (request == TIOCMBIS) {
        pty_shim_lines |= *bits;
        pty_shim_raised_dtr += (*bits & TIOCM_DTR) != 0;
    } else {
        pty_shim_lines &= ~*bits;
    }
    return 0;
}

static int pretend_link(struct stat *st)
{
    memset(st, 0, sizeof *st);
    st->st_mode = S_IFLNK | 0777;
    return 0;
}

int lstat(const char *restrict path, struct stat *restrict st)
{
    return is_pretended(path) ? pretend_link(st) : fstatat(AT_FDCWD, path, st, AT_SYMLINK_NOFOLLOW);
}

/* What Debian's libserialport was built against: the lstat() of glibc before 2.33. */
int __lxstat(int version, const char *path, struct stat *st);
int __lxstat(int version, const char *path, struct stat *st)
{
    (void)version;
    return lstat(path, st);
}

ssize_t readlink(const char *restrict path, char *restrict buf, size_t size)
{
    static const char target[] = "../../devices/virtual/tty/pty";
    if (!is_pretended(path)) {
        return readlinkat(AT_FDCWD, path, buf, size);
    }
    size_t n = size < sizeof target - 1 ? size : sizeof target - 1;
    memcpy(buf, target, n);
    return (ssize_t)n;
}

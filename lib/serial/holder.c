/* Who has a port open: read from /proc, without opening the port (that would raise its lines).
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/link_fd.h"

#include <dirent.h>
#include <limits.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>
#include <unistd.h>

#include "base/num.h"
#include "port/address.h"
#include "serial/tcp_address.h"

static const char station_comm[] = "wane-station", guard_comm[] = "wane-guard";

static bool process_holds(const char *pid, const char *path)
{
    char dir[64], link[PATH_MAX + 80], target[PATH_MAX];
    bool holds = false;
    (void)snprintf(dir, sizeof dir, "/proc/%.20s/fd", pid);
    DIR *d = opendir(dir);
    if (d == NULL) {
        return false; /* gone, or another user's */
    }
    for (struct dirent *e = readdir(d); e != NULL && !holds; e = readdir(d)) {
        (void)snprintf(link, sizeof link, "%s/%s", dir, e->d_name);
        ssize_t n = readlink(link, target, sizeof target - 1);
        target[n > 0 ? n : 0] = '\0';
        holds = strcmp(target, path) == 0;
    }
    (void)closedir(d);
    return holds;
}

/* The station that a process is, from its arguments: "--station" and its name behind it. */
static bool name_station(const char *pid, char *name, size_t size)
{
    char file[64], text[1024];
    (void)snprintf(file, sizeof file, "/proc/%.20s/cmdline", pid);
    FILE *f = fopen(file, "re");
    size_t len = f != NULL ? fread(text, 1, sizeof text - 1, f) : 0;
    if (f != NULL) {
        (void)fclose(f);
    }
    text[len] = '\0';
    for (const char *word = text; word < text + len; word += strlen(word) + 1) {
        const char *next = word + strlen(word) + 1;
        if (strcmp(word, "--station") == 0 && next < text + len) {
            (void)snprintf(name, size, "station %.63s", next);
            return true;
        }
    }
    return false;
}

static const char *name_process(const char *pid, char *buf, size_t size)
{
    char comm[80] = "", file[64];
    (void)snprintf(file, sizeof file, "/proc/%.20s/comm", pid);
    FILE *f = fopen(file, "re");
    if (f != NULL) {
        if (fgets(comm, sizeof comm, f) == NULL) {
            comm[0] = '\0';
        }
        (void)fclose(f);
    }
    comm[strcspn(comm, "\n")] = '\0';
    if (strcmp(comm, station_comm) == 0) {
        (void)name_station(pid, comm, sizeof comm);
    }
    (void)snprintf(buf, size, "%s (pid %.20s)", comm[0] != '\0' ? comm : "a program", pid);
    return buf;
}

/* Open descriptors: shows every holder, but only of our own user, or all to root. The guard has a
 * duplicate of what its station has: the station is the answer, the guard only when it is alone. */
static const char *by_descriptor(const char *real, char *buf, size_t size)
{
    const char *found = NULL;
    DIR *d = opendir("/proc");
    if (d == NULL) {
        return NULL;
    }
    for (struct dirent *e = readdir(d);
         e != NULL && (found == NULL || strncmp(found, guard_comm, sizeof guard_comm - 1) == 0);
         e = readdir(d)) {
        int64_t pid;
        if (wn_num_parse_int(e->d_name, strlen(e->d_name), &pid) == WN_OK &&
            process_holds(e->d_name, real)) {
            found = name_process(e->d_name, buf, size);
        }
    }
    (void)closedir(d);
    return found;
}

/* Locks: shows only programs that lock their port, but those of everybody. A line: "1: FLOCK
 * ADVISORY WRITE PID MAJOR:MINOR:INODE 0 EOF". */
const char *port_locker(const char *real, char *buf, size_t size)
{
    struct stat st;
    char line[200], want[64], pid[24];
    const char *found = NULL;
    FILE *f = stat(real, &st) == 0 ? fopen("/proc/locks", "re") : NULL;
    if (f == NULL) {
        return NULL;
    }
    (void)snprintf(want, sizeof want, "%02x:%02x:%llu", major(st.st_dev), minor(st.st_dev),
                   (unsigned long long)st.st_ino);
    while (found == NULL && fgets(line, sizeof line, f) != NULL) {
        char what[64];
        if (sscanf(line, "%*s FLOCK %*s %*s %23s %63s", pid, what) == 2 &&
            strcmp(what, want) == 0) {
            found = name_process(pid, buf, size);
        }
    }
    (void)fclose(f);
    return found;
}

/* A station keeps a name for the server's port it has: see tcp_address_lock(). A line ends with it.
 */
static const char *by_name(const char *address, char *buf, size_t size)
{
    char line[256], want[TCP_LOCK_SIZE + 2];
    const char *found = NULL;
    struct tcp_address a;
    FILE *f = tcp_address_read(&a, address, NULL) == WN_OK ? fopen("/proc/net/unix", "re") : NULL;
    if (f == NULL) {
        return NULL;
    }
    want[0] = ' ';
    want[1] = '@';
    tcp_address_lock_name(&a, want + 2);
    while (found == NULL && fgets(line, sizeof line, f) != NULL) {
        line[strcspn(line, "\n")] = '\0';
        size_t len = strlen(line), n = strlen(want);
        if (len > n && strcmp(line + len - n, want) == 0) {
            (void)snprintf(buf, size, "a program of wane");
            found = buf;
        }
    }
    (void)fclose(f);
    return found;
}

const char *wn_port_holder(const char *real, char *buf, size_t size)
{
    if (wn_address_is_remote(real)) {
        return by_name(real, buf, size);
    }
    const char *found = by_descriptor(real, buf, size);
    return found != NULL ? found : port_locker(real, buf, size);
}

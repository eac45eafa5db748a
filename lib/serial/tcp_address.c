/* Addresses of TCP serial servers, read without asking anybody.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "serial/tcp_address.h"

#include <arpa/inet.h>
#include <errno.h>
#include <stddef.h>
#include <stdio.h>
#include <string.h>
#include <sys/un.h>
#include <unistd.h>

#include "port/address.h"

static bool set_host(struct tcp_address *a, const char *host)
{
    memset(a, 0, sizeof *a);
    if (inet_pton(AF_INET, host, &a->v4.sin_addr) == 1) {
        a->any.sa_family = AF_INET;
        a->len = sizeof a->v4;
        return true;
    }
    if (inet_pton(AF_INET6, host, &a->v6.sin6_addr) == 1) {
        a->any.sa_family = AF_INET6;
        a->len = sizeof a->v6;
        return true;
    }
    return false;
}

/* A line of /etc/hosts: "ADDRESS NAME NAME... # comment". */
static bool line_has(char *line, const char *name)
{
    char *save = NULL;
    line[strcspn(line, "#\n")] = '\0';
    (void)strtok_r(line, " \t", &save);
    for (char *word = strtok_r(NULL, " \t", &save); word != NULL;
         word = strtok_r(NULL, " \t", &save)) {
        if (strcasecmp(word, name) == 0) {
            return true;
        }
    }
    return false;
}

static bool look_up(struct tcp_address *a, const char *name)
{
    char line[512];
    bool found = false;
    FILE *f = fopen("/etc/hosts", "re");
    while (f != NULL && !found && fgets(line, sizeof line, f) != NULL) {
        found = line_has(line, name) && set_host(a, line); /* the address is its first word */
    }
    if (f != NULL) {
        (void)fclose(f);
    }
    return found;
}

int tcp_address_read(struct tcp_address *a, const char *path, struct wn_error *err)
{
    char host[WN_ADDRESS_HOST_SIZE];
    int64_t port = 0;
    int rc = wn_address_split(path, host, &port, err);
    if (rc != WN_OK) {
        return rc;
    }
    if (!set_host(a, host) && !look_up(a, host)) {
        return wn_error_set(
            err, WN_ENOENT,
            "port %s: \"%s\" is no address and does not stand in /etc/hosts: put it "
            "there, or write the address (a look-up elsewhere could take too long)",
            path, host);
    }
    a->v4.sin_port = htons((uint16_t)port); /* in the same place for both families */
    return WN_OK;
}

_Static_assert(offsetof(struct sockaddr_in, sin_port) == offsetof(struct sockaddr_in6, sin6_port),
               "both families have the port in the same place");

void tcp_address_lock_name(const struct tcp_address *a, char name[TCP_LOCK_SIZE])
{
    char host[INET6_ADDRSTRLEN] = "";
    const void *address = a->any.sa_family == AF_INET ? (const void *)&a->v4.sin_addr
                                                      : (const void *)&a->v6.sin6_addr;
    (void)inet_ntop(a->any.sa_family, address, host, sizeof host);
    (void)snprintf(name, TCP_LOCK_SIZE, "wane/port/%s/%u", host, ntohs(a->v4.sin_port));
}

/* A name in the abstract namespace: it goes with the process, and needs no directory. */
int tcp_address_lock(const struct tcp_address *a, const char *path, int *lock, struct wn_error *err)
{
    struct sockaddr_un name = {.sun_family = AF_UNIX};
    tcp_address_lock_name(a, name.sun_path + 1);
    size_t n = strlen(name.sun_path + 1);
    *lock = socket(AF_UNIX, SOCK_DGRAM | SOCK_CLOEXEC, 0);
    socklen_t len = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + 1 + n);
    if (*lock >= 0 && bind(*lock, (const struct sockaddr *)&name, len) == 0) {
        return WN_OK;
    }
    int errnum = errno;
    if (*lock >= 0) {
        (void)close(*lock);
        *lock = -1;
    }
    if (errnum == EADDRINUSE) {
        return wn_error_set(err, WN_EBUSY,
                            "port %s is in use by another program of wane (a station, perhaps): "
                            "stop that first",
                            path);
    }
    return wn_error_set(err, WN_EIO, "port %s cannot be locked: %s", path, strerror(errnum));
}

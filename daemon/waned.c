/* waned: the service. Reads the configuration, says what is wrong with it, and becomes the guard,
 * which knows nothing of it. SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include <errno.h>
#include <getopt.h>
#include <stddef.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "config/config.h"

enum {
    CHILD_SIZE = 100,
    SHARES_MAX = WN_STATIONS_MAX / 2,
    ARGS_MAX = WN_STATIONS_MAX + SHARES_MAX + 8
};

static struct wn_daemon_config config;                /* large */
static struct wn_dialect dialect[WN_INSTRUMENTS_MAX]; /* large */
static struct wn_share_config shared;                 /* large */
static char share_child[WN_SHARES_MAX][CHILD_SIZE];
static int shares;
static struct wn_problems problems;

/* Its share is a child of the guard, too. */
static int read_share(const char *port)
{
    char name[WN_SHARE_NAME_SIZE];
    int rc = wn_config_read_share(&config, port, &shared, &problems);
    if (rc == WN_OK) {
        wn_config_share_name(port, name);
        (void)snprintf(share_child[shares++], CHILD_SIZE, "%s:%d:%d:share", name,
                       (int)(shared.beat_limit_s * 1000), (int)(shared.stop_limit_s * 1000));
    }
    return rc;
}

/* Everything that can be read is read beforehand, so that no error shows up only later. */
static bool read_all(const char *path)
{
    int rc = wn_config_read_daemon(path, &config, &problems);
    for (int i = 0; rc == WN_OK && i < config.stations; i++) {
        rc = wn_config_read_dialects(config.conf_dir, &config.station[i], dialect, &problems);
    }
    const char *port = NULL;
    for (int n = 0; rc == WN_OK && (port = wn_config_shared_port(&config, n)) != NULL; n++) {
        rc = read_share(port);
    }
    wn_problems_print(&problems, stderr, "<3>");
    if (rc != WN_OK || problems.n > 0) {
        (void)fprintf(stderr, "<3>configuration %s is refused, nothing was started\n", path);
    }
    return rc == WN_OK && problems.n == 0;
}

/* The socket systemd listens on, connected: sd_notify(3) without its library. -1 without one. */
static int open_notify(void)
{
    const char *path = getenv("NOTIFY_SOCKET");
    struct sockaddr_un to = {.sun_family = AF_UNIX};
    if (path == NULL || (path[0] != '/' && path[0] != '@') || strlen(path) >= sizeof to.sun_path) {
        return -1;
    }
    memcpy(to.sun_path, path, strlen(path));
    if (path[0] == '@') {
        to.sun_path[0] = '\0';
    }
    int fd = socket(AF_UNIX, SOCK_DGRAM, 0);
    socklen_t len = (socklen_t)(offsetof(struct sockaddr_un, sun_path) + strlen(path));
    if (fd >= 0 && connect(fd, (const struct sockaddr *)&to, len) != 0) {
        (void)close(fd);
        fd = -1;
    }
    (void)unsetenv("NOTIFY_SOCKET"); /* nobody else speaks for the service */
    return fd;
}

/* The other programs lie beside this one. */
static bool find_programs(char *dir, size_t size)
{
    ssize_t n = readlink("/proc/self/exe", dir, size - 1);
    if (n <= 0) {
        return false;
    }
    dir[n] = '\0';
    char *slash = strrchr(dir, '/');
    *slash = '\0';
    return true;
}

static int become_guard(const char *path, bool herald)
{
    static char child[WN_STATIONS_MAX][CHILD_SIZE];
    char dir[400], guard[420], notify[16], full[4096];
    const char *argv[ARGS_MAX] = {"wane-guard", dir, full, notify};
    int n = 4;
    if (!find_programs(dir, sizeof dir) || realpath(path, full) == NULL) {
        (void)fprintf(stderr, "<3>cannot tell where the program lies: %s\n", strerror(errno));
        return 1;
    }
    for (int i = 0; i < shares; i++) { /* before those who ask them */
        argv[n++] = share_child[i];
    }
    for (int i = 0; i < config.stations; i++) {
        const struct wn_station_config *c = &config.station[i];
        (void)snprintf(child[i], CHILD_SIZE, "%s:%d:%d", c->name, (int)(c->beat_limit_s * 1000),
                       (int)(wn_config_stop_limit_s(c) * 1000));
        argv[n++] = child[i];
    }
    if (herald) {
        argv[n++] = "herald";
    }
    argv[n] = NULL;
    (void)snprintf(notify, sizeof notify, "%d", open_notify());
    (void)snprintf(guard, sizeof guard, "%s/wane-guard", dir);
    (void)execv(guard, (char *const *)(uintptr_t)argv); /* execv changes nothing; its type is old */
    (void)fprintf(stderr, "<3>%s: %s; is the installation complete?\n", guard, strerror(errno));
    return 1;
}

static void help(void)
{
    (void)printf("waned: keeps the stations of a cycle-life bench running and safe\n\n"
                 "  waned --config FILE              run in the foreground; log on stderr\n"
                 "  waned --config FILE --check      read the configuration, say what is wrong\n"
                 "  waned --config FILE --no-herald  without the process that delivers alerts:\n"
                 "                                   it runs as a service of its own\n\n"
                 "Without --config: %s\n",
                 WANE_DEFAULT_CONFIG);
}

int main(int argc, char **argv)
{
    static const struct option options[] = {
        {"config", required_argument, NULL, 'c'}, {"check", no_argument, NULL, 'n'},
        {"no-herald", no_argument, NULL, 'q'},    {"help", no_argument, NULL, 'h'},
        {"version", no_argument, NULL, 'V'},      {NULL, 0, NULL, 0}};
    const char *path = WANE_DEFAULT_CONFIG;
    bool check = false, herald = true;
    int o;
    while ((o = getopt_long(argc, argv, "c:nhV", options, NULL)) != -1) {
        switch (o) {
        case 'c':
            path = optarg;
            break;
        case 'n':
            check = true;
            break;
        case 'q':
            herald = false;
            break;
        case 'h':
            help();
            return 0;
        case 'V':
            (void)printf("waned %s\n", WANE_VERSION);
            return 0;
        default:
            return 2;
        }
    }
    if (optind != argc) {
        return 2;
    }
    if (!read_all(path)) {
        return 1;
    }
    return check ? 0 : become_guard(path, herald);
}

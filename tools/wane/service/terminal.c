/* The terminal as a screen: taken over, watched for keys and for its size, given back.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _GNU_SOURCE
#include "terminal.h"

#include <errno.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

/* Alternate screen, no cursor, no wrapping at the margin; and back. */
#define TAKE "\033[?1049h\033[?25l\033[?7l\033[H\033[2J"
#define GIVE "\033[0m\033[?7h\033[?25h\033[?1049l"

static const int signals[] = {SIGINT, SIGTERM, SIGHUP, SIGQUIT, SIGWINCH, SIGTSTP};
static volatile sig_atomic_t ended, resized, stopped;
static struct termios before;
static bool changed; /* before is to be restored */
static bool keys;    /* somebody may press some */
static char unread[64];
static size_t unread_n;

static void on_signal(int number)
{
    if (number == SIGWINCH) {
        resized = 1;
    } else if (number == SIGTSTP) {
        stopped = 1;
    } else {
        ended = 1;
    }
}

static void take(void)
{
    struct termios tio;
    keys = tcgetattr(STDIN_FILENO, &before) == 0;
    if (keys) {
        tio = before;
        tio.c_lflag &= ~(tcflag_t)(ICANON | ECHO);
        tio.c_cc[VMIN] = 1;
        tio.c_cc[VTIME] = 0;
        changed = tcsetattr(STDIN_FILENO, TCSANOW, &tio) == 0;
    }
    (void)terminal_write(TAKE, sizeof TAKE - 1);
}

/* Also when it was just told to end: one try that nothing but another signal interrupts. */
static void give(void)
{
    const char *at = GIVE;
    size_t left = sizeof GIVE - 1;
    for (ssize_t n = 1; left > 0 && n > 0; at += n, left -= (size_t)n) {
        n = write(STDOUT_FILENO, at, left);
        n = n < 0 ? 0 : n;
    }
    if (changed) {
        (void)tcsetattr(STDIN_FILENO, TCSANOW, &before);
        changed = false;
    }
}

void terminal_enter(void)
{
    struct sigaction act;
    memset(&act, 0, sizeof act);
    act.sa_handler = on_signal; /* without SA_RESTART: a write that waits is given up */
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++) {
        (void)sigaction(signals[i], &act, NULL);
    }
    take();
}

void terminal_leave(void)
{
    give();
}

int terminal_write(const char *text, size_t len)
{
    while (len > 0) {
        ssize_t n = write(STDOUT_FILENO, text, len);
        if (n < 0 && (errno != EINTR || ended)) {
            return -1;
        }
        text += n > 0 ? n : 0;
        len -= n > 0 ? (size_t)n : 0;
    }
    return 0;
}

/* The first key of what was read; TERMINAL_TIME when it is none of ours. */
static enum terminal_event take_key(void)
{
    static const struct {
        const char *sequence;
        enum terminal_event event;
    } known[] = {
        {"q", TERMINAL_LEAVE},   {"Q", TERMINAL_LEAVE},        {"\004", TERMINAL_LEAVE},
        {"k", TERMINAL_UP},      {"\033[A", TERMINAL_UP},      {"\033OA", TERMINAL_UP},
        {"j", TERMINAL_DOWN},    {"\033[B", TERMINAL_DOWN},    {"\033OB", TERMINAL_DOWN},
        {"\n", TERMINAL_DOWN},   {" ", TERMINAL_PAGE_DOWN},    {"\033[6~", TERMINAL_PAGE_DOWN},
        {"b", TERMINAL_PAGE_UP}, {"\033[5~", TERMINAL_PAGE_UP}};
    size_t n = 1;
    enum terminal_event event = TERMINAL_TIME;
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        size_t len = strlen(known[i].sequence);
        if (len <= unread_n && memcmp(unread, known[i].sequence, len) == 0) {
            event = known[i].event;
            n = len;
        }
    }
    unread_n -= n;
    memmove(unread, unread + n, unread_n);
    return event;
}

static enum terminal_event next_key(void)
{
    enum terminal_event event = TERMINAL_TIME;
    while (unread_n > 0 && event == TERMINAL_TIME) {
        event = take_key();
    }
    return event;
}

/* Stops for real, with the terminal as it was; goes on as if nothing had been. */
static void stop_here(void)
{
    stopped = 0;
    give();
    (void)raise(SIGSTOP);
    take();
    resized = 1;
}

enum terminal_event terminal_wait(int ms)
{
    struct timespec limit = {ms / 1000, (long)(ms % 1000) * 1000000};
    sigset_t ours, outside;
    struct pollfd p = {keys ? STDIN_FILENO : -1, POLLIN, 0};
    if (unread_n > 0) {
        return next_key();
    }
    (void)sigemptyset(&ours);
    for (size_t i = 0; i < sizeof signals / sizeof signals[0]; i++) {
        (void)sigaddset(&ours, signals[i]);
    }
    (void)sigprocmask(SIG_BLOCK, &ours, &outside); /* from the look at the flags to the wait */
    int n = ended || resized || stopped ? 0 : ppoll(&p, 1, &limit, &outside);
    (void)sigprocmask(SIG_SETMASK, &outside, NULL);
    if (n > 0 && !ended) {
        ssize_t got = read(STDIN_FILENO, unread, sizeof unread);
        keys = got > 0 || (got < 0 && errno == EINTR);
        ended = ended || (!keys && isatty(STDOUT_FILENO) == 0);
        unread_n = got > 0 ? (size_t)got : 0;
    }
    if (ended) {
        return TERMINAL_LEAVE;
    }
    if (stopped) {
        stop_here();
    }
    if (resized) {
        resized = 0;
        return TERMINAL_RESIZED;
    }
    return next_key();
}

/* The last words of a broken contract.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#define _POSIX_C_SOURCE 200809L
#include "base/assert.h"

#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* No stdio here: the program is already broken, and the guard may be in a signal handler. */
static void put(const char *text)
{
    size_t left = strlen(text);
    while (left > 0) {
        ssize_t n = write(STDERR_FILENO, text, left);
        if (n <= 0) {
            return; /* nobody is listening; abort() must still happen */
        }
        text += n;
        left -= (size_t)n;
    }
}

_Noreturn void wn_assert_failed(const char *expr, const char *file, int line)
{
    char digits[12];
    size_t at = sizeof digits;
    unsigned rest = line > 0 ? (unsigned)line : 0;

    digits[--at] = '\0';
    do {
        digits[--at] = (char)('0' + rest % 10);
        rest /= 10;
    } while (rest > 0);

    put(file);
    put(":");
    put(&digits[at]);
    put(": internal error: broken contract: ");
    put(expr);
    put("\n");
    abort();
}

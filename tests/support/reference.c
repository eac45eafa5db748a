/* The published data some tests read.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "support/reference.h"

#include <stdlib.h>
#include <string.h>

#include "base/err.h"
#include "base/num.h"
#include "support/near.h"

static const char *directory(void)
{
    const char *d = getenv("WANE_REFERENCE_DIR");
    return d != NULL ? d : WANE_SOURCE_DIR "/../shared/reference";
}

static FILE *try_open(const char *name)
{
    char path[1024];
    (void)snprintf(path, sizeof path, "%s/%s", directory(), name);
    return fopen(path, "re");
}

FILE *reference_open(const char *name)
{
    FILE *f = try_open(name);
    if (f == NULL) {
        fail_msg("%s/%s cannot be opened", directory(), name);
    }
    return f;
}

bool reference_is_missing(const char *name)
{
    FILE *f = try_open(name);
    if (f == NULL) {
        (void)printf("SKIP: no %s in %s (set WANE_REFERENCE_DIR)\n", name, directory());
        return true;
    }
    (void)fclose(f);
    return false;
}

int reference_row(const char *line, double *value, int n)
{
    int fields = 0;
    for (const char *field = line; field != NULL && fields < n; fields++) {
        size_t len = strcspn(field, ",\r\n");
        if (wn_num_parse(field, len, &value[fields]) != WN_OK) {
            value[fields] = NAN;
        }
        field = field[len] == ',' ? field + len + 1 : NULL;
    }
    return fields;
}

/* Fleet: what the database's error codes mean, and what to do.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Codes after PostgreSQL's manual, appendix "Error Codes"; the first two characters are the class.
 */
#include "fleet/table.h"

#include <stdio.h>
#include <string.h>

static const struct row {
    const char *state; /* a code, or a class */
    struct fleet_fault fault;
} rows[] = {
    {"28",
     {WN_EACCESS,
      "look at user in the connection, at its entry in the libpq password file, and at the "
      "server's pg_hba.conf"}},
    {"3D000", {WN_ENOENT, "make the database on the server (createdb), or correct dbname"}},
    {"3F000", {WN_ENOENT, "make the tables: wane publish --prepare"}},
    {"42P01", {WN_ENOENT, "make the tables: wane publish --prepare"}},
    {"42P06",
     {WN_EEXIST, "the database has a schema wane that this did not make: take another database"}},
    {"42P10",
     {WN_ESTATE, "the tables were changed by hand: their keys must be those of contrib/fleet"}},
    {"42703",
     {WN_ESTATE, "the tables were changed by hand: their columns must be those of contrib/fleet"}},
    {"42804",
     {WN_ESTATE, "the tables were changed by hand: their columns must be those of contrib/fleet"}},
    {"42501",
     {WN_EACCESS, "its owner must grant that to this user: contrib/fleet/roles.sql shows how"}},
    {"25006",
     {WN_EACCESS, "this server only reads: name the primary (target_session_attrs=read-write)"}},
    {"22021", {WN_EINVAL, "the database needs the encoding UTF8 (createdb -E UTF8)"}},
    {"22P05", {WN_EINVAL, "the database needs the encoding UTF8 (createdb -E UTF8)"}},
    {"23", {WN_ESTATE, "rows were taken away at the same time: run it again"}},
    {"40", {WN_EBUSY, "somebody else was faster: run it again"}},
    {"53100",
     {WN_ENOSPACE, "make room on the server's disk, then run it again: it goes on where it was"}},
    {"53", {WN_EUNREACHABLE, "the server has no more connections or memory: try later"}},
    {"55P03", {WN_ETIMEOUT, "somebody holds these rows: run it again"}},
    {"57014",
     {WN_ETIMEOUT, "the server was too slow, or somebody has cancelled it: run it again, it goes "
                   "on where it was"}},
    {"57", {WN_EUNREACHABLE, "run it again when the server is back: it goes on where it was"}},
    {"08", {WN_EUNREACHABLE, "run it again: it goes on where it was"}},
};

struct fleet_fault fleet_fault_of(const char *sqlstate)
{
    struct fleet_fault other = {WN_EIO, "look into the server's log"};
    for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        if (strncmp(rows[i].state, sqlstate, strlen(rows[i].state)) == 0) {
            return rows[i].fault;
        }
    }
    return other;
}

/* With a digit: "FATAL: " is none. */
static bool is_state(const char *s)
{
    return strspn(s, "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ") == 5 && strcspn(s, "0123456789") < 5 &&
           s[5] == ':' && s[6] == ' ';
}

/* One line: breaks and tabs become single blanks. */
static void one_line(const char *from, size_t n, char *out, size_t size)
{
    size_t at = 0;
    for (size_t i = 0; i < n && at + 1 < size; i++) {
        bool blank = (unsigned char)from[i] <= ' ';
        if (!blank) {
            out[at++] = from[i];
        } else if (at > 0 && out[at - 1] != ' ') {
            out[at++] = ' ';
        }
    }
    at -= at > 0 && out[at - 1] == ' ';
    out[at] = '\0';
}

void fleet_split_refusal(const char *text, char state[6], char *out, size_t size)
{
    size_t n = strlen(text);
    char copy[1000];
    state[0] = '\0';
    for (const char *s = text; (s = strstr(s, ": ")) != NULL; s++) {
        const char *code = s + 2 + strspn(s + 2, " ");
        if (is_state(code)) { /* what follows in further lines is where in the server's source */
            memcpy(state, code, 5);
            state[5] = '\0';
            n = (size_t)(code - text) + 7;
            (void)snprintf(copy, sizeof copy, "%.*s%.*s", (int)(code - text), text,
                           (int)strcspn(text + n, "\n"), text + n);
            one_line(copy, strlen(copy), out, size);
            return;
        }
    }
    one_line(text, n, out, size);
}

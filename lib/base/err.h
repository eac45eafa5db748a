/* Errors: one list, one context structure, one reaction class per code.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Functions return int: WN_OK (0) or one of the negative codes below. The lowest level fills the
 * caller's struct wn_error; each level above may put a prefix in front; the program at the rim
 * prints it once.
 * A text says what happened, where (file:line, port, cycle) and what to do next. */
#ifndef WN_BASE_ERR_H
#define WN_BASE_ERR_H

#include <stdarg.h>

enum wn_err_class {
    WN_CLASS_REJECT,    /* tell the caller; nothing changed */
    WN_CLASS_TRANSIENT, /* try again until the deadline */
    WN_CLASS_FAULT,     /* the station must go to its safe state */
    WN_CLASS_FATAL      /* everything safe, then exit */
};

/* name, value, class, text */
#define WN_ERR_LIST(X)                                                                             \
    X(EINVAL, -1, REJECT, "not valid")                                                             \
    X(ERANGE, -2, REJECT, "out of range")                                                          \
    X(EUNIT, -3, REJECT, "wrong or missing unit")                                                  \
    X(ESYNTAX, -4, REJECT, "cannot be read")                                                       \
    X(EUNKNOWN, -5, REJECT, "not known")                                                           \
    X(EMISSING, -6, REJECT, "missing")                                                             \
    X(EEXIST, -7, REJECT, "exists already")                                                        \
    X(ENOENT, -8, REJECT, "does not exist")                                                        \
    X(EACCESS, -9, REJECT, "not permitted")                                                        \
    X(EBUSY, -10, REJECT, "in use")                                                                \
    X(ESTATE, -11, REJECT, "not possible in this state")                                           \
    X(ENOSPACE, -12, FAULT, "no space left")                                                       \
    X(EIO, -13, FAULT, "input/output error")                                                       \
    X(EGONE, -14, FAULT, "port is gone")                                                           \
    X(ETIMEOUT, -15, TRANSIENT, "no answer in time")                                               \
    X(EFRAME, -16, TRANSIENT, "reply is garbled")                                                  \
    X(EIDENTITY, -17, FAULT, "wrong instrument")                                                   \
    X(EREADBACK, -18, FAULT, "read-back differs from what was set")                                \
    X(EINSTRUMENT, -19, FAULT, "instrument reports an error")                                      \
    X(ENEWER, -20, REJECT, "made by a newer version")                                              \
    X(ECORRUPT, -21, FAULT, "file is damaged")                                                     \
    X(ENOMEM, -22, FATAL, "out of memory")                                                         \
    X(EGUARD, -23, FATAL, "guard is lost")                                                         \
    X(EUNREACHABLE, -24, REJECT, "service cannot be reached")                                      \
    X(EBUG, -25, FATAL, "internal error")

enum wn_err {
    WN_OK = 0,
#define WN_ERR_ENUM(name, value, class, text) WN_##name = (value),
    WN_ERR_LIST(WN_ERR_ENUM)
#undef WN_ERR_ENUM
};

struct wn_error {
    int code;       /* WN_OK or a negative code */
    char text[400]; /* empty when code is WN_OK */
};

/** Fills *e (which may be NULL) and returns code, so that `return wn_error_set(...)` reads well. A
 * text that does not fit ends in "...". WN_OK is no error: it is replaced by WN_EBUG, so that a
 * failure stays one. */
int wn_error_set(struct wn_error *e, int code, const char *fmt, ...)
    __attribute__((format(printf, 3, 4)));

/** Puts "prefix: " in front of the text (of wn_err_text() when it is empty) and returns e->code;
 * WN_EBUG when e is NULL or holds no error. The arguments may point into e->text. */
int wn_error_prefix(struct wn_error *e, const char *fmt, ...) __attribute__((format(printf, 2, 3)));

/** Back to WN_OK and no text; e may be NULL. */
void wn_error_clear(struct wn_error *e);

/** Short text of a code; never NULL. */
const char *wn_err_text(int code);

/** Reaction class of a code; an unknown code, and WN_OK, which has none, is WN_CLASS_FATAL. */
enum wn_err_class wn_err_class(int code);

#endif

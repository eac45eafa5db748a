/* Register maps: what stands in which register of a MODBUS instrument, and what is written when.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Every register has a name; all else refers to it. Numbers are in the register's own unit: what
 * stands in it times scale plus offset. What is written in the set-up and for an output mode is
 * read back, unless the register says that it cannot be.
 *
 * A part of a register (some of its bits) is written by reading the whole, and writing it back with
 * these changed; each time, and nothing in between. What the instrument changes of the rest
 * meanwhile is undone: so not before a reading, while the output is on, and not in off, which the
 * guard writes without reading. It is always read back. */
#ifndef WN_INSTRUMENT_MODBUS_MAP_H
#define WN_INSTRUMENT_MODBUS_MAP_H

#include "base/err.h"
#include "base/reading.h"
#include "wire/modbus.h"

struct wn_dialect;
struct wn_setpoints;

enum {
    WN_MAP_REGISTERS_MAX = 64,
    WN_MAP_WRITES_MAX = 12, /* of one sequence */
    WN_MAP_SPANS_MAX = 12,  /* reads of one purpose */
    WN_MAP_IDENTITY_MAX = 6,
    WN_MAP_FIELDS = 7, /* values of enum wn_field */
    WN_MAP_TEXT_SIZE = 64,
    WN_MAP_NAME_SIZE = 32
};

struct wn_map_register {
    char name[WN_MAP_NAME_SIZE];
    struct wn_modbus_value value;
    enum wn_modbus_function write; /* 5, 6, 15 or 16; 0: it is only read */
    uint16_t text_length;          /* > 0: a text, in so many registers of two characters */
    uint16_t channel_step;         /* > 0: that of the next output stands so much higher */
    bool no_readback;              /* a command, or something that reads otherwise than written */
    double tolerance;              /* of a read-back, in the register's unit; 0: none given */
    bool has_no_value;
    double no_value; /* the number, before scale and offset, that means "nothing measured" */
};

/** When something is written. */
enum wn_map_when {
    WN_MAP_SETUP,
    WN_MAP_CHARGE,
    WN_MAP_DISCHARGE,
    WN_MAP_POWER,
    WN_MAP_ON,
    WN_MAP_OFF,
    WN_MAP_BEFORE_READ, /* of a reading; not again while it is the same */
    WN_MAP_WHENS
};

struct wn_map_write {
    int reg;
    char value[WN_MAP_NAME_SIZE]; /* a set-point's name; "": the number */
    double number;
};

struct wn_map_sequence {
    struct wn_map_write write[WN_MAP_WRITES_MAX];
    int writes;
    struct wn_modbus_span back[WN_MAP_SPANS_MAX]; /* that read it back, of on only parts of
                                                     registers; made by prepare */
    size_t backs;
};

/** A register that must hold this number, or a text that begins so; any: it is only reported. */
struct wn_map_identity {
    int reg;
    bool any;
    double number;
    char text[WN_MAP_TEXT_SIZE];
};

struct wn_modbus_map {
    uint8_t unit;
    int gap_max; /* registers nobody wants that may be read along */
    struct wn_map_register reg[WN_MAP_REGISTERS_MAX];
    int regs;
    struct wn_map_identity identity[WN_MAP_IDENTITY_MAX];
    int identities;
    struct wn_map_sequence when[WN_MAP_WHENS];
    bool has_output, has_fault;
    int output, fault; /* registers */
    double output_off; /* what output holds when off */
    uint32_t fault_mask;
    bool has_field[WN_MAP_FIELDS];
    int field[WN_MAP_FIELDS]; /* registers of a reading, by enum wn_field */
    /* made by prepare: */
    struct wn_modbus_span identity_span[WN_MAP_SPANS_MAX], read_span[WN_MAP_SPANS_MAX];
    size_t identity_spans, read_spans;
    struct wn_modbus_span probe; /* a read whose answer looks like no other's; of the identity, if
                                    there is such a part of it */
};

/** "setup", "charge", ... as in a file. */
const char *wn_map_when_name(enum wn_map_when when);
/** Number of the register of this name; -1 there is none. */
int wn_map_find(const struct wn_modbus_map *m, const char *name);

/** Can there be such a register? WN_EINVAL, WN_ERANGE. The text names no file. */
int wn_map_check_register(const struct wn_map_register *r, struct wn_error *err);
/** Can this be written then? WN_EINVAL, WN_ERANGE. The text names no file. */
int wn_map_check_write(const struct wn_modbus_map *m, enum wn_map_when when,
                       const struct wn_map_write *w, struct wn_error *err);
/** Can the guard compare the answer? WN_EINVAL. The text names no file. */
int wn_map_check_output(const struct wn_modbus_map *m, struct wn_error *err);

/** Works out the reads, the probe and d->safe_off of a map read from a file. WN_EINVAL, WN_ENOSPACE
 * with a text that names no file. */
int wn_map_prepare(struct wn_dialect *d, struct wn_error *err);
/** Puts the unit (0: the file's) and the number of an output (0: there is one) into a map that was
 * prepared. WN_EINVAL it has no such registers, or needs a number; WN_ERANGE. Texts name d->file.
 */
int wn_map_place(struct wn_dialect *d, int unit, int channel, struct wn_error *err);
/** Is an answer to the probe of this map unlike those to all reads of the other one? */
bool wn_map_probe_serves(const struct wn_modbus_map *probing, const struct wn_modbus_map *other);
/** Is a part of a register written? */
bool wn_map_writes_parts(const struct wn_modbus_map *m);
/** The name of a register by which two outputs of one unit would set or switch each other; NULL:
 * there is none. What is written at a setup, or by off, they may have in common. */
const char *wn_map_common(const struct wn_modbus_map *m, const struct wn_modbus_map *other);
/** Is the whole of it possible? Texts name d->file. */
int wn_map_validate(const struct wn_dialect *d, struct wn_error *err);

/** The request for a read; values NULL. */
struct wn_modbus_request wn_map_read(const struct wn_modbus_map *m,
                                     const struct wn_modbus_span *span);
/** The number a write stands for: WN_EINVAL there is none now. */
int wn_map_number(const struct wn_map_write *w, const struct wn_setpoints *sp, double *number,
                  struct wn_error *err);
/** The request for a write of this number; its value goes into values, which for a part of a
 * register hold what was read of the whole. WN_ERANGE: it does not fit, or comes out further off
 * than a read-back may be. */
int wn_map_write(const struct wn_modbus_map *m, const struct wn_map_write *w, double number,
                 uint16_t values[2], struct wn_modbus_request *q, struct wn_error *err);
/** Does the later of two writes of a sequence change what the other has written? */
bool wn_map_writes_over(const struct wn_modbus_map *m, const struct wn_map_write *later,
                        const struct wn_map_write *w);
/** How far what is read back may be from the number that was written. */
double wn_map_tolerance(const struct wn_modbus_map *m, const struct wn_map_write *w, double number);

/** A register out of a reply to a read of this span. *has false: it holds no value, by its own
 * word (no_value, or a float that is no number). */
int wn_map_value(const struct wn_map_register *r, const struct wn_modbus_span *span,
                 const struct wn_modbus_reply *reply, bool *has, double *value,
                 struct wn_error *err);
/** The text of a register out of such a reply: without blanks and zeros at its end, what is no
 * ASCII as '?'. */
void wn_map_text(const struct wn_map_register *r, const struct wn_modbus_span *span,
                 const struct wn_modbus_reply *reply, char text[WN_MAP_TEXT_SIZE]);
/** Is the register, whole, in this read? */
bool wn_map_holds(const struct wn_modbus_span *span, const struct wn_map_register *r);
/** Puts what the span brings of a reading into *out, which keeps the rest. WN_EFRAME. */
int wn_map_decode(const struct wn_dialect *d, const struct wn_modbus_span *span,
                  const struct wn_modbus_reply *reply, struct wn_reading *out,
                  struct wn_error *err);

/** The guard's question whether the output is off, and the whole reply that says so. WN_ENOSPACE.
 */
int wn_map_off_query(const struct wn_dialect *d, uint8_t *query, size_t query_size,
                     size_t *query_len, uint8_t *reply, size_t reply_size, size_t *reply_len,
                     struct wn_error *err);

#endif

/* Configuration: one value against its row of the table.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "config/reader.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "base/assert.h"
#include "base/num.h"

static const char *type_name(const config_setting_t *s)
{
    switch (config_setting_type(s)) {
    case CONFIG_TYPE_GROUP:
        return "a group";
    case CONFIG_TYPE_INT:
    case CONFIG_TYPE_INT64:
        return "an integer";
    case CONFIG_TYPE_FLOAT:
        return "a number";
    case CONFIG_TYPE_STRING:
        return "a text";
    case CONFIG_TYPE_BOOL:
        return "true or false";
    case CONFIG_TYPE_ARRAY:
        return "an array";
    case CONFIG_TYPE_LIST:
        return "a list";
    default:
        return "nothing";
    }
}

static bool is_example(const struct wn_key *key, const struct wn_key_word *w)
{
    size_t n = strlen(w->word);
    return strlen(key->example) == n + 2 && strncmp(key->example + 1, w->word, n) == 0;
}

/* What to write instead: the example, then the words that may stand there too: "4 A", "datasheet"
 * or "claim". */
static const char *remedy(const struct wn_key *key, char *out, size_t size)
{
    const struct wn_key_word *w, *last = NULL;
    for (w = key->words; w != NULL && w->word != NULL; w++) {
        last = is_example(key, w) ? last : w;
    }
    size_t used = (size_t)snprintf(out, size, "%s", key->example);
    for (w = key->words; w != NULL && w->word != NULL && used < size; w++) {
        if (!is_example(key, w)) {
            used += (size_t)snprintf(out + used, size - used, "%s\"%s\"", w == last ? " or " : ", ",
                                     w->word);
        }
    }
    return out;
}

static void wrong_type(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       const char *wanted)
{
    char what[160];
    wn_reader_fail(r, s, "is %s where %s is wanted; write %s = %s;", type_name(s), wanted,
                   key->name, remedy(key, what, sizeof what));
}

/* The integer of a setting; false when it is none. INT and INT64 only: a 4.7 is never taken for 4.
 */
static bool get_integer(const config_setting_t *s, int64_t *out)
{
    int type = config_setting_type(s);
    if (type == CONFIG_TYPE_INT) {
        *out = config_setting_get_int(s);
    } else if (type == CONFIG_TYPE_INT64) {
        *out = config_setting_get_int64(s);
    } else {
        return false;
    }
    return true;
}

static bool get_number(const config_setting_t *s, double *out)
{
    int64_t i;
    if (get_integer(s, &i)) {
        *out = (double)i;
        return true;
    }
    if (config_setting_type(s) == CONFIG_TYPE_FLOAT) {
        *out = config_setting_get_float(s);
        return true;
    }
    return false;
}

enum word_result { WORD_NONE, WORD_TAKEN, WORD_REFUSED };

static const struct wn_key_word *find_word(const struct wn_key *key, const char *text)
{
    for (const struct wn_key_word *w = key->words; w != NULL && w->word != NULL; w++) {
        if (strcmp(w->word, text) == 0) {
            return w;
        }
    }
    return NULL;
}

/* A word instead of a value: its own value, or one of the cell's. */
static enum word_result take_word(struct wn_reader *r, const config_setting_t *s,
                                  const struct wn_key *key, double *value, int64_t *count)
{
    const char *text = config_setting_get_string(s);
    const struct wn_key_word *w = text == NULL ? NULL : find_word(key, text);
    if (w == NULL) {
        return WORD_NONE;
    }
    if (w->cell_offset == 0) {
        *value = w->value;
        *count = (int64_t)(isfinite(w->value) ? w->value : 0);
        return WORD_TAKEN;
    }
    wn_assert(r->cell != NULL);
    if (strcmp(w->word, "claim") == 0 && r->cell->claim.cycles == 0) {
        wn_reader_fail(
            r, s,
            "\"claim\" has no meaning: the datasheet of cell %s claims nothing; write a value, or "
            "add claim = { ... } to the cell's file",
            r->cell->name);
        return WORD_REFUSED;
    }
    const char *at = (const char *)r->cell + w->cell_offset;
    if (key->kind == WN_KEY_QUANTITY) {
        memcpy(value, at, sizeof *value);
    } else {
        memcpy(count, at, sizeof *count);
    }
    return WORD_TAKEN;
}

/* The text of a quantity; a bare number is written out, so that wn_qty_parse() can say which unit
 * it lacks. */
static const char *quantity_text(const config_setting_t *s, char *buf, size_t size)
{
    double number;
    const char *text = config_setting_get_string(s);
    if (text == NULL && get_number(s, &number)) {
        text = wn_num_format(number, 15, buf, size);
    }
    return text;
}

static bool in_range(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                     double value)
{
    char low[WN_QTY_SIZE], high[WN_QTY_SIZE], is[WN_QTY_SIZE];
    if (value >= key->min && value <= key->max) {
        return true;
    }
    wn_reader_fail(r, s, "%s is outside %s to %s; write for example %s",
                   wn_qty_format(value, key->dim, is, sizeof is),
                   wn_qty_format(key->min, key->dim, low, sizeof low),
                   wn_qty_format(key->max, key->dim, high, sizeof high), key->example);
    return false;
}

static void read_quantity(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                          void *target)
{
    char number[WN_NUM_SIZE], what[160] = "";
    struct wn_error err;
    struct wn_qty qty = {0, 0};
    double value = 0;
    int64_t count;
    enum word_result word = take_word(r, s, key, &value, &count);
    if (word == WORD_REFUSED) {
        return;
    }
    if (word == WORD_TAKEN) {
        memcpy((char *)target + key->offset, &value, sizeof value);
        return;
    }
    const char *text = quantity_text(s, number, sizeof number);
    if (text == NULL) {
        (void)snprintf(what, sizeof what, "a %s", wn_dim_name(key->dim));
        wrong_type(r, s, key, what);
        return;
    }
    if (wn_qty_parse(text, key->dim, &qty, &err) != WN_OK) {
        const char *near = wn_nearest_word(key->words, text);
        wn_reader_fail(r, s, "%s%s%s%s", err.text, near == NULL ? "" : "; or did you mean \"",
                       near == NULL ? "" : near, near == NULL ? "" : "\"?");
        return;
    }
    if (qty.is_it) {
        if (r->rated_ah != NULL && !isfinite(*r->rated_ah)) {
            return; /* it has its own complaint already */
        }
        if (r->rated_ah == NULL) {
            wn_reader_fail(
                r, s,
                "\"%s\" is relative to a cell's rated capacity, which is not known here; write %s",
                text, key->example);
            return;
        }
        qty.value *= *r->rated_ah;
    }
    if (in_range(r, s, key, qty.value)) {
        memcpy((char *)target + key->offset, &qty.value, sizeof qty.value);
    }
}

static void store_count(const struct wn_key *key, int64_t value, void *target)
{
    char *at = (char *)target + key->offset;
    int narrow = (int)value;
    unsigned char byte = (unsigned char)value;
    if (key->kind == WN_KEY_COUNT64) {
        memcpy(at, &value, sizeof value);
    } else if (key->kind == WN_KEY_COUNT) {
        memcpy(at, &narrow, sizeof narrow);
    } else {
        memcpy(at, &byte, sizeof byte);
    }
}

static void read_count(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                       void *target)
{
    double value = 0;
    int64_t count = 0;
    switch (take_word(r, s, key, &value, &count)) {
    case WORD_REFUSED:
        return;
    case WORD_TAKEN:
        store_count(key, count, target);
        return;
    case WORD_NONE:
        break;
    }
    if (!get_integer(s, &count)) {
        wrong_type(r, s, key, "a whole number without quotes");
        return;
    }
    if ((double)count < key->min || (double)count > key->max) {
        char low[WN_NUM_SIZE], high[WN_NUM_SIZE];
        wn_reader_fail(r, s, "%lld is outside %s to %s; write for example %s", (long long)count,
                       wn_num_format(key->min, 15, low, sizeof low),
                       wn_num_format(key->max, 15, high, sizeof high), key->example);
        return;
    }
    store_count(key, count, target);
}

static void read_number(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                        void *target)
{
    double value;
    if (!get_number(s, &value)) {
        wrong_type(r, s, key, "a number without quotes");
        return;
    }
    if (!(value >= key->min && value <= key->max)) { /* libconfig reads 1e400 as infinity */
        wn_reader_fail(r, s, "the number is out of range; write for example %s", key->example);
        return;
    }
    memcpy((char *)target + key->offset, &value, sizeof value);
}

static bool has_control(const char *text)
{
    for (; *text != '\0'; text++) {
        unsigned char c = (unsigned char)*text;
        if (c < 0x20 || c == 0x7f) {
            return true;
        }
    }
    return false;
}

static void read_text(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    const char *text = config_setting_get_string(s);
    if (config_setting_type(s) != CONFIG_TYPE_STRING || text == NULL) {
        wrong_type(r, s, key, "a text in quotes");
        return;
    }
    size_t n = strlen(text);
    if (n == 0 && key->required) {
        wn_reader_fail(r, s, "is empty; write for example %s", key->example);
    } else if (n >= key->size) {
        wn_reader_fail(r, s, "is longer than %zu characters", key->size - 1);
    } else if (!key->control && has_control(text)) {
        wn_reader_fail(r, s, "holds a control character; write plain text");
    } else {
        memcpy((char *)target + key->offset, text, n + 1);
    }
}

static void read_bool(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    if (config_setting_type(s) != CONFIG_TYPE_BOOL) {
        wrong_type(r, s, key, "true or false");
        return;
    }
    bool value = config_setting_get_bool(s) != 0;
    memcpy((char *)target + key->offset, &value, sizeof value);
}

static void read_word(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                      void *target)
{
    char what[160];
    const char *text = config_setting_get_string(s);
    const struct wn_key_word *w = text == NULL ? NULL : find_word(key, text);
    if (w == NULL) {
        const char *near = text == NULL ? NULL : wn_nearest_word(key->words, text);
        if (text == NULL) {
            wrong_type(r, s, key, "a word");
        } else if (near != NULL) {
            wn_reader_fail(r, s, "\"%.60s\" is not known; did you mean \"%s\"?", text, near);
        } else {
            wn_reader_fail(r, s, "\"%.60s\" is not known; write %s", text,
                           remedy(key, what, sizeof what));
        }
        return;
    }
    int value = (int)w->value;
    memcpy((char *)target + key->offset, &value, sizeof value);
}

void wn_reader_value(struct wn_reader *r, const config_setting_t *s, const struct wn_key *key,
                     void *target)
{
    switch (key->kind) {
    case WN_KEY_QUANTITY:
        read_quantity(r, s, key, target);
        return;
    case WN_KEY_COUNT:
    case WN_KEY_COUNT64:
    case WN_KEY_COUNT8:
        read_count(r, s, key, target);
        return;
    case WN_KEY_NUMBER:
        read_number(r, s, key, target);
        return;
    case WN_KEY_TEXT:
        read_text(r, s, key, target);
        return;
    case WN_KEY_BOOL:
        read_bool(r, s, key, target);
        return;
    case WN_KEY_WORD:
        read_word(r, s, key, target);
        return;
    case WN_KEY_GROUP:
        wn_reader_group(r, s, key->group, (char *)target + key->offset);
        return;
    case WN_KEY_OTHER:
        key->read(r, s, key, target);
        return;
    }
    wn_assert_failed("row of no kind", __FILE__, __LINE__);
}

static bool same_value(const struct wn_key *key, const void *a, const void *b)
{
    const char *x = (const char *)a + key->offset, *y = (const char *)b + key->offset;
    switch (key->kind) {
    case WN_KEY_QUANTITY:
    case WN_KEY_NUMBER:
        return memcmp(x, y, sizeof(double)) == 0; /* bits: NaN ("off") equals itself */
    case WN_KEY_COUNT:
    case WN_KEY_WORD:
        return memcmp(x, y, sizeof(int)) == 0;
    case WN_KEY_COUNT64:
        return memcmp(x, y, sizeof(int64_t)) == 0;
    case WN_KEY_COUNT8:
    case WN_KEY_BOOL:
        return memcmp(x, y, 1) == 0;
    case WN_KEY_TEXT:
        return strcmp(x, y) == 0;
    case WN_KEY_GROUP:
        return wn_key_differs(key->group, x, y) == NULL;
    case WN_KEY_OTHER:
        return true;
    }
    return false;
}

const char *wn_key_differs(const struct wn_key *keys, const void *a, const void *b)
{
    for (; keys->name != NULL; keys++) {
        if (!same_value(keys, a, b)) {
            return keys->name;
        }
    }
    return NULL;
}

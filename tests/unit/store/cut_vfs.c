/* A file system for SQLite whose power can be cut.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "cut_vfs.h"

#include <sqlite3.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include "base/prng.h"

enum { SECTOR = 512, FILES = 16 };

struct cuttable {
    sqlite3_file base;
    sqlite3_file *real;
    unsigned char *bytes; /* what a reader sees */
    unsigned char *dirty; /* one for each sector */
    sqlite3_int64 size, capacity;
};

static sqlite3_vfs vfs;
static struct wn_prng rng;
static long cut_at, operations;
static int lies;
static bool only_syncs, tears;
static struct cuttable *files[FILES];

static sqlite3_file *real(sqlite3_file *f)
{
    return ((struct cuttable *)f)->real;
}

static void bring_part(struct cuttable *c, sqlite3_int64 sector, int most)
{
    sqlite3_int64 at = sector * SECTOR;
    if (at < c->size) {
        int n = c->size - at < most ? (int)(c->size - at) : most;
        (void)c->real->pMethods->xWrite(c->real, c->bytes + at, n, at);
    }
    c->dirty[sector] = 0;
}

static void bring_sector(struct cuttable *c, sqlite3_int64 sector)
{
    bring_part(c, sector, SECTOR);
}

/* How much of what is not synchronised arrives: nothing, all, or a part of the sectors. */
static void lose_power(void)
{
    uint64_t mood = wn_prng_below(&rng, 4);
    for (int i = 0; i < FILES; i++) {
        struct cuttable *c = files[i];
        sqlite3_int64 on_disk = 0;
        if (c == NULL) {
            continue;
        }
        (void)c->real->pMethods->xFileSize(c->real, &on_disk);
        if (on_disk > c->size && wn_prng_below(&rng, 2) == 0) {
            (void)c->real->pMethods->xTruncate(c->real, c->size);
        }
        for (sqlite3_int64 s = 0; s * SECTOR < c->size; s++) {
            bool arrives = mood == 1 || (mood > 1 && wn_prng_below(&rng, mood == 2 ? 2 : 8) == 0);
            if (c->dirty[s] != 0 && arrives) {
                bool torn = tears && wn_prng_below(&rng, 4) == 0;
                bring_part(c, s, torn ? 1 + (int)wn_prng_below(&rng, SECTOR - 1) : SECTOR);
            }
        }
    }
    _exit(0);
}

static void operation(bool is_sync)
{
    if ((is_sync || !only_syncs) && ++operations == cut_at) {
        lose_power();
    }
}

static int reserve(struct cuttable *c, sqlite3_int64 size)
{
    if (size > c->capacity) {
        sqlite3_int64 capacity = (size * 2 + SECTOR) / SECTOR * SECTOR;
        unsigned char *bytes = realloc(c->bytes, (size_t)capacity);
        unsigned char *dirty =
            bytes != NULL ? realloc(c->dirty, (size_t)(capacity / SECTOR)) : NULL;
        c->bytes = bytes != NULL ? bytes : c->bytes;
        if (dirty == NULL) {
            return SQLITE_NOMEM;
        }
        memset(bytes + c->capacity, 0, (size_t)(capacity - c->capacity));
        memset(dirty + c->capacity / SECTOR, 0, (size_t)((capacity - c->capacity) / SECTOR));
        c->dirty = dirty;
        c->capacity = capacity;
    }
    return SQLITE_OK;
}

static int c_close(sqlite3_file *f)
{
    struct cuttable *c = (struct cuttable *)f;
    for (int i = 0; i < FILES; i++) {
        files[i] = files[i] == c ? NULL : files[i];
    }
    /* What was never synchronised is written by the kernel some time: before any cut, here. */
    for (sqlite3_int64 s = 0; s * SECTOR < c->size; s++) {
        if (c->dirty[s] != 0) {
            bring_sector(c, s);
        }
    }
    (void)c->real->pMethods->xTruncate(c->real, c->size);
    free(c->bytes);
    free(c->dirty);
    return c->real->pMethods->xClose(c->real);
}

static int c_read(sqlite3_file *f, void *to, int n, sqlite3_int64 at)
{
    const struct cuttable *c = (const struct cuttable *)f;
    sqlite3_int64 there = at < c->size ? c->size - at : 0;
    int got = there < n ? (int)there : n;
    if (got > 0) {
        memcpy(to, c->bytes + at, (size_t)got);
    }
    memset((char *)to + got, 0, (size_t)(n - got));
    return got == n ? SQLITE_OK : SQLITE_IOERR_SHORT_READ;
}

static int c_write(sqlite3_file *f, const void *from, int n, sqlite3_int64 at)
{
    struct cuttable *c = (struct cuttable *)f;
    if (reserve(c, at + n) != SQLITE_OK) {
        return SQLITE_IOERR_WRITE;
    }
    memcpy(c->bytes + at, from, (size_t)n);
    memset(c->dirty + at / SECTOR, 1, (size_t)((at + n - 1) / SECTOR - at / SECTOR + 1));
    c->size = at + n > c->size ? at + n : c->size;
    operation(false);
    return SQLITE_OK;
}

static int c_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    struct cuttable *c = (struct cuttable *)f;
    if (size < c->size) {
        memset(c->bytes + size, 0, (size_t)(c->size - size));
        c->size = size;
    }
    operation(false);
    return SQLITE_OK;
}

static int c_sync(sqlite3_file *f, int flags)
{
    struct cuttable *c = (struct cuttable *)f;
    (void)flags;
    operation(true); /* a cut in a sync: some sectors are there */
    if (lies > 0 && (int)wn_prng_below(&rng, 100) < lies) {
        return SQLITE_OK;
    }
    for (sqlite3_int64 s = 0; s * SECTOR < c->size; s++) {
        if (c->dirty[s] != 0) {
            bring_sector(c, s);
        }
    }
    return c->real->pMethods->xTruncate(c->real, c->size);
}

static int c_size(sqlite3_file *f, sqlite3_int64 *size)
{
    *size = ((const struct cuttable *)f)->size;
    return SQLITE_OK;
}
static int c_lock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xLock(real(f), level);
}
static int c_unlock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xUnlock(real(f), level);
}
static int c_reserved(sqlite3_file *f, int *out)
{
    return real(f)->pMethods->xCheckReservedLock(real(f), out);
}

/* Hints about sizes would let the real file grow behind our back. */
static int c_control(sqlite3_file *f, int op, void *arg)
{
    if (op == SQLITE_FCNTL_SIZE_HINT || op == SQLITE_FCNTL_CHUNK_SIZE) {
        return SQLITE_OK;
    }
    return real(f)->pMethods->xFileControl(real(f), op, arg);
}
static int c_sector(sqlite3_file *f)
{
    (void)f;
    return SECTOR;
}
static int c_device(sqlite3_file *f)
{
    (void)f;
    return 0; /* promises nothing: neither whole sectors' neighbours nor order */
}
static int c_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **out)
{
    return real(f)->pMethods->xShmMap(real(f), page, size, extend, out);
}
static int c_shm_lock(sqlite3_file *f, int offset, int n, int flags)
{
    return real(f)->pMethods->xShmLock(real(f), offset, n, flags);
}
static void c_shm_barrier(sqlite3_file *f)
{
    real(f)->pMethods->xShmBarrier(real(f));
}
static int c_shm_unmap(sqlite3_file *f, int remove)
{
    return real(f)->pMethods->xShmUnmap(real(f), remove);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2,
    .xClose = c_close,
    .xRead = c_read,
    .xWrite = c_write,
    .xTruncate = c_truncate,
    .xSync = c_sync,
    .xFileSize = c_size,
    .xLock = c_lock,
    .xUnlock = c_unlock,
    .xCheckReservedLock = c_reserved,
    .xFileControl = c_control,
    .xSectorSize = c_sector,
    .xDeviceCharacteristics = c_device,
    .xShmMap = c_shm_map,
    .xShmLock = c_shm_lock,
    .xShmBarrier = c_shm_barrier,
    .xShmUnmap = c_shm_unmap,
};

static int v_open(sqlite3_vfs *v, const char *name, sqlite3_file *f, int flags, int *out_flags)
{
    struct cuttable *c = (struct cuttable *)f;
    sqlite3_vfs *below = v->pAppData;
    sqlite3_int64 size = 0;
    memset(c, 0, sizeof *c);
    c->real = (sqlite3_file *)(c + 1);
    c->real->pMethods = NULL;
    int rc = below->xOpen(below, name, c->real, flags, out_flags);
    if (rc != SQLITE_OK) {
        return rc;
    }
    c->base.pMethods = &methods;
    (void)c->real->pMethods->xFileSize(c->real, &size);
    if (reserve(c, size + 1) != SQLITE_OK) {
        return SQLITE_NOMEM;
    }
    if (size > 0) {
        rc = c->real->pMethods->xRead(c->real, c->bytes, (int)size, 0);
    }
    c->size = size;
    for (int i = 0; i < FILES; i++) {
        if (files[i] == NULL) {
            files[i] = c;
            return rc;
        }
    }
    return SQLITE_CANTOPEN;
}

void cut_vfs_install(uint64_t seed, long at, int lying)
{
    sqlite3_vfs *below = sqlite3_vfs_find(NULL);
    wn_prng_init(&rng, seed);
    cut_at = at;
    lies = lying;
    operations = 0;
    vfs = *below;
    vfs.zName = "cut";
    vfs.pAppData = below;
    vfs.szOsFile = (int)sizeof(struct cuttable) + below->szOsFile;
    vfs.xOpen = v_open;
    (void)sqlite3_vfs_register(&vfs, 1);
}

void cut_vfs_only_syncs(void)
{
    only_syncs = true;
}

void cut_vfs_tear(void)
{
    tears = true;
}

long cut_vfs_operations(void)
{
    return operations;
}

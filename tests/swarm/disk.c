/* Swarm: a disk for SQLite whose writes fail, whose syncs fail or take long, and whose power is
 * cut.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * The real file (in memory, where the directory of the run is) is what programs see; beside it is
 * kept what the disk truly has. A sync brings the written sectors to the disk; a failed one may
 * throw them away, and the next one says "fine", as Linux does. At a power cut some of what was not
 * synchronised is there and some is not. A ghost (host.h) reads, but writes nothing. */
#define _GNU_SOURCE
#include "swarm/disk.h"

#include <sqlite3.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

#include "swarm/host.h"

enum { SECTOR = 512, NODES = 64 };

/* A file, whatever its name. */
struct node {
    bool used;
    dev_t device;
    ino_t number;
    char path[400];
    unsigned char *durable,
        *dirty;                   /* what the disk has; one byte for each sector of what is seen */
    sqlite3_int64 size, capacity; /* durable */
    sqlite3_int64 dirty_capacity, dirty_n;
};

struct watched {
    sqlite3_file base;
    sqlite3_file *real;
    struct node *node; /* NULL: not watched */
};

static sqlite3_vfs vfs;
static struct node nodes[NODES];
static bool bypass;
static wn_ns synced_ns;
static long syncs;

static sqlite3_file *real(sqlite3_file *f)
{
    return ((struct watched *)f)->real;
}

static bool grow(unsigned char **bytes, sqlite3_int64 *capacity, sqlite3_int64 size)
{
    if (size > *capacity) {
        sqlite3_int64 wanted = size * 2;
        unsigned char *more = realloc(*bytes, (size_t)wanted);
        if (more == NULL) {
            return false;
        }
        memset(more + *capacity, 0, (size_t)(wanted - *capacity));
        *bytes = more;
        *capacity = wanted;
    }
    return true;
}

static void forget(struct node *n)
{
    free(n->durable);
    free(n->dirty);
    memset(n, 0, sizeof *n);
}

static struct node *find(const char *path)
{
    struct stat st;
    if (stat(path, &st) != 0) {
        return NULL;
    }
    for (int i = 0; i < NODES; i++) {
        if (nodes[i].used && nodes[i].device == st.st_dev && nodes[i].number == st.st_ino) {
            return &nodes[i];
        }
    }
    return NULL;
}

static struct node *take(const char *path)
{
    struct stat st;
    struct node *n = find(path);
    if (n != NULL || stat(path, &st) != 0) {
        return n;
    }
    for (int i = 0; i < NODES && n == NULL; i++) {
        n = nodes[i].used ? NULL : &nodes[i];
    }
    if (n != NULL) {
        n->used = true;
        n->device = st.st_dev;
        n->number = st.st_ino;
        (void)snprintf(n->path, sizeof n->path, "%s", path);
    }
    return n;
}

void disk_name_gone(const char *path)
{
    struct node *n = find(path);
    if (n != NULL) {
        forget(n);
    }
}

void disk_name_moved(const char *to)
{
    struct node *n = find(to);
    if (n != NULL) {
        (void)snprintf(n->path, sizeof n->path, "%s", to);
    }
}

static void dirty(struct node *n, sqlite3_int64 from, sqlite3_int64 len)
{
    if (grow(&n->dirty, &n->dirty_capacity, (from + len) / SECTOR + 1)) {
        for (sqlite3_int64 s = from / SECTOR; s <= (from + len - 1) / SECTOR; s++) {
            n->dirty_n += n->dirty[s] == 0 ? 1 : 0;
            n->dirty[s] = 1;
        }
    }
}

static void bring_sector(struct node *n, sqlite3_file *f, sqlite3_int64 s, sqlite3_int64 size)
{
    sqlite3_int64 at = s * SECTOR;
    if (at < size) {
        int len = size - at < SECTOR ? (int)(size - at) : SECTOR;
        (void)f->pMethods->xRead(f, n->durable + at, len, at);
    }
}

static void wash(struct node *n)
{
    if (n->dirty_n > 0) {
        memset(n->dirty, 0, (size_t)n->dirty_capacity);
        n->dirty_n = 0;
    }
}

static bool is_log(const struct node *n)
{
    size_t len = strlen(n->path);
    return len > 4 && strcmp(n->path + len - 4, "-wal") == 0;
}

/* ---- the methods ---- */

static int fails(const struct watched *w, enum fault which, int code)
{
    if (host_is_dead()) {
        return SQLITE_IOERR;
    }
    return w->node != NULL && fault_strikes(which) ? code : SQLITE_OK;
}

static int d_close(sqlite3_file *f)
{
    return real(f)->pMethods != NULL ? real(f)->pMethods->xClose(real(f)) : SQLITE_OK;
}

static int d_read(sqlite3_file *f, void *to, int n, sqlite3_int64 at)
{
    struct watched *w = (struct watched *)f;
    int rc = host_is_dead() ? SQLITE_OK : fails(w, FAULT_DISK_READ_FAILS, SQLITE_IOERR_READ);
    return rc != SQLITE_OK ? rc : w->real->pMethods->xRead(w->real, to, n, at);
}

static int d_write(sqlite3_file *f, const void *from, int n, sqlite3_int64 at)
{
    struct watched *w = (struct watched *)f;
    host_boundary();
    int rc = fails(w, FAULT_DISK_WRITE_FAILS, SQLITE_IOERR_WRITE);
    rc = rc == SQLITE_OK ? fails(w, FAULT_DISK_FULL, SQLITE_FULL) : rc;
    if (host_is_dead()) {
        return rc;
    }
    if (rc != SQLITE_OK) {
        n = n / 2; /* half of it arrives: as a real disk does it */
    }
    int done = n > 0 ? w->real->pMethods->xWrite(w->real, from, n, at) : SQLITE_OK;
    if (w->node != NULL && n > 0) {
        dirty(w->node, at, n);
    }
    return rc != SQLITE_OK ? rc : done;
}

static int d_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    struct watched *w = (struct watched *)f;
    host_boundary();
    int rc = fails(w, FAULT_DISK_WRITE_FAILS, SQLITE_IOERR_TRUNCATE);
    return rc != SQLITE_OK ? rc : w->real->pMethods->xTruncate(w->real, size);
}

static int d_sync(sqlite3_file *f, int flags)
{
    struct watched *w = (struct watched *)f;
    struct node *n = w->node;
    sqlite3_int64 size = 0;
    (void)flags;
    host_boundary(); /* dead before anything has arrived */
    if (host_is_dead() || n == NULL) {
        return host_is_dead() ? SQLITE_IOERR_FSYNC : SQLITE_OK;
    }
    sim_stall((wn_ns)(1 + wn_prng_below(&sim.noise, 5)) * WN_NS_PER_MS);
    if (fault_strikes(FAULT_DISK_SLOW)) {
        sim_stall(wn_ns_from_s(3.0 * wn_prng_uniform(&sim.noise)));
    }
    int rc = fails(w, FAULT_DISK_SYNC_FAILS, SQLITE_IOERR_FSYNC);
    if (rc != SQLITE_OK) {
        if (!host_is_dead() && chance(0.5)) {
            wash(n); /* the pages are thrown away: the next sync has nothing to do */
        }
        return rc;
    }
    if (w->real->pMethods->xFileSize(w->real, &size) != SQLITE_OK ||
        !grow(&n->durable, &n->capacity, size + SECTOR)) {
        return SQLITE_IOERR_FSYNC;
    }
    for (sqlite3_int64 s = 0; n->dirty_n > 0 && s * SECTOR < size; s++) {
        if (s < n->dirty_capacity && n->dirty[s] != 0) {
            bring_sector(n, w->real, s, size);
        }
    }
    wash(n);
    n->size = size;
    syncs++;
    synced_ns = is_log(n) ? sim_monotonic() : synced_ns;
    host_boundary(); /* dead when all has arrived, but nobody knows */
    return host_is_dead() ? SQLITE_IOERR_FSYNC : SQLITE_OK;
}

static int d_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return real(f)->pMethods->xFileSize(real(f), size);
}

static int d_lock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xLock(real(f), level);
}

static int d_unlock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xUnlock(real(f), level);
}

static int d_reserved(sqlite3_file *f, int *out)
{
    return real(f)->pMethods->xCheckReservedLock(real(f), out);
}

/* Hints about sizes would let the real file grow behind our back. */
static int d_control(sqlite3_file *f, int op, void *arg)
{
    if (op == SQLITE_FCNTL_SIZE_HINT || op == SQLITE_FCNTL_CHUNK_SIZE) {
        return SQLITE_OK;
    }
    return real(f)->pMethods->xFileControl(real(f), op, arg);
}

static int d_sector(sqlite3_file *f)
{
    (void)f;
    return SECTOR;
}

static int d_device(sqlite3_file *f)
{
    (void)f;
    return 0; /* promises nothing: neither whole sectors' neighbours nor order */
}

static int d_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **out)
{
    return real(f)->pMethods->xShmMap(real(f), page, size, extend, out);
}

static int d_shm_lock(sqlite3_file *f, int offset, int n, int flags)
{
    return real(f)->pMethods->xShmLock(real(f), offset, n, flags);
}

static void d_shm_barrier(sqlite3_file *f)
{
    real(f)->pMethods->xShmBarrier(real(f));
}

static int d_shm_unmap(sqlite3_file *f, int remove)
{
    return real(f)->pMethods->xShmUnmap(real(f), host_is_dead() ? 0 : remove);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2,
    .xClose = d_close,
    .xRead = d_read,
    .xWrite = d_write,
    .xTruncate = d_truncate,
    .xSync = d_sync,
    .xFileSize = d_size,
    .xLock = d_lock,
    .xUnlock = d_unlock,
    .xCheckReservedLock = d_reserved,
    .xFileControl = d_control,
    .xSectorSize = d_sector,
    .xDeviceCharacteristics = d_device,
    .xShmMap = d_shm_map,
    .xShmLock = d_shm_lock,
    .xShmBarrier = d_shm_barrier,
    .xShmUnmap = d_shm_unmap,
};

static int v_open(sqlite3_vfs *v, const char *name, sqlite3_file *f, int flags, int *out_flags)
{
    struct watched *w = (struct watched *)f;
    sqlite3_vfs *below = v->pAppData;
    if (bypass) {
        return below->xOpen(below, name, f, flags, out_flags);
    }
    memset(w, 0, sizeof *w);
    w->real = (sqlite3_file *)(w + 1);
    host_boundary();
    if (host_is_dead() || fault_strikes(FAULT_DISK_READ_FAILS)) {
        return SQLITE_CANTOPEN;
    }
    int rc = below->xOpen(below, name, w->real, flags, out_flags);
    if (rc == SQLITE_OK) {
        w->base.pMethods = &methods;
        w->node = name != NULL ? take(name) : NULL;
    }
    return rc;
}

static int v_delete(sqlite3_vfs *v, const char *name, int sync)
{
    sqlite3_vfs *below = v->pAppData;
    if (bypass) {
        return below->xDelete(below, name, sync);
    }
    host_boundary();
    if (host_is_dead()) {
        return SQLITE_IOERR_DELETE;
    }
    disk_name_gone(name);
    return below->xDelete(below, name, sync);
}

static int v_randomness(sqlite3_vfs *v, int n, char *out)
{
    (void)v;
    for (int i = 0; i < n; i++) {
        out[i] = (char)wn_prng_below(&sim.noise, 256);
    }
    return n;
}

static int v_sleep(sqlite3_vfs *v, int us)
{
    (void)v;
    sim_stall((wn_ns)us * 1000); /* busy: the time of the world, not ours */
    return us;
}

static int v_now(sqlite3_vfs *v, sqlite3_int64 *ms)
{
    (void)v;
    *ms = INT64_C(212814086400000) + sim.now_ns / WN_NS_PER_MS;
    return SQLITE_OK;
}

static void install(void)
{
    sqlite3_vfs *below = sqlite3_vfs_find(NULL);
    if (below != &vfs) {
        vfs = *below;
        vfs.zName = "swarm";
        vfs.pAppData = below;
        vfs.szOsFile = (int)sizeof(struct watched) + below->szOsFile;
        vfs.xOpen = v_open;
        vfs.xDelete = v_delete;
        vfs.xRandomness = v_randomness;
        vfs.xSleep = v_sleep;
        vfs.xCurrentTimeInt64 = v_now;
        (void)sqlite3_vfs_register(&vfs, 1);
    }
}

void disk_begin(void)
{
    install();
    bypass = false;
    synced_ns = sim_monotonic();
    syncs = 0;
    (void)sqlite3_test_control(SQLITE_TESTCTRL_PRNG_SEED, (int)(sim.seed & 0x7fffffff) | 1, NULL);
}

void disk_end(void)
{
    for (int i = 0; i < NODES; i++) {
        forget(&nodes[i]);
    }
}

void disk_bypass(bool on)
{
    bypass = on;
}

wn_ns disk_synced_ns(void)
{
    return synced_ns;
}

long disk_syncs(void)
{
    return syncs;
}

/* How much of what is not synchronised arrives: nothing, all, or a part of the sectors. */
static void lose(struct node *n)
{
    FILE *f = fopen(n->path, "r+b");
    struct stat st;
    uint64_t mood = wn_prng_below(&sim.noise, 4);
    if (f == NULL || fstat(fileno(f), &st) != 0) {
        if (f != NULL) {
            (void)fclose(f);
        }
        return;
    }
    sqlite3_int64 seen = st.st_size;
    sqlite3_int64 size = wn_prng_below(&sim.noise, 2) == 0 ? n->size : seen;
    (void)grow(&n->durable, &n->capacity, (size > seen ? size : seen) + SECTOR);
    for (sqlite3_int64 s = 0; s * SECTOR < seen && s < n->dirty_capacity; s++) {
        bool arrives = mood == 1 || (mood > 1 && wn_prng_below(&sim.noise, mood == 2 ? 2 : 8) == 0);
        if (n->dirty[s] != 0 && arrives) {
            size_t len = seen - s * SECTOR < SECTOR ? (size_t)(seen - s * SECTOR) : SECTOR;
            (void)fseek(f, (long)(s * SECTOR), SEEK_SET);
            (void)!fread(n->durable + s * SECTOR, 1, len, f);
        }
    }
    (void)rewind(f);
    (void)!fwrite(n->durable, 1, (size_t)size, f);
    (void)fflush(f);
    (void)!ftruncate(fileno(f), size);
    (void)fclose(f);
    n->size = size;
    wash(n);
}

void disk_cut_power(void)
{
    for (int i = 0; i < NODES; i++) {
        if (nodes[i].used) {
            lose(&nodes[i]);
        }
    }
}

static bool write_copy(const char *path, const char *to)
{
    const struct node *n = find(path);
    FILE *f = n != NULL && n->size > 0 ? fopen(to, "wb") : NULL;
    if (f == NULL) {
        (void)remove(to);
        return false;
    }
    bool ok = fwrite(n->durable, 1, (size_t)n->size, f) == (size_t)n->size;
    return fclose(f) == 0 && ok;
}

bool disk_copy_durable(const char *path, const char *to)
{
    char from[500], target[500];
    (void)snprintf(from, sizeof from, "%s-wal", path);
    (void)snprintf(target, sizeof target, "%s-wal", to);
    (void)write_copy(from, target); /* there may be none */
    (void)snprintf(target, sizeof target, "%s-shm", to);
    (void)remove(target);
    return write_copy(path, to);
}

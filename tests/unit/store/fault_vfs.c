/* A file system for SQLite that fails on demand: everything goes to the real one, but for the n-th.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "fault_vfs.h"

#include <sqlite3.h>
#include <stddef.h>
#include <string.h>
#include <unistd.h>

struct fault fault;

struct faulty {
    sqlite3_file base;
    sqlite3_file *real; /* behind this struct */
};

static sqlite3_vfs vfs;

void fault_none(void)
{
    memset(&fault, 0, sizeof fault);
}

void fault_arm(enum fault_op op, int code, long at, long failing)
{
    fault_none();
    fault.op = op;
    fault.code = code;
    fault.at = at;
    fault.failing = failing;
}

static int fails(enum fault_op op)
{
    long n = ++fault.seen[op];
    if (fault.at > 0 && op == fault.op && n >= fault.at && n < fault.at + fault.failing) {
        fault.fired++;
        if (fault.code == FAULT_DIES) {
            _exit(1);
        }
        return fault.code;
    }
    return SQLITE_OK;
}

static sqlite3_file *real(sqlite3_file *f)
{
    return ((struct faulty *)f)->real;
}

static int f_close(sqlite3_file *f)
{
    return real(f)->pMethods != NULL ? real(f)->pMethods->xClose(real(f)) : SQLITE_OK;
}
static int f_read(sqlite3_file *f, void *to, int n, sqlite3_int64 at)
{
    int rc = fails(FAULT_READ);
    return rc != SQLITE_OK ? rc : real(f)->pMethods->xRead(real(f), to, n, at);
}
static int f_write(sqlite3_file *f, const void *from, int n, sqlite3_int64 at)
{
    int rc = fails(FAULT_WRITE);
    if (rc != SQLITE_OK && n > 1) { /* half of it arrives: as a real disk does it */
        (void)real(f)->pMethods->xWrite(real(f), from, n / 2, at);
    }
    return rc != SQLITE_OK ? rc : real(f)->pMethods->xWrite(real(f), from, n, at);
}
static int f_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    int rc = fails(FAULT_TRUNCATE);
    return rc != SQLITE_OK ? rc : real(f)->pMethods->xTruncate(real(f), size);
}
static int f_sync(sqlite3_file *f, int flags)
{
    int rc = fails(FAULT_SYNC);
    (void)f;
    (void)flags; /* the page cache is as good as a disk here: a test is not slowed down */
    return rc;
}
static int f_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return real(f)->pMethods->xFileSize(real(f), size);
}
static int f_lock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xLock(real(f), level);
}
static int f_unlock(sqlite3_file *f, int level)
{
    return real(f)->pMethods->xUnlock(real(f), level);
}
static int f_reserved(sqlite3_file *f, int *out)
{
    return real(f)->pMethods->xCheckReservedLock(real(f), out);
}
static int f_control(sqlite3_file *f, int op, void *arg)
{
    return real(f)->pMethods->xFileControl(real(f), op, arg);
}
static int f_sector(sqlite3_file *f)
{
    return real(f)->pMethods->xSectorSize(real(f));
}
static int f_device(sqlite3_file *f)
{
    return real(f)->pMethods->xDeviceCharacteristics(real(f));
}
static int f_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **out)
{
    int rc = fails(FAULT_SHM);
    return rc != SQLITE_OK ? rc : real(f)->pMethods->xShmMap(real(f), page, size, extend, out);
}
static int f_shm_lock(sqlite3_file *f, int offset, int n, int flags)
{
    return real(f)->pMethods->xShmLock(real(f), offset, n, flags);
}
static void f_shm_barrier(sqlite3_file *f)
{
    real(f)->pMethods->xShmBarrier(real(f));
}
static int f_shm_unmap(sqlite3_file *f, int remove)
{
    return real(f)->pMethods->xShmUnmap(real(f), remove);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2,
    .xClose = f_close,
    .xRead = f_read,
    .xWrite = f_write,
    .xTruncate = f_truncate,
    .xSync = f_sync,
    .xFileSize = f_size,
    .xLock = f_lock,
    .xUnlock = f_unlock,
    .xCheckReservedLock = f_reserved,
    .xFileControl = f_control,
    .xSectorSize = f_sector,
    .xDeviceCharacteristics = f_device,
    .xShmMap = f_shm_map,
    .xShmLock = f_shm_lock,
    .xShmBarrier = f_shm_barrier,
    .xShmUnmap = f_shm_unmap,
};

static int v_open(sqlite3_vfs *v, const char *name, sqlite3_file *f, int flags, int *out_flags)
{
    struct faulty *mine = (struct faulty *)f;
    sqlite3_vfs *below = v->pAppData;
    int rc = fails(FAULT_OPEN);
    mine->base.pMethods = NULL;
    mine->real = (sqlite3_file *)(mine + 1);
    mine->real->pMethods = NULL;
    rc = rc != SQLITE_OK ? rc : below->xOpen(below, name, mine->real, flags, out_flags);
    if (mine->real->pMethods != NULL) {
        mine->base.pMethods = &methods;
    }
    return rc;
}

void fault_vfs_install(void)
{
    sqlite3_vfs *below = sqlite3_vfs_find(NULL);
    if (below == &vfs) {
        return;
    }
    vfs = *below; /* what is not replaced ignores its first argument or uses its own data */
    vfs.zName = "fault";
    vfs.pAppData = below;
    vfs.szOsFile = (int)sizeof(struct faulty) + below->szOsFile;
    vfs.xOpen = v_open;
    (void)sqlite3_vfs_register(&vfs, 1);
}

/* Campaign file: its hash, log included.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * What is hashed is what the pages of the database are for a reader: those of the file, and where
 * the log holds newer ones, those. That is, byte for byte, the file once the log has been moved
 * into it. The file itself is never opened besides: closing it would drop SQLite's locks. */
#include "store/internal.h"

#include <string.h>

#include "base/sha256.h"

enum { BYTES_MAX = 1024 * 1024 * 1024 };

int wn_campaign_fingerprint(const char *path, struct wn_fingerprint *out, struct wn_error *err)
{
    struct wn_campaign *c = NULL;
    int64_t version = 0, pages = 0, page_bytes = 0;
    sqlite3_int64 bytes = 0;
    memset(out, 0, sizeof *out);
    int rc = campaign_open_as_it_is(&c, path, &version, err);
    if (rc != WN_OK) {
        return rc;
    }
    rc = sql_int(c, "PRAGMA page_count", &pages, err);
    rc = rc == WN_OK ? sql_int(c, "PRAGMA page_size", &page_bytes, err) : rc;
    out->bytes = pages * page_bytes;
    if (rc == WN_OK && out->bytes > BYTES_MAX) {
        rc = wn_error_set(err, WN_ESTATE,
                          "%s is too large to be hashed in memory: use sha256sum on it when the "
                          "campaign is over",
                          c->path);
    }
    if (rc == WN_OK) {
        out->log_pending = wn_campaign_log_bytes(c) > 0;
        unsigned char *image = sqlite3_serialize(c->db, "main", &bytes, 0);
        if (image == NULL) {
            rc = wn_error_set(err, WN_ENOMEM, "%s: no memory to hash it", c->path);
        } else {
            wn_sha256_hex(image, (size_t)bytes, out->sha256);
            out->bytes = bytes;
        }
        sqlite3_free(image);
    }
    wn_campaign_close(c);
    return rc;
}

/* wane publish: copies campaigns into a database of many benches.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "publish.h"

static const struct wane_option options[] = {
    [PUBLISH_CONNECTION] = {"connection", 0, WANE_TEXT, "TEXT",
                            "libpq connection: \"host=... dbname=... user=...\"; else that of "
                            "publish in the configuration"},
    [PUBLISH_BENCH] = {"bench", 0, WANE_TEXT, "NAME",
                       "what this bench is called there; else as configured"},
    [PUBLISH_PREPARE] = {"prepare", 0, WANE_FLAG, NULL,
                         "make the tables and views, or bring those of an older version up to "
                         "date, and publish nothing"},
    [PUBLISH_DRY_RUN] = {"dry-run", 0, WANE_FLAG, NULL,
                         "only compare: tell how much would be sent"},
    [PUBLISH_TAKE_OVER] = {"take-over", 0, WANE_FLAG, NULL,
                           "also campaigns that another bench has published: they are this "
                           "bench's from now on"},
    [PUBLISH_REPLACE] = {"replace", 0, WANE_FLAG, NULL,
                         "also where the server holds more than the file: what the file has not "
                         "is deleted there"},
};

const struct wane_command cmd_publish = {
    .name = "publish",
    .synopsis = "[CAMPAIGN | DIRECTORY ...] [--dry-run | --prepare]",
    .summary = "copy results into a PostgreSQL database of many benches",
    .text = "Copies the finished cycles, check-ups and events of campaign files (all of\n"
            "data_dir, or those named) into a PostgreSQL database, with views over all\n"
            "benches: wane.campaigns, wane.fade_by_cell_type, wane.station_drift,\n"
            "wane.alarms. Files are only read; how far the copying is, is told by what the\n"
            "server holds. Run it again whenever you like: it sends what differs, and goes\n"
            "on where it was cut off. It connects to what publish in the configuration, or\n"
            "--connection, names and to nothing else: PG... of the environment is not used.\n"
            "A password in the connection is refused: it belongs into the libpq password\n"
            "file. Ends with 3 when the server cannot be reached.\n",
    .examples = "  wane publish --prepare\n"
                "  wane publish --dry-run\n"
                "  wane publish demo --json\n"
                "  wane publish /media/archive --bench lab-2 \\\n"
                "      --connection \"host=db.example.org dbname=fleet sslmode=verify-full\"\n",
    .options = options,
    .options_n = sizeof options / sizeof options[0],
    .operands_max = 10000,
    .run = wane_publish,
};

/* Fleet: the SQL files of contrib/fleet as texts; their definitions are made by the build.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_FLEET_SQL_FILES_H
#define WN_FLEET_SQL_FILES_H

extern const char fleet_sql_tables_1[];
extern const char fleet_sql_views[];

#endif

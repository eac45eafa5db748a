/* Swarm: names of files, as the calls of the program change them.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#ifndef WN_TESTS_SWARM_DISK_H
#define WN_TESTS_SWARM_DISK_H

void disk_name_gone(const char *path);
void disk_name_moved(const char *to);

#endif

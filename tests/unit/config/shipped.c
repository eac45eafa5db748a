/* The shipped configuration, read without a problem.
 * SPDX-License-Identifier: GPL-3.0-or-later */
#include "shipped.h"

#include "config_case.h"

struct wn_problems problems;
struct wn_daemon_config daemon_config;
struct wn_cell cell;
struct wn_procedure procedure;
struct wn_dialect dialect[WN_INSTRUMENTS_MAX];

void read_daemon(const char *path)
{
    (void)wn_config_read_daemon(path, &daemon_config, &problems);
    case_expect_none(&problems, path);
}

void read_cell(const char *name)
{
    (void)wn_config_read_cell(CONF, name, &cell, &problems);
    case_expect_none(&problems, name);
}

void read_procedure(const char *name)
{
    (void)wn_config_read_procedure(CONF, name, &cell, &procedure, &problems);
    case_expect_none(&problems, name);
}

void read_dialect(const char *name)
{
    (void)wn_config_read_dialect(CONF, name, &dialect[0], &problems);
    case_expect_none(&problems, name);
}

const struct wn_step *step(int phase, int n)
{
    return &procedure.step[procedure.phase[phase].first_step + n];
}

/* Configuration: libconfig files to checked, plain structures.
 * SPDX-License-Identifier: GPL-3.0-or-later
 *
 * Every quantity carries a unit; unknown keys, wrong dimensions, bare numbers and values outside
 * the cell's datasheet are errors with file and line and what to write instead; up to 20 are
 * collected in one go. Safety limits have no defaults: a missing one is an error. */
#ifndef WN_CONFIG_CONFIG_H
#define WN_CONFIG_CONFIG_H

#include <stdbool.h>
#include <stddef.h>
#include <stdio.h>
#include "base/err.h"
#include "engine/engine.h"
#include "instrument/dialect.h"
#include "metrology/calibration.h"
#include "procedure/cell.h"
#include "procedure/procedure.h"

/* Of a station: supply, load, relay, two thermometers; and a place for the tester while reading. */
enum { WN_INSTRUMENTS_MAX = 6 };
enum { WN_STATIONS_MAX = 32, WN_PATH_SIZE = 256, WN_PROBLEMS_MAX = 20 };

struct wn_problems {
    int n;                           /* errors found; may exceed WN_PROBLEMS_MAX */
    char text[WN_PROBLEMS_MAX][320]; /* "file:line: path: what; write ..." */
};

/** Each on a line of its own behind the prefix, and how many more there are. */
void wn_problems_print(const struct wn_problems *p, FILE *to, const char *prefix);

enum wn_restart_policy { WN_RESTART_RESUME, WN_RESTART_HOLD };

/* What a modem line of the port does to the relay between instrument and cell. */
enum wn_interlock {
    WN_INTERLOCK_UNSAID,  /* DTR is dropped in an emergency, in case there is one */
    WN_INTERLOCK_DTR,     /* closed while DTR is up: also for a moment when the port is opened */
    WN_INTERLOCK_RTS,     /* closed while RTS is up */
    WN_INTERLOCK_BETWEEN, /* closed while DTR is up and RTS is down: open when the port is opened,
                             closed, or without power */
    WN_INTERLOCK_NONE
};

/* How the voltage is measured: with leads of its own at the cell, or over those of the current. */
enum wn_sense { WN_SENSE_UNSAID, WN_SENSE_FOUR_WIRE, WN_SENSE_TWO_WIRE };

/** Accuracy as a data sheet writes it: reading x |value| + fixed + of_range x range, half-widths.
 * range is 0 where no part of it is told. */
struct wn_data_sheet {
    struct wn_data_sheet_part {
        double reading, fixed, of_range, range; /* reading and of_range: 1 */
    } voltage, current;                         /* fixed and range: V, A */
    double temperature_c;                       /* K */
    double time_reading;                        /* 1 */
};

/** Is it one that hangs on a modem line? */
bool wn_interlock_is_line(enum wn_interlock interlock);

/** One device of a station, or one output of a device with several. */
struct wn_instrument_config {
    enum wn_role role;
    bool ambient;     /* a thermometer whose temperature_c is that of the surroundings */
    char dialect[64]; /* name of conf/dialects/NAME.conf */
    char port[WN_PATH_SIZE];
    int baud;    /* 0: the dialect's */
    int channel; /* its output's number; 0: it has one */
    int unit;    /* its address on a MODBUS line; 0: the dialect's */
    /* Of its own, where the station's do not say it for all of them alike. A part of the data sheet
     * that is not its own is NaN; a line of the calibration is then not known. */
    struct wn_data_sheet data_sheet;
    struct wn_calibration calibration;
};

struct wn_station_config;
/** Does the station have an interlock that opens when it is told to: a line that is said to be one,
 * or a relay? */
bool wn_config_has_interlock(const struct wn_station_config *c);
/** What halting does where the tester runs its own program, as a sentence for people; NULL where
 * the station drives. *nothing: nothing stops the tester. */
const char *wn_config_halting(const struct wn_station_config *c, const struct wn_dialect *tester,
                              bool *nothing);

/** "tester", "supply", "load", "relay", "cell thermometer", "ambient thermometer": no two of a
 * station are the same. */
const char *wn_instrument_name(const struct wn_instrument_config *i);

struct wn_station_config {
    char name[64];
    /* A tester, or a supply and a load behind it; then the relay if there is one; then
     * thermometers.
     */
    struct wn_instrument_config instrument[WN_INSTRUMENTS_MAX];
    int instruments;
    enum wn_restart_policy on_restart;
    enum wn_interlock interlock;
    enum wn_sense sense;     /* for the record: nothing is decided by it */
    double resume_within_s;  /* by itself only after an outage no longer than this */
    int resumes_per_hour;    /* by itself after restarts; then it is held for an operator */
    struct wn_limits limits; /* the station's own, before tightening by the cell */
    struct wn_data_sheet data_sheet;
    /* Of the data sheets, fixed parts added up: of what measures a discharge, and a charge. */
    struct wn_accuracy accuracy, charge_accuracy;
    struct wn_calibration calibration; /* of what has none of its own */
    double reading_interval_s, rest_interval_s, fast_interval_s, gap_max_s;
    double pause_recovery_s; /* a pause longer than this flags the next cycle "after_pause" */
    double beat_limit_s;     /* guard: latest beat */
    double off_timeout_s;
    double restart_voltage_tolerance_v; /* resume only when the voltage is this close to the saved
                                           one (at rest) */
    struct wn_store_thresholds {
        double voltage_v, current_a, temperature_c, time_s;
    } store;
    double commit_interval_s; /* host time between commits of readings */
    double space_min_mb;      /* recording stops the campaign below this */
};

enum { WN_HOOKS_MAX = 8, WN_HOOK_ARGS_MAX = 8 };

/** A program run without a shell: fixed arguments, a time limit. */
struct wn_hook_config {
    char program[WN_PATH_SIZE];
    char arg[WN_HOOK_ARGS_MAX][WN_PATH_SIZE];
    int args;
    double timeout_s;
    enum wn_severity severity; /* told from here on: warnings too, or alarms only */
};

struct wn_ping_config {
    struct wn_hook_config hook; /* program "": none */
    double every_s;
};

struct wn_alert_config {
    struct wn_hook_config hook[WN_HOOKS_MAX];
    int hooks;
    int digest_minute;          /* local minute of the day; -1: no daily digest */
    struct wn_ping_config ping; /* run as long as all is well: its receiver alarms on silence */
    bool none_on_purpose;       /* alerts = "none" was written */
};

/** Is there somebody who is told of an alarm? */
bool wn_alert_has_target(const struct wn_alert_config *alert);

/** Where campaigns are published, by wane publish; the service does not look at it. */
struct wn_publish_config {
    char connection[512]; /* libpq; "": nowhere. Never holds a password: campaign files keep a copy
                             of this configuration */
    char bench[64];       /* what this bench is called there */
    double timeout_s;     /* for all of it */
};

struct wn_daemon_config {
    char file[WN_PATH_SIZE];
    char conf_dir[WN_PATH_SIZE];     /* directory of cells/ procedures/ dialects/ */
    char data_dir[WN_PATH_SIZE];     /* campaign files */
    char run_dir[WN_PATH_SIZE];      /* sockets STATION.sock */
    char metrics_file[WN_PATH_SIZE]; /* ends in .prom; "": none */
    char look_group[64];             /* group that may look; "": everybody who can connect */
    char command_group[64];          /* group that may command; "" : owner only */
    struct wn_alert_config alert;
    struct wn_publish_config publish;
    struct wn_station_config station[WN_STATIONS_MAX];
    int stations;
};

/** What certificates say of the readings of instrument n, its own or the station's: no more than it
 * measures. What an ambient thermometer reads is the ambient temperature. */
void wn_config_calibration_of(const struct wn_station_config *c, int n, struct wn_calibration *out);
/** And of the values that results are made of: voltage and current of what discharges, the
 * temperature that counts as the cell's. */
void wn_config_calibration_of_results(const struct wn_station_config *c,
                                      struct wn_calibration *out);

/** What the data sheet promises of instrument n, its own or the station's; NaN what it does not
 * measure. */
void wn_config_accuracy_of(const struct wn_station_config *c, int n, struct wn_accuracy *out);

/** To switch off and verify when asked to end: all attempts, then the interlock. */
double wn_config_stop_limit_s(const struct wn_station_config *c);

/** Reads the daemon file. Relative conf_dir, data_dir, run_dir and metrics_file are relative to the
 * file. */
int wn_config_read_daemon(const char *path, struct wn_daemon_config *out,
                          struct wn_problems *problems);
/** Reads conf_dir/cells/NAME.conf (or a path when name holds '/'). */
int wn_config_read_cell(const char *conf_dir, const char *name, struct wn_cell *out,
                        struct wn_problems *problems);
/** Reads conf_dir/procedures/NAME.conf against a cell: It, "datasheet", "claim" values are
 * resolved, everything is validated. */
int wn_config_read_procedure(const char *conf_dir, const char *name, const struct wn_cell *cell,
                             struct wn_procedure *out, struct wn_problems *problems);
int wn_config_read_dialect(const char *conf_dir, const char *name, struct wn_dialect *out,
                           struct wn_problems *problems);
/** The dialects of all instruments of a station, one each, with their unit and channel put in. */
int wn_config_read_dialects(const char *conf_dir, const struct wn_station_config *station,
                            struct wn_dialect out[WN_INSTRUMENTS_MAX],
                            struct wn_problems *problems);
/** Has it a supply and a load, in this order, in the place of a tester? */
bool wn_config_is_pair(const struct wn_station_config *station);
/** Is one of them simulated? */
bool wn_config_simulated(const struct wn_station_config *station,
                         const struct wn_dialect dialect[WN_INSTRUMENTS_MAX]);
/** Does one of a station's instruments measure this? Of a thermometer for the surroundings its
 * temperature_c is ambient_c. */
bool wn_config_reports(const struct wn_station_config *station,
                       const struct wn_dialect dialect[WN_INSTRUMENTS_MAX], enum wn_field field);
const struct wn_station_config *wn_config_station(const struct wn_daemon_config *c,
                                                  const char *name);

/* A port of several instruments, or outputs: wane-share has it, and each of them asks it through a
 * socket of its own (daemon/share). */

enum { WN_SHARES_MAX = 8, WN_PORT_USERS_MAX = 16, WN_SHARE_NAME_SIZE = 40 };

struct wn_port_user {
    const struct wn_station_config *station; /* borrowed */
    const struct wn_instrument_config *instrument;
    struct wn_dialect dialect; /* unit and channel put in */
};

struct wn_share_config {
    char port[WN_PATH_SIZE];
    double beat_limit_s, stop_limit_s; /* the shortest, the longest of its stations */
    struct wn_port_user user[WN_PORT_USERS_MAX];
    int users;
};

/** How many have it. */
int wn_config_port_users(const struct wn_daemon_config *c, const char *port);
bool wn_config_port_is_shared(const struct wn_daemon_config *c, const char *port);
/** Shared port n, from 0; NULL behind the last. */
const char *wn_config_shared_port(const struct wn_daemon_config *c, int n);
/** The name of a port's share: plain, the same at every start, no two ports' are the same. */
void wn_config_share_name(const char *port, char name[WN_SHARE_NAME_SIZE]);
/** RUN_DIR/SHARE.CHANNEL.sock, with a unit RUN_DIR/SHARE.uUNIT.CHANNEL.sock: where this instrument
 * asks. */
void wn_config_share_socket(const struct wn_daemon_config *c, const struct wn_instrument_config *i,
                            char *path, size_t size);
/** "channel 2", "unit 5", "unit 5 channel 2"; "" for one that has neither. */
enum { WN_PLACE_SIZE = 48 };
const char *wn_config_place(const struct wn_instrument_config *i, char buf[WN_PLACE_SIZE]);
/** Who shares a port. WN_EINVAL with problems: a dialect is refused, or they do not agree on how to
 * talk over one line. */
int wn_config_read_share(const struct wn_daemon_config *c, const char *port,
                         struct wn_share_config *out, struct wn_problems *problems);

/** Puts all together for a campaign: limits tightened by the cell, engine setup checked. */
int wn_config_engine_setup(const struct wn_station_config *station, const struct wn_cell *cell,
                           const struct wn_procedure *procedure,
                           const struct wn_dialect dialect[WN_INSTRUMENTS_MAX],
                           struct wn_engine_setup *out, struct wn_problems *problems);

/** The frozen configuration of a campaign: the texts of the daemon, cell, procedure and dialect
 * files one after the other, each under a comment line with its name. malloc'ed; NULL with problems
 * filled. */
char *wn_config_freeze(const struct wn_daemon_config *daemon,
                       const struct wn_station_config *station, const char *cell,
                       const char *procedure, struct wn_problems *problems);

/** Reads cell, procedure and dialect back from a frozen text (a campaign resumes with what it was
 * started with). */
int wn_config_thaw(const char *frozen, const char *station, struct wn_station_config *station_out,
                   struct wn_cell *cell, struct wn_procedure *procedure,
                   struct wn_dialect dialect[WN_INSTRUMENTS_MAX], struct wn_problems *problems);

#endif

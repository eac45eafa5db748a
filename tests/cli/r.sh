#!/bin/sh
# Every export opens in R as it is: read.csv tells numbers from words, keeps the names, and a line through the cycles can be fitted.
# SPDX-License-Identifier: GPL-3.0-or-later
set -eu
PATH=${WANE_BIN_DIR:?}:$PATH
command -v Rscript >/dev/null || { echo "skipped: no Rscript (Debian package r-base-core)"; exit 77; }
work=$(mktemp -d "${TMPDIR:-/tmp}/wane-r.XXXXXX")
trap 'rm -rf "$work"' EXIT
cd "$work"
wane import "${WANE_SOURCE_DIR:?}/tests/cli/data/log.csv" --cutoff-v 2.5 --rated-ah 1 >/dev/null 2>&1
for what in cycles readings steps events check-ups; do wane export log --what $what -o $what.csv; done
wane export log --what readings --columns bdf -o bdf.csv
cat >read.R <<'END'
options(warn = 2) # a warning is an error
want <- function(ok, what) if (!isTRUE(ok)) { cat("FAILED:", what, "\n"); quit(status = 1) }
open <- function(what) read.csv(paste0(what, ".csv"), check.names = what != "bdf")
cycles <- open("cycles"); readings <- open("readings"); steps <- open("steps"); bdf <- open("bdf")
want(nrow(cycles) == 3 && nrow(readings) == 723 && nrow(bdf) == 723 && nrow(steps) == 15, "rows")
want(nrow(open("events")) == 1 && nrow(open("check-ups")) == 0, "rows of events and check-ups")
want(all(sapply(cycles[c("cycle", "capacity_ah", "energy_wh", "duration_s", "simulated")], is.numeric)), "numbers of cycles")
want(all(sapply(readings[c("time_s", "voltage_v", "current_a", "temperature_c")], is.numeric)), "numbers of readings")
want(all(c("Voltage / V", "Current / A", "Test Time / s") %in% names(bdf)), "labels")
want(identical(bdf[["Voltage / V"]], readings$voltage_v), "the same voltages")
recorded <- as.POSIXct(cycles$recorded_utc, format = "%Y-%m-%dT%H:%M:%SZ", tz = "UTC")
want(!any(is.na(recorded)), "times")
want(coef(lm(capacity_ah ~ cycle, cycles))[["cycle"]] != 0, "a line")
cat("six exports in", R.version.string, "\n")
END
Rscript --vanilla read.R

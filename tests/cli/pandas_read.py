"""Reads the exports of pandas.sh as anybody would, and compares them with the campaign file itself.
SPDX-License-Identifier: GPL-3.0-or-later"""
import json
import sqlite3

import pandas as pd
from pandas.api.types import is_bool_dtype, is_float_dtype, is_integer_dtype, is_object_dtype

file = sqlite3.connect("log.wane")
TEXTS = {"recorded_utc", "flags", "round", "kind", "description", "ended_by", "severity", "text", "acknowledged_by",
         "Step Type", "step_type", "Round"}
WHOLE = {"cycle", "step", "number", "check_up", "after_cycle", "readings", "simulated", "Cycle Count / 1", "Step Count / 1",
         "Simulated / 1", "cycle_count", "step_count"}


def check_types(name, table):
    for column in table.columns:
        kind = table[column]
        if column in TEXTS:
            right = is_object_dtype(kind) or kind.isna().all()
        elif column in WHOLE:
            right = is_integer_dtype(kind)
        else:
            right = is_float_dtype(kind) or (is_integer_dtype(kind) and not is_bool_dtype(kind)) or kind.isna().all()
        assert right, f"{name}: column {column} was read as {kind.dtype}"


def same(name, column, got, sql, scale=1.0):
    """The column is what the file holds, to the ten digits that are written."""
    want = [row[0] for row in file.execute(sql)]
    assert len(got) == len(want) > 0, f"{name}: {len(got)} rows of {len(want)}"
    for a, b in zip(got, want):
        if b is None:
            assert pd.isna(a), f"{name}.{column}: {a} and nothing in the file"
        elif isinstance(b, str):
            assert a == b, f"{name}.{column}: {a!r}, {b!r}"
        else:
            assert abs(a - b * scale) <= 5e-10 * abs(b * scale), f"{name}.{column}: {a}, {b * scale}"


COLUMNS = {
    "cycles": [("cycle", "cycle"), ("capacity_ah", "capacity_ah"), ("capacity_u_ah", "capacity_u_ah"), ("energy_wh", "energy_wh"),
               ("resistance_u_ohm", "resistance_u_ohm"), ("ambient_max_c", "ambient_max_c"), ("end_s", "end_ns")],
    "readings": [("step", "step"), ("time_s", "time_ns"), ("voltage_v", "voltage_v"), ("current_a", "current_a"),
                 ("temperature_c", "temperature_c"), ("ambient_c", "ambient_c")],
    "steps": [("step", "step"), ("description", "description"), ("charge_out_ah", "charge_out_ah"), ("readings", "readings")],
    "events": [("number", "number"), ("text", "text"), ("acknowledged_by", "acknowledged_by"), ("time_s", "time_ns")],
    "check-ups": [("check_up", "check_up"), ("capacity_ah", "capacity_ah"), ("start_s", "start_ns")],
}
TABLE = {"cycles": "cycle", "readings": "reading", "steps": "step", "events": "event", "check-ups": "check_up"}
BDF = [("Test Time / s", "test_time_second", "time_ns"), ("Voltage / V", "voltage_volt", "voltage_v"),
       ("Current / A", "current_ampere", "current_a"), ("Unix Time / s", "unix_time_second", "utc_us"),
       ("Surface Temperature / degC", "surface_temperature_celsius", "temperature_c")]
checked = 0
for what, columns in COLUMNS.items():
    table = pd.read_csv(what + ".csv")
    with open(what + ".json", encoding="utf-8") as f:
        document = json.load(f)
    rows = pd.DataFrame(document[what.replace("-", "_")])
    assert document["simulated"] is True and (table["simulated"] == 1).all(), f"{what}: not marked as simulated"
    assert list(table.columns)[:-1] == list(rows.columns), f"{what}: CSV and JSON have other columns"
    check_types(what + ".csv", table)
    if what != "cycles":
        check_types(what + ".json", rows.drop(columns="flags", errors="ignore"))
    for column, source in columns:
        sql = f"SELECT {source} FROM {TABLE[what]} ORDER BY rowid"
        scale = 1e-9 if source.endswith("_ns") else 1.0
        same(what + ".csv", column, table[column], sql, scale)
        same(what + ".json", column, rows[column], sql, scale)
        checked += 2 * len(table)
assert pd.read_csv("readings.csv")["time_s"][0] == 0.123456789
assert pd.read_json("readings.json").shape[1] == 3
table = pd.read_csv("bdf.csv")
with open("bdf.json", encoding="utf-8") as f:
    rows = pd.DataFrame(json.load(f)["readings"])
check_types("bdf.csv", table)
check_types("bdf.json", rows)
for label, name, source in BDF:
    scale = {"time_ns": 1e-9, "utc_us": 1e-6}.get(source, 1.0)
    for got in (table[label], rows[name]):
        same("bdf", label, got, f"SELECT {source} FROM reading ORDER BY number", scale)
        checked += len(got)
assert table["Unix Time / s"][3] == 1700000004.25
print(f"   {checked} values read back by pandas {pd.__version__}")

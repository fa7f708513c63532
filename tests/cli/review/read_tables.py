"""Reads the tables of a review with DuckDB and tells what it finds as JSON.

Usage: read_tables.py FOLDER. Needs the package duckdb.
"""

import json
import math
import sys

import duckdb

TABLES = ["logs", "steps", "operating_points", "findings"]


def rows(path):
    reader = "read_parquet" if path.endswith(".parquet") else "read_csv"
    # Types as DuckDB sniffs them; an empty cell of a CSV is NULL, and all of the file is looked at.
    more = ", header=true, sample_size=-1" if reader == "read_csv" else ""
    found = duckdb.sql(f"SELECT * FROM {reader}('{path}'{more})")
    return found.columns, found.fetchall()


def alike(a, b):
    if isinstance(a, bool) or isinstance(b, bool):
        # "yes" and "no" become truth values for a sniffer.
        word = {True: "yes", False: "no"}
        return word.get(a, a) == word.get(b, b)
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(a, b, rel_tol=0, abs_tol=1e-12)
    # What is empty in a CSV is empty text in the other.
    return str(a or "").replace(" ", "T")[:19] == str(b or "").replace(" ", "T")[:19] or a == b


def main(folder):
    differences, counts, told = [], {}, {}
    per_log = {}
    for table in TABLES:
        heads, plain = rows(f"{folder}/{table}.csv")
        typed_heads, typed = rows(f"{folder}/{table}.parquet")
        counts[table] = len(typed)
        if heads != typed_heads or len(plain) != len(typed):
            differences.append(f"{table}: {len(plain)} and {len(typed)} rows, or other columns")
            continue
        for number, (one, other) in enumerate(zip(plain, typed)):
            for head, a, b in zip(heads, one, other):
                if not alike(a, b):
                    differences.append(f"{table} row {number}, {head}: {a!r} and {b!r}")
        for row in typed:
            row = dict(zip(heads, row))
            if table == "logs":
                told[row["log"]] = row
                continue
            of = per_log.setdefault(row["log"], {})
            of[table] = of.get(table, 0) + 1
            if table == "operating_points":
                of["voltage_sum_v"] = of.get("voltage_sum_v", 0.0) + row["voltage_v"]
    json.dump(
        {"differences": differences, "rows": counts, "logs": told, "counts": per_log}, sys.stdout
    )


main(sys.argv[1])

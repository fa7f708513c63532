"""Reads the tables of a review with DuckDB and tells what it finds as JSON.

Usage: read_tables.py FOLDER. Needs the package duckdb.
"""

import json
import sys

import duckdb

TABLES = ["logs", "steps", "operating_points", "findings"]


def rows(path):
    if path.endswith(".parquet"):
        found = duckdb.sql(f"SELECT * FROM read_parquet('{path}')")
    else:
        # Cells as they stand; what they mean is compared below.
        found = duckdb.sql(f"SELECT * FROM read_csv('{path}', header=true, all_varchar=true)")
    return found.columns, found.fetchall()


def alike(cell, value):
    """Whether a cell of the CSV says what the typed table holds."""
    if value is None or value == "":
        return cell is None or cell == ""
    return float(cell) == value if isinstance(value, float) else cell == value


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
            for head, cell, value in zip(heads, one, other):
                if not alike(cell, value):
                    differences.append(f"{table} row {number}, {head}: {cell!r} and {value!r}")
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

"""A ledger's setups as files, for who would rather ask a file: Parquet, delimited text, SQLite.

`write_parquet`: the posted setups, one row each, no pairs made: car, platform, session and place in it, bay, time, parts
(slugs in order, with blanks between), level, factor and air, peaks, pulls and their spread, whether they are doubted, the
conditions by which two setups are compared, and the mean torque curve as the stretch of the 50-rpm grid that it reaches,
a list of float32 from knot `first` on. zstd (lz4 takes a fifth more disk, splitting the curves' bytes a
seventh less; neither moved the time of a question beyond its noise). In one of two orders, both measured:

- by platform and car, in row groups of 4,096: who asks about one platform reads a row group or two. The best that a file
  can do for this question, and it must be written anew to add a row;
- as posted, in row groups of 122,880 (what DuckDB writes unless told otherwise): what an export or a growing folder is.

`write_csv`: the same as delimited text, a curve being one cell of figures with blanks between.

`write_sqlite`: the tables that the ledger itself derives (setup_summary, setup_curve, pair; platform and part beside them)
with all their columns and the indexes that the question uses: the honest limit, in one process with whoever asks it.

All three are read from the ledger in one stream, some thousand rows in memory at a time.
"""

import csv
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa  # type: ignore[import-untyped]
from psycopg import adapters
from psycopg.rows import dict_row
from pyarrow import parquet

from service.domain.pairing import OF_THE_LEVEL
from service.store.db import Connection

ROW_GROUP, ROW_GROUP_AS_POSTED = 4_096, 122_880
ROWS_AT_ONCE = 4_096
TEXT = pa.string()
SCHEMA = pa.schema([
    ("setup_id", pa.int64()), ("platform", TEXT), ("car", pa.int32()), ("session", pa.int64()), ("n", pa.int16()),
    ("bay", pa.int32()), ("started_at", pa.timestamp("us", tz="UTC")), ("parts", TEXT), ("complete", pa.bool_()),
    ("counts", pa.bool_()), ("doubted", pa.bool_()), ("doubted_ratio", pa.bool_()), ("pulls", pa.int16()),
    ("best_of", pa.int16()), ("level", TEXT), ("factor", pa.float64()), ("temperature_c", pa.float64()),
    ("pressure_kpa", pa.float64()), ("vapour_kpa", pa.float64()), ("power_kw", pa.float64()),
    ("power_rpm", pa.float64()), ("torque_nm", pa.float64()), ("torque_rpm", pa.float64()),
    ("spread_ss", pa.float64()), ("spread_df", pa.int16()), ("coolant_c", pa.float64()), ("oil_c", pa.float64()),
    ("inlet_c", pa.float64()), ("ethanol", pa.float64()), ("lambda_mean", pa.float64()),
    ("spark_advance_deg", pa.float64()), ("map_max_kpa", pa.float64()), ("ramp_rpm_s", pa.float64()),
    ("tyre_pressure_kpa", pa.float64()), ("tyre_size", TEXT), ("gear", pa.int16()), ("ratio", pa.float64()),
    ("first", pa.int16()), ("curve", pa.list_(pa.float32())),
])  # fmt: skip
"""A row of the Parquet file. `doubted_ratio`: whether more is doubted than the level of its whole session."""
SETUPS = """
    SELECT   setup_id, platform.slug::text AS platform, s.vehicle_id AS car, session_id AS session, n, s.bay_id AS bay,
             started_at, part_ids, complete, counts, doubts <> '{}' AS doubted, NOT doubts <@ %(forgiven)s AS doubted_ratio,
             pulls, best_of, level_standard AS level, factor, temperature_c, pressure_kpa, vapour_kpa, power_kw, power_rpm,
             s.torque_nm, torque_rpm, spread_ss, spread_df, coolant_c, oil_c, inlet_c, ethanol, lambda_mean,
             spark_advance_deg, map_max_kpa, ramp_rpm_s, tyre_pressure_kpa, tyre_size, gear, ratio, first,
             setup_curve.torque_nm AS curve
    FROM     setup_summary s
             JOIN setup USING (setup_id)
             JOIN session USING (session_id)
             JOIN platform USING (platform_id)
             LEFT JOIN setup_curve USING (setup_id)
    ORDER BY CASE WHEN %(sorted)s THEN platform.slug END, CASE WHEN %(sorted)s THEN s.vehicle_id END, setup_id
"""


def posted_setups(conn: Connection, *, by_platform: bool = True) -> Iterator[dict[str, Any]]:
    """Every posted setup as a row of the files; `curve` is the bytes of its float32."""
    asked = {"forgiven": sorted(OF_THE_LEVEL), "sorted": by_platform}
    slugs = dict(conn.execute("SELECT part_id, slug::text FROM part").fetchall())
    names: dict[tuple[int, ...], str] = {}
    for row in streamed(conn, SETUPS, asked):
        ids = tuple(row.pop("part_ids"))
        if ids not in names:
            names[ids] = " ".join(sorted(slugs[part] for part in ids))
        yield {**row, "parts": names[ids]}


def streamed(
    conn: Connection, query: str, asked: Mapping[str, Any] | None = None
) -> Iterator[dict[str, Any]]:
    """Rows of a query, fetched some thousand at a time."""
    with (
        conn.transaction(),
        conn.cursor(name="rows_for_a_file", row_factory=dict_row, binary=True) as cursor,  # type: ignore[call-overload]
    ):
        cursor.itersize = ROWS_AT_ONCE
        cursor.execute(query, asked)
        yield from cursor


def write_parquet(
    conn: Connection,
    path: Path,
    *,
    by_platform: bool = True,
    row_group: int = ROW_GROUP,
    compression: str = "zstd",
    split: bool = False,
) -> int:
    """Write the posted setups; answer the file's size [bytes]. split: the bytes of curves apart, which packs them smaller."""
    rows = posted_setups(conn, by_platform=by_platform)
    texts = [field.name for field in SCHEMA if pa.types.is_string(field.type)]
    options: dict[str, Any] = {"use_dictionary": texts}
    if split:
        options["column_encoding"] = {"curve.list.element": "BYTE_STREAM_SPLIT"}
    with parquet.ParquetWriter(path, SCHEMA, compression=compression, **options) as writer:
        while (group := row_group_of(rows, row_group)).num_rows:
            writer.write_table(group, row_group_size=row_group)
    return path.stat().st_size


def row_group_of(rows: Iterator[Mapping[str, Any]], most: int) -> pa.Table:
    """The next so many rows, as Arrow some thousand at a time: as Python objects they would take ten times as much."""
    sizes = (min(ROWS_AT_ONCE, most - done) for done in range(0, most, ROWS_AT_ONCE))
    return pa.concat_tables([as_table(list(islice(rows, size))) for size in sizes])


def as_table(rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    """Rows as columns of the schema; the curves' bytes are taken over as they are."""
    columns = [
        curves(rows) if field.name == "curve" else pa.array([row[field.name] for row in rows], field.type)
        for field in SCHEMA
    ]
    return pa.Table.from_arrays(columns, schema=SCHEMA)


def curves(rows: Sequence[Mapping[str, Any]]) -> pa.ListArray:
    """The curves of some rows, null where a setup has none."""
    raw = [row["curve"] or b"" for row in rows]
    offsets = np.concatenate(([0], np.cumsum([len(one) // 4 for one in raw]))).astype(np.int32)
    absent = pa.array([row["curve"] is None for row in rows], pa.bool_())
    values = pa.array(np.frombuffer(b"".join(raw), dtype="<f4"))
    return pa.ListArray.from_arrays(pa.array(offsets), values, mask=absent)


def write_csv(conn: Connection, path: Path) -> int:
    """Write the posted setups as delimited text; answer the file's size [bytes]."""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, SCHEMA.names)
        writer.writeheader()
        for row in posted_setups(conn):
            torque = np.frombuffer(row["curve"] or b"", dtype="<f4")
            writer.writerow({**row, "curve": " ".join(map(str, torque))})
    return path.stat().st_size


DERIVED: Mapping[str, str] = {
    "platform": "SELECT platform_id, slug::text, name FROM platform",
    "part": "SELECT part_id, slug::text, name FROM part",
    "setup_summary": "SELECT * FROM setup_summary ORDER BY setup_id",
    "setup_curve": "SELECT * FROM setup_curve ORDER BY setup_id",
    "pair": "SELECT * FROM pair ORDER BY platform_id, part_id, against_id, vehicle_id, setup_with, setup_without",
}
INDEXES = """
    CREATE UNIQUE INDEX platform_slug_once ON platform (slug);
    CREATE UNIQUE INDEX part_slug_once ON part (slug);
    CREATE INDEX pair_by_question ON pair (platform_id, part_id, against_id, vehicle_id);
    CREATE UNIQUE INDEX pair_pk ON pair (setup_with, setup_without);
    CREATE INDEX pair_by_vehicle ON pair (vehicle_id);
    CREATE INDEX pair_by_without ON pair (setup_without);
    ANALYZE;
"""
TYPES = adapters.types
AFFINITY = {
    # By the type's number in Postgres. SQLite searches no index whose column has another affinity than what it is held
    # against.
    **dict.fromkeys((TYPES[name].oid for name in ("int2", "int4", "int8", "bool")), "INTEGER"),
    **dict.fromkeys((TYPES[name].oid for name in ("float4", "float8")), "REAL"),
    TYPES["bytea"].oid: "BLOB",
}


def write_sqlite(conn: Connection, path: Path) -> int:
    """Copy the derived tables; answer the file's size [bytes]."""
    file = sqlite3.connect(path, isolation_level=None)
    try:
        file.execute("PRAGMA journal_mode = OFF")
        file.execute("PRAGMA synchronous = OFF")
        for table, query in DERIVED.items():
            copy_table(conn, file, table, query)
        file.executescript(INDEXES)
    finally:
        file.close()
    return path.stat().st_size


def copy_table(conn: Connection, file: sqlite3.Connection, table: str, query: str) -> None:
    """One table, its first column being its key where it is one row's own."""
    with conn.transaction(), conn.cursor(name="rows_for_a_file", binary=True) as cursor:  # type: ignore[call-overload]
        cursor.itersize = ROWS_AT_ONCE
        cursor.execute(query)
        assert cursor.description is not None
        columns = [f"{column.name} {AFFINITY.get(column.type_code, 'TEXT')}" for column in cursor.description]
        if table != "pair":
            columns[0] += " PRIMARY KEY"
        file.execute(f"CREATE TABLE {table} ({', '.join(columns)})")
        marks = ", ".join("?" * len(columns))
        file.execute("BEGIN")
        file.executemany(f"INSERT INTO {table} VALUES ({marks})", (map_row(row) for row in cursor))
        file.execute("COMMIT")


def map_row(row: Sequence[Any]) -> list[Any]:
    """A row as SQLite can hold it: lists and documents as JSON, times as text."""
    return [
        json.dumps(value)
        if isinstance(value, list | dict)
        else value.isoformat()
        if hasattr(value, "isoformat")
        else value
        for value in row
    ]

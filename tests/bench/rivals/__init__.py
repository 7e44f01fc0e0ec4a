"""What a user would do instead: the same question asked of files, in the ways that people ask files."""

from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import psycopg

from tests.bench.rivals import files
from tests.bench.rivals.in_duckdb import InDuckDB
from tests.bench.rivals.in_pandas import OverCsv, OverParquet
from tests.bench.rivals.in_polars import InPolars
from tests.bench.rivals.in_sqlite import InSQLite
from tests.bench.rivals.known import known_of
from tests.bench.rivals.rival import Rival

AS_POSTED = "Parquet as posted"


@contextmanager
def all_rivals(database_url: str, folder: Path, csv: bool) -> Iterator[list[Rival]]:
    """Every rival over files of a ledger, written into `folder`, the fastest first; the files stay there.

    csv: with the one that reads delimited text, which at a large ledger nobody waits for.
    """
    parquet, as_posted, sqlite, text = (
        folder / name for name in ("setups.parquet", "as-posted.parquet", "derived.sqlite", "setups.csv")
    )
    with psycopg.connect(database_url, autocommit=True) as conn:
        known = known_of(conn)
        files.write_sqlite(conn, sqlite)
        files.write_parquet(conn, parquet)
        files.write_parquet(conn, as_posted, by_platform=False, row_group=files.ROW_GROUP_AS_POSTED)
        if csv:
            files.write_csv(conn, text)
    rivals: list[Rival] = [
        InSQLite(sqlite, known),
        InPolars(parquet, known),
        InDuckDB(parquet, known),
        OverParquet(parquet, known),
        InPolars(as_posted, known, f"Polars over {AS_POSTED}"),
        InDuckDB(as_posted, known, f"DuckDB over {AS_POSTED}"),
        OverParquet(as_posted, known, f"pandas over {AS_POSTED}"),
    ]
    if csv:
        rivals.append(OverCsv(text, known))
    with ExitStack() as held:
        for rival in rivals:
            held.enter_context(closing(rival))
        yield rivals

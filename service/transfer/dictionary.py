"""Every table and column of an export: what it means, its unit, its kind, and what an empty cell says.

The one source: the export, the import and the printed dictionary are made from it, and a test holds it to the schema. In
this order the tables can be written one after the other without breaking a reference.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from service.transfer.dictionary_columns import Table
from service.transfer.dictionary_measured import MEASURED
from service.transfer.dictionary_shop import SHOP

TABLES: Final[tuple[Table, ...]] = (*SHOP, *MEASURED)

LEFT_OUT: Final[dict[str, str]] = {
    "token": "secrets: make new ones where it is imported",
    "kept_answer": "first answers to posts, by token: they end with the tokens",
    "refit_wish": "wishes to a running worker",
    "alembic_version": "stands in the manifest",
}
"""Tables that are not exported, and why."""
LEFT_OUT_COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    "pull_raw": ("enc", "raw"),  # the channels stand for them
    "setup_curve": ("channel_values",),
    "car_change": ("xid",),  # transaction numbers mean nothing in another database
    "model_fit": ("cluster", "seen_xid"),
}
"""Columns that are not exported as they are."""


def dictionary_rows() -> Iterator[tuple[str, ...]]:
    """The data dictionary, a row a column, its headings first."""
    yield ("table", "table_meaning", "column", "kind", "unit", "meaning", "null_means")
    for table in TABLES:
        for column in table.columns:
            yield (
                *(table.name, table.meaning, column.name, column.kind),
                *(column.unit, column.meaning, column.null or "never null"),
            )

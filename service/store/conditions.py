"""The conditions of a list that may be narrowed in several ways.

`(%(bay)s IS NULL OR bay.slug = %(bay)s)` for each of them reads well, but the plan that Postgres keeps after some runs is one
for any value, and for that it walks the whole table to find a page (measured: 10 ms against 0.5 at 10,000 pulls).
"""

from collections.abc import Mapping
from typing import LiteralString


def only_given(conditions: Mapping[LiteralString, object]) -> LiteralString:
    """Those of these conditions whose value was given, all of which must hold."""
    return " AND ".join(["true", *(sql for sql, value in conditions.items() if value is not None)])

"""How long after its commit a post can be seen on a hot standby, beside what the commit itself took.

A standby of the smallest history streams from it on the same machine. Posts of raw pulls are committed on the primary;
then the standby is asked for each until it has it.
"""

import statistics
import tempfile
from collections.abc import Iterator
from pathlib import Path

import orjson
from psycopg.sql import SQL, Identifier

from service.schemas.sessions import SessionPost
from tests.bench import names
from tests.bench.kept import open_to_all
from tests.bench.results import Figure, median_with_error, percentile
from tests.bench.served import Served
from tests.scale.two_clusters import standby_of
from tests.scale.visibility import Committed, visibility


def measure_standby(history: Served, posts: int) -> Iterator[Figure]:
    """The figures of so many posts."""
    with (
        tempfile.TemporaryDirectory(prefix="bench-") as folder,
        standby_of(history.server, open_to_all(Path(folder)) / "standby") as two,
    ):
        two.caught_up()
        found = visibility(two.standby_owner_url, [lambda: kept_raw(history)] * posts)
    value, error = median_with_error(found.ratios)
    commits, delays = ([1000.0 * seconds for seconds in times] for times in (found.commit_s, found.visible_s))
    of = (history.of, history.pulls)
    yield Figure(names.STANDBY_VISIBLE, value, "x its commit", *of, error, statistics.median(commits))
    yield Figure("post visible on a standby, median", statistics.median(delays), "ms", *of)
    yield Figure("post visible on a standby, 95 in 100", percentile(delays, 0.95), "ms", *of)


def kept_raw(history: Served) -> Committed:
    """A session kept as it came, and what its COMMIT took."""
    session = SessionPost().load(orjson.loads(history.posting.unsent()))
    took_ms = history.raw.commit_ms(session)
    look = SQL("SELECT 1 FROM {}.session WHERE id = %s").format(Identifier(history.raw.schema))
    return Committed(took_ms / 1000.0, look, (session.id,))

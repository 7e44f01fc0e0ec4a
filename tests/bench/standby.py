"""How long after its commit a post can be seen on a hot standby, beside what the commit itself took.

A standby of the smallest history streams from it on the same machine. Posts of raw pulls are committed on the primary;
then the standby is asked for each until it has it.
"""

import statistics
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import orjson
import psycopg
from psycopg import sql

from service.domain.records import PostedSession
from service.schemas.sessions import SessionPost
from tests.bench import names
from tests.bench.kept import open_to_all
from tests.bench.results import Figure, median_with_error, percentile
from tests.bench.served import Served
from tests.scale.two_clusters import standby_of

PATIENCE_S = 10.0


def measure_standby(history: Served, posts: int) -> Iterator[Figure]:
    """The figures of so many posts."""
    with (
        tempfile.TemporaryDirectory(prefix="bench-") as folder,
        standby_of(history.server, open_to_all(Path(folder)) / "standby") as two,
        psycopg.connect(two.standby_owner_url, autocommit=True) as looking,
    ):
        two.caught_up()
        seen = [one_post(history, looking) for _ in range(posts)]
    commits, delays = zip(*seen, strict=True)
    value, error = median_with_error([delay / commit for commit, delay in seen])
    yield Figure(
        names.STANDBY_VISIBLE,
        value,
        "x its commit",
        history.of,
        history.pulls,
        error,
        statistics.median(commits),
    )
    yield Figure(
        "post visible on a standby, median", statistics.median(delays), "ms", history.of, history.pulls
    )
    yield Figure(
        "post visible on a standby, 95 in 100", percentile(delays, 0.95), "ms", history.of, history.pulls
    )


def one_post(history: Served, looking: psycopg.Connection[tuple[int]]) -> tuple[float, float]:
    """(what the commit took, how long after it the post could be seen) of one post [ms]."""
    session: PostedSession = SessionPost().load(orjson.loads(history.posting.unsent()))
    look = sql.SQL("SELECT 1 FROM {}.session WHERE id = %s").format(sql.Identifier(history.raw.schema))
    commit_ms = history.raw.commit_ms(session)
    began = time.perf_counter()
    while looking.execute(look, (session.id,), prepare=True).fetchone() is None:
        if time.perf_counter() - began > PATIENCE_S:
            raise TimeoutError("the standby has not seen a post in time")
    return commit_ms, 1000.0 * (time.perf_counter() - began)

"""How long after its commit a post can be read at the standby, over how long the commit took."""

import statistics
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import psycopg

LONGEST_S = 30.0


@dataclass(frozen=True)
class Visibility:
    """Times of several commits: how long each took [s], and how long after it the standby showed it [s]."""

    commit_s: tuple[float, ...]
    visible_s: tuple[float, ...]

    @property
    def ratio(self) -> float:
        """The median of the one over the median of the other: five at most is asked for (our choice)."""
        return statistics.median(self.visible_s) / statistics.median(self.commit_s)


Commit = Callable[[], tuple[str, tuple[object, ...]]]
"""Commits something and answers the question (statement, parameters) that is true where it can be read."""


def visibility(read_url: str, commits: Iterable[Commit]) -> Visibility:
    """Do one commit after the other and watch for each at the standby."""
    took: list[float] = []
    seen: list[float] = []
    with psycopg.connect(read_url, autocommit=True) as conn:
        conn.prepare_threshold = 0
        for commit in commits:
            began = time.perf_counter()
            statement, parameters = commit()
            done = time.perf_counter()
            wait_for(conn, statement, parameters, done)
            took.append(done - began)
            seen.append(time.perf_counter() - done)
    return Visibility(tuple(took), tuple(seen))


def wait_for(conn: psycopg.Connection, statement: str, parameters: tuple[object, ...], since: float) -> None:
    """Ask without a pause until it is there."""
    while conn.execute(statement, parameters).fetchone() != (True,):  # type: ignore[arg-type]
        assert time.perf_counter() - since < LONGEST_S, "not seen at the standby"


def posted(post: Callable[[], str]) -> Commit:
    """A session posted over HTTP; `post` answers its id."""

    def commit() -> tuple[str, tuple[object, ...]]:
        return "SELECT EXISTS (SELECT FROM session WHERE id = %s)", (post(),)

    return commit

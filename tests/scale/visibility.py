"""How long after its commit a post can be read at the standby, beside how long the commit took."""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import psycopg
from psycopg.sql import SQL, Composed

LONGEST_S = 30.0


@dataclass(frozen=True)
class Visibility:
    """Times of several commits: how long each took [s], and how long after it the standby showed it [s]."""

    commit_s: tuple[float, ...]
    visible_s: tuple[float, ...]

    @property
    def ratios(self) -> list[float]:
        """Of each commit the one over the other."""
        return [seen / took for took, seen in zip(self.commit_s, self.visible_s, strict=True)]


@dataclass(frozen=True)
class Committed:
    """How long a commit took [s], and the question that has a row where it can be read."""

    took_s: float
    question: SQL | Composed
    parameters: tuple[object, ...]


def visibility(read_url: str, commits: Iterable[Callable[[], Committed]]) -> Visibility:
    """Do one commit after the other and watch for each at the standby."""
    took: list[float] = []
    seen: list[float] = []
    with psycopg.connect(read_url, autocommit=True) as conn:
        conn.prepare_threshold = 0
        for commit in commits:
            committed = commit()
            done = time.perf_counter()
            wait_for(conn, committed, done)
            took.append(committed.took_s)
            seen.append(time.perf_counter() - done)
    return Visibility(tuple(took), tuple(seen))


def wait_for(conn: psycopg.Connection, committed: Committed, since: float) -> None:
    """Ask without a pause until it is there."""
    while conn.execute(committed.question, committed.parameters).fetchone() is None:
        if time.perf_counter() - since > LONGEST_S:
            raise TimeoutError("not seen at the standby")


def posted(post: Callable[[], str]) -> Callable[[], Committed]:
    """A session posted over HTTP; `post` answers its id."""

    def commit() -> Committed:
        began = time.perf_counter()
        session = post()
        return Committed(time.perf_counter() - began, SQL("SELECT 1 FROM session WHERE id = %s"), (session,))

    return commit

"""A server of the tests' own that may be spoilt: its database, an app over it, and all that was posted there."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
from psycopg import sql

from service.local import LocalServer, start_server
from tests.conftest import Client
from tests.faults.bays import Bays, Send, straight_into
from tests.faults.conftest import CARS, client_of, poster
from tests.faults.sessions import a_small_shop, random_sessions
from tests.tokens import admin_token

MAX_CONNECTIONS = 16
"""Of the server; three of them are the superuser's."""


@dataclass
class OwnLedger:
    """A ledger whose server is in the tests' hands."""

    server: LocalServer
    client: Client
    documents: dict[str, dict[str, Any]] = field(default_factory=dict)

    @property
    def send(self) -> Send:
        """An attempt to post."""
        return straight_into(self.client)

    def bays(self, seed: int, count: int) -> Bays:
        """Bays with so many posts of their own; what was posted before must be held on to as well."""
        before = set(self.documents)
        self.documents |= {document["id"]: document for document in random_sessions(seed, count, CARS)}
        return Bays(dict(self.documents), answered=before)

    def above(self, statement: str) -> list[tuple[Any, ...]]:
        """A statement of the superuser's, whatever the database is set to."""
        url, options = self.server.superuser_url, "-c default_transaction_read_only=off"
        with psycopg.connect(url, autocommit=True, options=options) as line:
            done = line.execute(sql.SQL(statement))  # type: ignore[arg-type]
            return done.fetchall() if done.description else []

    def cut_lines(self) -> None:
        """End all the service's lines to its database."""
        self.above(
            "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE usename = 'bayledger_service'"
        )

    def forget_lines(self) -> None:
        """Give the app's lines back; the next request opens a new one."""
        self.client.client.application.extensions["bayledger"].connect.close()

    @contextmanager
    def no_line_left(self) -> Iterator[None]:
        """Somebody else takes every line that the server has for the service."""
        taken: list[psycopg.Connection[Any]] = []
        try:
            while len(taken) < MAX_CONNECTIONS:
                taken.append(psycopg.connect(self.server.service_url, autocommit=True))
        except psycopg.OperationalError:
            yield
        finally:
            for line in taken:
                line.close()
        assert len(taken) < MAX_CONNECTIONS


@contextmanager
def own_ledger(folder: Path) -> Iterator[OwnLedger]:
    """A small shop in a migrated data folder."""
    with (folder / "postgres" / "postgresql.conf").open("a") as settings:
        settings.write(f"max_connections = {MAX_CONNECTIONS}\nsuperuser_reserved_connections = 3\n")
    with start_server(folder) as server:
        token = admin_token(server.owner_url, "own")
        client = client_of(server.service_url, token)
        a_small_shop(poster(client), CARS)
        yield OwnLedger(server, client)
        client.client.application.extensions["bayledger"].close()

"""Reading a kept session whole."""

from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import NotFound
from service.store import reading
from service.store.db import Connection, together


@dataclass(frozen=True, slots=True)
class WholeSession:
    """A session with everything that belongs to it."""

    session: reading.SessionRow
    setups: list[reading.SetupRow]
    pulls: list[reading.PullRow]
    findings: list[reading.FindingRow]
    pairs: list[reading.SessionPair]


def whole_session(conn: Connection, id: UUID) -> WholeSession:
    """The session, or NotFound."""
    with together(conn):
        found = reading.ask_session(conn, id)
        setups, pulls = reading.setups_of_session(conn, id), reading.pulls_of_session(conn, id)
        findings, pairs = reading.findings_of_session(conn, id), reading.pairs_of_session(conn, id)
        session = found()
        if session is None:
            raise NotFound("session", str(id))
        return WholeSession(session, setups(), pulls(), findings(), pairs())

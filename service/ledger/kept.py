"""Reading a kept session whole."""

from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import NotFound
from service.store import reading
from service.store.db import Connection


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
    session = reading.get_session(conn, id)
    if session is None:
        raise NotFound("session", str(id))
    key = session.session_id
    return WholeSession(
        session=session,
        setups=reading.setups_of_session(conn, key),
        pulls=reading.pulls_of_session(conn, key),
        findings=reading.findings_of_session(conn, key),
        pairs=reading.pairs_of_session(conn, key),
    )

"""What stands beside a dump: which ledger it is of, when, and what must be found in a copy of it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from typing import Any, Final

from service.keeping.errors import KeepingError

FORMAT: Final = 1
"""Number of the way a manifest is laid out."""
FINGERPRINT_DIGITS: Final = 16


@dataclass(frozen=True, slots=True)
class Manifest:
    """rows: of each table; answers: what `figures` gave, None where they could not be asked, and `unanswered` says why;
    vin_key: fingerprint of the key that VINs were hashed under, None where it is not known; size of the database [bytes]."""

    taken_at: datetime
    program: str
    database: str
    system_identifier: str
    server_version: str
    dumped_by: str
    revision: str
    size: int
    vin_key: str | None
    rows: dict[str, int]
    answers: dict[str, Any] | None
    unanswered: str | None

    @property
    def ledger(self) -> tuple[str, str]:
        """Which ledger it is of: the Postgres, and the database in it."""
        return self.system_identifier, self.database

    def text(self) -> str:
        """As JSON, for people too."""
        document = {"format": FORMAT, **asdict(self), "taken_at": self.taken_at.isoformat()}
        return json.dumps(document, indent=2, ensure_ascii=False) + "\n"


def read_manifest(text: str, name: str) -> Manifest:
    """A manifest from its JSON. Raises KeepingError where it is none, or of a newer format."""
    try:
        document = json.loads(text)
        if document["format"] != FORMAT:
            raise KeepingError(
                f"{name} is laid out by format {document['format']!r}, this program reads {FORMAT}: use the version that "
                "wrote it, or a newer one"
            )
        read = {one.name: document[one.name] for one in fields(Manifest)}
        return Manifest(**{**read, "taken_at": datetime.fromisoformat(read["taken_at"])})
    except (ValueError, KeyError, TypeError) as error:
        raise KeepingError(f"{name} is damaged: {error}. Take another copy of the backup") from None


def fingerprint(key: str | None) -> str | None:
    """By which a key is known again and which does not give it away."""
    if not key:
        return None
    return hashlib.sha256(b"bayledger backup\0" + key.encode()).hexdigest()[:FINGERPRINT_DIGITS]

"""What can go wrong in a user's request, as exceptions that know nothing of HTTP. The class docstring is the title."""

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong at one place, with the way out in its detail.

    The place is an RFC 6901 pointer into the body, or the query's `parameter`.
    """

    pointer: str
    detail: str
    code: str | None = None
    parameter: str | None = None


class LedgerError(Exception):
    """The ledger could not do this."""

    status: ClassVar[int] = 500

    def __init__(self, detail: str, faults: list[Fault] | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        self.faults = faults or []

    @property
    def title(self) -> str:
        """The first line of the class's docstring."""
        return (type(self).__doc__ or "").splitlines()[0].rstrip(".")


class NotFound(LedgerError):
    """No such thing in the ledger."""

    status = 404

    def __init__(self, kind: str, name: str, nearest: list[str] | None = None) -> None:
        hint = f"; the nearest are {', '.join(nearest)}" if nearest else ""
        super().__init__(f"there is no {kind} '{name}'{hint}")


class Refused(LedgerError):
    """The content cannot be accepted."""

    status = 422


class Conflict(LedgerError):
    """This conflicts with what the ledger already holds."""

    status = 409


class Stale(LedgerError):
    """The record has changed since it was read."""

    status = 412


class PreconditionMissing(LedgerError):
    """A change needs If-Match."""

    status = 428


class Unavailable(LedgerError):
    """The ledger cannot be reached at this moment."""

    status = 503

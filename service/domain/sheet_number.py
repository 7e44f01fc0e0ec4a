"""The number printed on a customer's sheet: short enough to be typed from paper, and enough to find its records again.

`7158-2c73-4094-1-2` is the session whose id begins 71582c73-4094, its setup 1 held against its setup 2; one setup alone
is a sheet of one state. A first state of another session stands behind the other one's number:
`7158-2c73-4094-2-a91c-22b0-4e1d-1`. Nothing is registered, so any sheet can be found, also one that was never printed.
"""

import re
from dataclasses import dataclass
from uuid import UUID

from service.domain.errors import Refused

GROUPS, DIGITS = 3, 4
PREFIX = GROUPS * DIGITS
"""Hex digits of a session's id on paper: 48 bits tell a hundred thousand sessions apart but for one in 50,000 shops."""
MISREAD = str.maketrans("oil", "011")
"""No hex digit looks like these letters, so a letter O is a nought and I or L a one."""
WAY_OUT = "type it as printed, such as 7158-2c73-4094-1-2"


@dataclass(frozen=True, slots=True)
class SheetNumber:
    """A number taken apart: the session with `after` (or the only state) by the first digits of its id, and `before` in
    the same session or in another one. before None: a sheet of one state."""

    session: str
    after: int
    before: int | None = None
    before_session: str | None = None

    def __str__(self) -> str:
        if self.before is None:
            return f"{grouped(self.session)}-{self.after}"
        if self.before_session is None:
            return f"{grouped(self.session)}-{self.before}-{self.after}"
        return f"{grouped(self.session)}-{self.after}-{grouped(self.before_session)}-{self.before}"


def grouped(digits: str) -> str:
    """The first digits of an id in groups of four."""
    return "-".join(digits[i : i + DIGITS] for i in range(0, PREFIX, DIGITS))


def number_of(after: tuple[UUID, int], before: tuple[UUID, int] | None) -> SheetNumber:
    """The number of a sheet about one setup, or about two."""
    session, n = after[0].hex[:PREFIX], after[1]
    if before is None:
        return SheetNumber(session, n)
    elsewhere = None if before[0] == after[0] else before[0].hex[:PREFIX]
    return SheetNumber(session, n, before[1], elsewhere)


def read_number(typed: str) -> SheetNumber:
    """A number as somebody typed it: spaces, capitals, other dashes and letters O, I, L for digits are forgiven.

    Raises Refused with the way out where it is no sheet's number.
    """
    parts = [part.translate(MISREAD) for part in re.split(r"[^0-9a-z]+", typed.lower()) if part]
    match len(parts):
        case 4:
            return SheetNumber(digits_of(parts[:3], typed), setup_of(parts[3], typed))
        case 5:
            return SheetNumber(
                digits_of(parts[:3], typed), setup_of(parts[4], typed), setup_of(parts[3], typed)
            )
        case 8:
            return SheetNumber(
                digits_of(parts[:3], typed),
                setup_of(parts[3], typed),
                setup_of(parts[7], typed),
                digits_of(parts[4:7], typed),
            )
    raise wrong(typed)


def digits_of(groups: list[str], typed: str) -> str:
    """The digits of a session's id."""
    if not all(re.fullmatch(r"[0-9a-f]{4}", group) for group in groups):
        raise wrong(typed)
    return "".join(groups)


def setup_of(part: str, typed: str) -> int:
    """The number of a setup."""
    if not re.fullmatch(r"[1-9][0-9]{0,3}", part):
        raise wrong(typed)
    return int(part)


def wrong(typed: str) -> Refused:
    """The refusal of what is no number."""
    return Refused(f"'{typed[:60]}' is no sheet's number; {WAY_OUT}")


def ends_of(digits: str) -> tuple[UUID, UUID]:
    """The lowest and the highest id that begin with these digits."""
    return UUID(digits.ljust(32, "0")), UUID(digits.ljust(32, "f"))

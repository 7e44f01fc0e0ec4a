"""Vehicle identification numbers: a keyed hash to recognise a car by, and what looks wrong about one as typed.

The number itself is kept nowhere. Old and imported cars carry other numbers, so nothing here refuses one.
"""

import hashlib
import hmac
from collections.abc import Iterator
from typing import NamedTuple

LENGTH = 17  # ISO 3779; 49 CFR 565.13
CHECK_DIGIT_AT = 8
NORTH_AMERICA = "12345"
"""First characters of cars made for a market that requires the check digit (ISO 3780 region, from memory)."""

VALUES = {
    **{str(digit): digit for digit in range(10)},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
"""49 CFR 565.15(c), table III."""
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
"""49 CFR 565.15(c), table IV; the check digit itself weighs nothing."""


class VinNote(NamedTuple):
    """Something about a VIN that may be a slip of the pen."""

    code: str
    message: str


def plain_vin(vin: str) -> str:
    """The number without the spaces and hyphens people put in, in capitals."""
    return "".join(vin.split()).replace("-", "").upper()


def vin_hash(vin: str, key: bytes) -> bytes:
    """HMAC-SHA256: without the key nobody can try out numbers against it."""
    return hmac.new(key, plain_vin(vin).encode(), hashlib.sha256).digest()


def vin_notes(vin: str) -> Iterator[VinNote]:
    """What looks wrong: the length, letters that no VIN has, the check digit where one is required."""
    number = plain_vin(vin)
    if len(number) != LENGTH:
        yield VinNote(
            "vin-length",
            f"the VIN has {len(number)} characters; cars since 1981 have {LENGTH}: read it again",
        )
    strange = sorted({c for c in number if c not in VALUES})
    if strange:
        yield VinNote(
            "vin-letters",
            f"the VIN has {', '.join(strange)}, which no VIN has (I, O and Q are read as 1 and 0)",
        )
    if len(number) == LENGTH and not strange and number[0] in NORTH_AMERICA:
        expected = check_digit(number)
        if number[CHECK_DIGIT_AT] != expected:
            yield VinNote(
                "vin-check-digit",
                "the VIN's check digit, its ninth character, does not fit the others: read it again",
            )


def check_digit(number: str) -> str:
    """The ninth character that the other sixteen ask for (49 CFR 565.15(c))."""
    total = sum(VALUES[c] * weight for c, weight in zip(number, WEIGHTS, strict=True))
    return "0123456789X"[total % 11]

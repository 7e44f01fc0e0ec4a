"""Moments as they are typed, and where in a line one stands."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import Final

DATE_FORMATS: Final = (
    "%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%d.%m.%Y", "%d.%m.%y", "%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%Y",
    "%m-%d-%Y", "%d-%m-%y", "%m-%d-%y", "%Y%m%d", "%d %b %Y", "%d %B %Y", "%d-%b-%Y", "%b %d, %Y", "%B %d, %Y", "%b %d %Y", "%B %d %Y",
)  # fmt: skip
CLOCK_FORMATS: Final = ("%H:%M:%S.%f", "%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p")
GAPS: Final = (" ", "T", ", ")
LONGEST_VALUE: Final = 60
OLDEST_YEAR: Final = 1950  # of a pull: our choice

_MONTHS: Final = (
    "jan gen ene feb fév fev mar mär apr avr abr may mai mag jun jui giu jul lug aug aoû aou ago sep set oct okt ott out nov dec "
    "déc dez dic"
)
_MONTH: Final = rf"(?:{'|'.join(_MONTHS.split())})[^\W\d_]*\.?"
_DAY: Final = (
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2}(?=,?\s+\d{1,2}:)"
    rf"|\d{{1,2}}\.?[- ]{_MONTH}[-, ]+\d{{4}}|{_MONTH} \d{{1,2}},? \d{{4}}"
)
_CLOCK: Final = r"\d{1,2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?(?:\s?[ap]m\b)?"
_ZONE: Final = r"\s?(?:Z\b|UTC\b|GMT\b|[-+]\d{2}:?\d{2}\b)"
_LIKE_A_DATE: Final = re.compile(
    rf"(?<![\w.,:/-])(?:{_DAY})(?:(?:T|,?\s+){_CLOCK}(?:{_ZONE})?)?(?![\w/:-])", re.IGNORECASE
)
"""Two figures of a year only with a time of day behind them: else it may be a version's number."""
_DIRECTIVES: Final = {
    "Y": r"\d{4}",
    "b": r"[A-Za-z]{3}",
    "B": r"[A-Za-z]{3,9}",
    "p": r"[AaPp][Mm]",
    "f": r"\d{1,6}",
}


def dates_like(text: str) -> list[str]:
    """What looks like a date in a line, with the time of day behind it, whether or not it can be read."""
    return [found[0] for found in _LIKE_A_DATE.finditer(" ".join(text.split()))]


def moment_formats(text: str) -> tuple[str, ...]:
    """Every way in which a date, with or without a time of day, can be read; two of them is an ambiguity."""
    text = " ".join(text.split())[:LONGEST_VALUE]
    found = []
    for day in DATE_FORMATS:
        for form in (day, *(f"{day}{gap}{clock}" for clock in CLOCK_FORMATS for gap in GAPS)):
            moment = moment_in(text, form)
            if moment is not None and moment.year >= OLDEST_YEAR:
                found.append(form)
    return tuple(form for form in found if not _same_reading(text, form, found))


def _same_reading(text: str, form: str, found: Sequence[str]) -> bool:
    """Whether an earlier form reads the text alike, as 05/05/2026 whichever way round."""
    return any(moment_in(text, other) == moment_in(text, form) for other in found[: found.index(form)])


def is_form(form: str) -> bool:
    """Whether a form can be read by at all: it names no part of a date twice."""
    try:
        datetime.strptime("", form)  # noqa: DTZ007
    except re.error:
        return False
    except ValueError:
        return True
    return True


def moment_in(text: str, form: str) -> datetime | None:
    """The moment a text holds in one form, without an offset from UTC: files give none."""
    try:
        return datetime.strptime(" ".join(text.split())[:LONGEST_VALUE], form)  # noqa: DTZ007
    except ValueError:
        return None


def moment_within(line: str, form: str) -> datetime | None:
    """The first moment in a form that stands in a line, whatever else stands there; none that goes on with an offset."""
    line = " ".join(line.split())
    found = (moment_in(one[0], form) for one in _pattern(form).finditer(line))
    return next((moment for moment in found if moment is not None), None)


@cache
def _pattern(form: str) -> re.Pattern[str]:
    parts = re.split(r"%(.)", form)
    written = [
        _DIRECTIVES.get(part, r"\d{1,2}") if n % 2 else re.escape(part) for n, part in enumerate(parts)
    ]
    return re.compile(rf"(?<![\w.,:/-]){''.join(written)}(?![\w/:-]|{_ZONE})", re.IGNORECASE)

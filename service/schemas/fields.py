"""Field types of ours: every message names the way out, and quantities are SI inside whatever the document's units."""

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime
from typing import Any

import numpy as np
from marshmallow import ValidationError, fields, missing, validate
from numpy.typing import NDArray

from service.domain.units import SYSTEMS, from_si, to_si, unit_of

MAX_SAMPLES = 20_000
"""A pull of 200 s at 100 Hz; more is a whole log, not a pull (our choice)."""
MISSING = "missing: this field is required"
SIGNIFICANT = 9
"""Digits kept when a quantity leaves the house: enough to come back unchanged at any declared resolution."""

_system: ContextVar[str | None] = ContextVar("unit system of the document", default=None)


@contextmanager
def units_of(system: str | None) -> Iterator[None]:
    """Within this, quantities are read and written in the given unit system."""
    token = _system.set(system)
    try:
        yield
    finally:
        _system.reset(token)


def set_system(system: object) -> None:
    """Take the unit system a document names; anything else is left for its own field to refuse."""
    _system.set(system if system in SYSTEMS else None)


def known_system() -> str:
    """The document's unit system, or an error that says how to name one."""
    system = _system.get()
    if system is None:
        raise ValidationError("which unit? say `units` at the top of the document: si, us or ps")
    return system


def shown(value: float | None, quantity: str, system: str) -> float | None:
    """An SI figure in a unit system, rounded to what a float of the ledger carries."""
    if value is None or value != value:
        return None
    return float(f"{from_si(value, quantity, system):.{SIGNIFICANT}g}")


class Lean(fields.Field[Any]):
    """A field that takes a value in fewer steps than marshmallow's own; what it takes and refuses is the same."""

    def deserialize(
        self, value: Any, attr: str | None = None, data: Mapping[str, Any] | None = None, **kwargs: Any
    ) -> Any:
        """The value as it is inside the house."""
        if value is missing or value is None:
            return super().deserialize(value, attr, data, **kwargs)
        found = self._deserialize(value, attr, data, **kwargs)
        try:
            for check in self.validators:
                check(found)
        except ValidationError:
            self._validate(found)  # says all that is wrong at once
        return found


class Text(Lean, fields.String):
    """Text a person typed: no null bytes, not endless."""

    def __init__(self, *, longest: int = 2000, shortest: int = 0, **kwargs: Any) -> None:
        super().__init__(
            validate=validate.Length(max=longest, error="longer than {max} characters; shorten it"), **kwargs
        )
        if shortest:
            self.validators.append(
                validate.Length(min=shortest, error="is empty; give it, or leave the field out")
            )

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> str:
        text: str = super()._deserialize(value, attr, data, **kwargs)
        if "\x00" in text:
            raise ValidationError("contains a null byte; send plain text")
        return text


class Slug(Text):
    """A short name for addresses."""

    def __init__(self, **kwargs: Any) -> None:
        described = {"description": "Lower-case letters, digits and hyphens.", **kwargs.pop("metadata", {})}
        super().__init__(longest=64, metadata=described, **kwargs)
        self.validators.append(
            validate.Regexp(
                r"^[a-z0-9][a-z0-9-]{0,63}\Z",
                error="use 1 to 64 of a-z, 0-9 and -, beginning with a letter or digit",
            )
        )


class Currency(Text):
    """A currency by its ISO 4217 code."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(longest=3, **kwargs)
        self.validators.append(
            validate.Regexp(r"^[A-Z]{3}\Z", error="use three capital letters, such as GBP")
        )


class Flag(fields.Boolean):
    """JSON true or false; a word or a number is neither."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("must be true or false, without quotes")
        return value


class Word(Text):
    """One of a few words; they are named where it is missing too."""

    def __init__(self, *choices: str, **kwargs: Any) -> None:
        missing = {"required": f"{MISSING}; one of {', '.join(choices)}"}
        super().__init__(longest=64, error_messages=missing, **kwargs)
        self.validators.append(validate.OneOf(choices, error="must be one of {choices}"))


class Number(Lean, fields.Float):
    """A finite JSON number; text and true/false are not numbers here."""

    def _validated(self, value: Any) -> float:
        if type(value) is float and math.isfinite(value):
            return value
        if isinstance(value, bool | str):
            raise ValidationError("not a number; send it without quotes")
        return super()._validated(value)


class Whole(Lean, fields.Integer):
    """A whole JSON number that fits the ledger's columns."""

    def __init__(self, *, low: int = -(2**31), high: int = 2**31 - 1, **kwargs: Any) -> None:
        super().__init__(strict=True, validate=between(low, high), **kwargs)

    def _validated(self, value: Any) -> int:
        if isinstance(value, bool | str):
            raise ValidationError("not a whole number; send it without quotes")
        return super()._validated(value)


class Money(fields.Decimal):
    """An amount of money to the hundredth, written as a JSON number."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(places=2, validate=between(0, 9_999_999), **kwargs)

    def _validated(self, value: Any) -> Any:
        if isinstance(value, bool | str):
            raise ValidationError("not a number; send it without quotes")
        return super()._validated(value)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else float(value)


def between(low: float, high: float) -> validate.Range:
    """A range check that says the range."""
    return validate.Range(min=low, max=high, error="must lie between {min} and {max}")


class Quantity(Number):
    """A physical quantity: SI inside, the document's unit outside. `low` and `high` are in SI and are what can be true."""

    def __init__(
        self, quantity: str, *, low: float | None = None, high: float | None = None, **kwargs: Any
    ) -> None:
        words = f"A {quantity.replace('_', ' ')}, in the document's `units`."
        super().__init__(metadata={"description": words, **kwargs.pop("metadata", {})}, **kwargs)
        self.quantity = quantity
        self.low, self.high = low, high

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> float:
        number = super()._deserialize(value, attr, data, **kwargs)
        system = known_system()
        si = float(to_si(float(number), self.quantity, system))
        if (self.low is not None and si < self.low) or (self.high is not None and si > self.high):
            raise ValidationError(self.out_of_range(system))
        return si

    def out_of_range(self, system: str) -> str:
        """What can be true, in the document's own unit."""
        symbol = unit_of(self.quantity, system).symbol
        ends = [
            "" if end is None else f"{float(f'{from_si(end, self.quantity, system):.4g}'):,.10g}"
            for end in (self.low, self.high)
        ]
        return f"must lie between {ends[0]} and {ends[1]} {symbol}: is it in another unit?"

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else shown(float(value), self.quantity, _system.get() or "si")


class CountedFirst(fields.Field[Any]):
    """A field whose members are counted before they are read: an endless one is refused for the price of a look."""

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> Any:
        if isinstance(value, list | dict):
            self._validate(value)
        return super()._deserialize(value, attr, data, **kwargs)


class Several(CountedFirst, fields.List[Any]):
    """A list in a body; its `validate` says how many members it may have."""


class Named(CountedFirst, fields.Dict):
    """An object whose names are free; its `validate` says how many there may be."""


FIRST_YEAR, LAST_YEAR = 2, 9998
"""One year within the ends of the calendar here, so that what is worked out around a time lies in it too."""
OUTSIDE = "lies outside the calendar; check the year"


class Moment(Lean, fields.AwareDateTime):
    """A time with its offset (RFC 3339)."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(format="iso", **kwargs)
        self.error_messages["invalid"] = "not an RFC 3339 time; write 2026-03-18T16:20:00+00:00"
        self.error_messages["invalid_awareness"] = "has no offset from UTC; end it with Z or +01:00"

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> datetime:
        moment: datetime = super()._deserialize(value, attr, data, **kwargs)
        try:
            moment = moment.astimezone(UTC)
        except OverflowError:
            raise ValidationError(OUTSIDE) from None
        if not FIRST_YEAR <= moment.year <= LAST_YEAR:
            raise ValidationError(OUTSIDE)
        return moment


class Samples(Lean):
    """A channel of a curve: a JSON list of finite numbers as one array, converted in one pass.

    A list of float fields takes fifty times as long, which is most of what a post costs.
    """

    def __init__(self, quantity: str | None = None, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.quantity = quantity

    def _deserialize(
        self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any
    ) -> NDArray[np.float64]:
        if not isinstance(value, list):
            raise ValidationError("must be a list of numbers")
        if not value:
            raise ValidationError("is empty; a curve needs at least two samples")
        if len(value) > MAX_SAMPLES:
            raise ValidationError(
                f"has {len(value)} samples; at most {MAX_SAMPLES}: send one pull, not the whole log, or thin it out"
            )
        array = numbers_of(value)
        return in_si(array, self.quantity) if self.quantity else array

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return value


def numbers_of(value: list[Any]) -> NDArray[np.float64]:
    """A list of finite numbers as float64, or an error that names the first that is none."""
    if not {*map(type, value)} <= {int, float}:
        first = next(i for i, sample in enumerate(value) if type(sample) not in (int, float))
        raise ValidationError({first: ["not a number; send every sample as a number"]})
    try:
        array = np.asarray(value, dtype=np.float64)
    except OverflowError:
        raise ValidationError("holds a number too large for any channel") from None
    return finite(array, "not a finite number; leave the sample out of every channel")


def in_si(array: NDArray[np.float64], quantity: str) -> NDArray[np.float64]:
    """Samples in the document's unit, in SI; an error names the first that no float holds there."""
    with np.errstate(over="ignore"):
        si = to_si(array, quantity, known_system())
    return finite(si, "too large for any channel; check the unit and the column")


def finite(array: NDArray[np.float64], words: str) -> NDArray[np.float64]:
    """Samples that are numbers all, or an error that names the first that is none."""
    known = np.isfinite(array)
    if not known.all():
        raise ValidationError({int(np.argmin(known)): [words]})
    return array

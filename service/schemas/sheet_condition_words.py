"""What both states were measured in, side by side, and what was not measured, in words."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from service.domain.review_figures import condition_text
from service.domain.units import from_si, unit_of
from service.schemas.sheet_test_words import UNKNOWN, UNMEASURED, Row, row

if TYPE_CHECKING:
    from service.answers.sheet import Sheet
    from service.answers.sheet_states import Span, State

PROBES = {
    "before-catalyst": "before the catalyst",
    "after-catalyst": "after the catalyst",
    "tailpipe": "at the tailpipe",
}
CONDITIONS: tuple[tuple[str, str, str | None, str], ...] = (
    # name, words, quantity, sign behind the figure where it has no quantity
    ("room_temperature", "Room air", "temperature", ""),
    ("air_pressure", "Air pressure", "pressure", ""),
    ("humidity", "Humidity", None, "%"),
    ("inlet_start", "Inlet air, start", "temperature", ""),
    ("inlet_end", "Inlet air, end", "temperature", ""),
    ("coolant", "Coolant", "temperature", ""),
    ("oil", "Oil", "temperature", ""),
    ("lambda", "Lambda", None, ""),
    ("map", "Manifold pressure", "pressure", ""),
    ("spark", "Spark advance", None, "°"),
)
PRESSURE_DECIMALS = {"si": 1, "us": 2, "ps": 0}
"""What a gauge shows (our choice)."""


def conditions(sheet: "Sheet", units: str) -> Iterator[Row]:
    """Air, inlet, coolant, oil, mixture, pressure and spark of A and of B, side by side."""
    for name, words, quantity, sign in CONDITIONS:
        spans = [one.spans.get(name) for one in sheet.states]
        symbol = unit_of(quantity, units).symbol if quantity else sign
        label = f"{words}, {symbol}" if symbol else words
        yield {**row(label, *[span_words(span, name, quantity, units) for span in spans])}
    yield row("Lambda probe", *[PROBES.get(one.setup.lambda_probe or "", UNKNOWN) for one in sheet.states])


def span_words(span: "Span | None", name: str, quantity: str | None, units: str) -> str:
    """`24 (23 to 26)`."""
    if span is None:
        return UNMEASURED

    def text(value: float) -> str:
        if name == "humidity":
            return f"{100 * value:.0f}"
        if name == "lambda":
            return f"{value:.3f}"
        if name == "spark":
            return f"{value:.1f}"
        if quantity == "pressure":
            return f"{float(from_si(value, quantity, units)):.{PRESSURE_DECIMALS[units]}f}"
        return condition_text(value, quantity, units)

    low, high = text(span.low), text(span.high)
    if span.mean is None:
        return f"{low} to {high} over the pull" if low != high else low
    middle = text(span.mean)
    if low == high:
        return middle
    return f"{middle} ({low} to {high})"


def unmeasured(sheet: "Sheet") -> Iterator[Row]:
    """What nobody measured, and what no wheel figure tells."""
    missing = unmeasured_names(sheet)
    yield row("In this test", "; ".join(missing) if missing else "nothing of the list above is missing")
    yield row("Never here", "flywheel power, emissions, noise, durability: not measured")


def unmeasured_names(sheet: "Sheet") -> list[str]:
    """The conditions that were not measured, and in which state."""
    found = []
    for name, words, _, _ in CONDITIONS:
        lacks = [letter for letter, one in lettered(sheet) if name not in one.spans]
        if lacks:
            of = "" if len(lacks) == len(sheet.states) else f" ({lacks[0]})"
            found.append(f"{words[0].lower()}{words[1:]}{of}")
    fuels = [letter for letter, one in lettered(sheet) if one.setup.ethanol is None]
    if fuels:
        found.append("ethanol" + ("" if len(fuels) == len(sheet.states) else f" ({fuels[0]})"))
    return found


def lettered(sheet: "Sheet") -> list[tuple[str, "State"]]:
    """The states by their letters."""
    letters: Sequence[str] = ("A", "B") if sheet.a is not None else ("",)
    return list(zip(letters, sheet.states, strict=True))

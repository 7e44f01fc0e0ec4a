"""Figures as a review says them: small numbers in words, powers and percentages rounded to their noise, conditions to
what a gauge shows. Powers come in kW, conditions in SI; they leave in the asked unit."""

import math

from service.domain.units import from_si, unit_of

PERCENT_STEPS = (0.1, 0.5)
"""What percentages are rounded to: the largest that is not above their noise (common practice, no source)."""
WHOLE_FROM = 0.5
"""Noise from which a power is said in whole units: rounding adds no more than that (common practice, no source)."""
TWO_SIDED = 1.96
"""Standard errors of a normal distribution that 95 % lie within."""
COUNTS = (
    "no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


def capital(text: str) -> str:
    """With its first letter large."""
    return text[:1].upper() + text[1:]


def counted(count: int) -> str:
    """A small number in words."""
    return COUNTS[count] if count < len(COUNTS) else str(count)


def percent_step(noise: float) -> float:
    """What a percentage with so much noise [%] is rounded to."""
    return max((step for step in PERCENT_STEPS if step <= noise), default=PERCENT_STEPS[0])


def power_step(noise: float) -> float:
    """What a power with so much noise is rounded to, both in the asked unit."""
    return 1.0 if noise >= WHOLE_FROM else 0.1


def stepped(value: float, step: float, sign: str = "") -> str:
    """A figure in whole steps; what rounds to nought has no sign."""
    rounded = round(round(value / step) * step, 1) + 0.0
    return f"{rounded:{sign if rounded else ''}g}"


def power(mean_kw: float, error: float | None, units: str) -> str:
    """A setup's power, rounded to twice its standard error."""
    value = float(from_si(mean_kw, "power", units))
    noise = TWO_SIDED * (error or 0.0) * value
    return f"{stepped(value, power_step(noise))} {unit_of('power', units).symbol}"


def signed_power(gain_kw: float, noise_kw: float, units: str) -> str:
    """A change of power with its sign."""
    value, noise = (float(from_si(kw, "power", units)) for kw in (gain_kw, noise_kw))
    return f"{stepped(value, power_step(noise), '+')} {unit_of('power', units).symbol}"


def signed_percent(relative: float, noise: float) -> str:
    """A relative change in percent with its sign."""
    return stepped(100.0 * relative, percent_step(100.0 * noise), "+")


def shown_percent(relative: float) -> str:
    """A spread or range in percent, to the tenth; never nought, which no pulls are apart."""
    return f"{max(100.0 * relative, PERCENT_STEPS[0]):.1f}"


def condition_text(value: float, quantity: str | None, units: str) -> str:
    """A condition's value in the asked unit, to what a gauge shows."""
    return digits_of(value if quantity is None else float(from_si(value, quantity, units)), quantity, 4)


def difference_text(value: float, quantity: str | None, units: str) -> str:
    """A difference of a condition in the asked unit."""
    if quantity is not None:
        value = float(from_si(value, quantity, units)) - float(from_si(0.0, quantity, units))
    return digits_of(value, quantity, 2)


def digits_of(value: float, quantity: str | None, digits: int) -> str:
    """A temperature whole, anything else to so many significant digits."""
    if quantity == "temperature":
        return f"{value:.0f}"
    size = 0 if value == 0.0 else math.floor(math.log10(abs(value)))
    return f"{round(value, max(0, digits - 1 - size)):g}"

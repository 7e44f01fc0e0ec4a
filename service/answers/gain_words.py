"""How a gain's figures are said to a person: in the asker's units, rounded to what is known of them."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from service.answers.typical_gain import TypicalGain
from service.answers.unlike import condition
from service.domain.units import from_si, symbol

ROUGH = 0.01
"""An interval wider than this share of the reading to either side leaves no decimal worth saying (our choice)."""


def number(value: float, places: int = 0, *, plus: bool = False) -> str:
    """A number with a true minus sign, none before nought."""
    text = f"{value:{'+' if plus else ''},.{places}f}"
    if not any(digit in text for digit in "123456789"):
        return text.lstrip("+-")
    return text.replace("-", "\u2212")


def cars(count: int, what: str = "car") -> str:
    """`1 car`, `7 cars`."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def money(amount: float, currency: str | None) -> str:
    """An amount with its currency."""
    return f"{number(amount, 2 if abs(amount) < 20 else 0)} {currency or ''}".strip()


def sure(level: float) -> str:
    """`90 % sure`."""
    return f"{100 * level:.3g} % sure"


def speed(rpm: float) -> str:
    """An engine speed to ten rpm: where a band ends is known no better (our choice)."""
    return number(round(rpm, -1))


@dataclass(frozen=True, slots=True)
class Teller:
    """Says the gains [ln] of one answer."""

    found: TypicalGain
    units: str

    @property
    def unit(self) -> str:
        """What gains are said in: the unit of the measure, `%` where no level is known."""
        return "%" if self.found.base is None else symbol(self.found.asked.measure.quantity, self.units)

    def value(self, log: float) -> float:
        """A gain in that unit."""
        absolute = self.found.absolute(log)
        if absolute is None:
            return self.found.percent(log)
        return float(from_si(absolute, self.found.asked.measure.quantity, self.units))

    @property
    def places(self) -> int:
        """Decimals worth saying."""
        interval = self.found.headline.interval if self.found.headline else None
        wide = interval is not None and (interval[1] - interval[0]) / 2 > ROUGH
        return 0 if wide else 1

    def gain(self, log: float, *, plus: bool = True) -> str:
        """A gain with its unit."""
        return f"{number(self.value(log), self.places, plus=plus)} {self.unit}"

    def between(self, low: float, high: float) -> str:
        """`between 5.1 and 9.0 hp`."""
        return f"between {number(self.value(low), self.places)} and {self.gain(high, plus=False)}"

    def percent(self, log: float, *, plus: bool = True) -> str:
        """A gain in percent."""
        return f"{number(self.found.percent(log), 1, plus=plus)} %"

    def differences(self, differs: Sequence[dict[str, Any]]) -> list[str]:
        """What moved between the two sides of a pair, then what was recorded on neither of them."""
        neither = [one for one in differs if one["before"] is None and one["after"] is None]
        words = [self.difference(one) for one in differs if one not in neither]
        if neither:
            words.append(f"not recorded on both sides: {', '.join(condition(one)[0] for one in neither)}")
        return words

    def difference(self, one: dict[str, Any]) -> str:
        """A condition that moved between the two sides of a pair, with both readings."""
        name, quantity = condition(one)

        unit = f" {symbol(quantity, self.units)}" if quantity else ""

        def shown(value: Any, end: str) -> str:
            if value is None or isinstance(value, str):
                return "not recorded" if value is None else value
            return f"{from_si(float(value), quantity, self.units):.1f}{end}" if quantity else f"{value:.3g}"

        first = unit if one["after"] is None else ""  # once, after the last number
        return f"{name} {shown(one['before'], first)}, then {shown(one['after'], unit)}"

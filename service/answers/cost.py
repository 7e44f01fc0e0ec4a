"""What a part costs fitted, and for each unit of gain where the gain is established."""

import math
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Protocol

from service.domain.shop import Shop

Between = tuple[float, float, float]
"""A gain in logs: typical, low, high."""


class Priced(Protocol):
    """A part with what is recorded of its cost."""

    @property
    def price(self) -> Decimal | None: ...
    @property
    def currency(self) -> str | None: ...
    @property
    def price_date(self) -> date | None: ...
    @property
    def labour_hours(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Cost:
    """What the part costs fitted, and per unit of typical gain [money per kW or N.m]."""

    price: float | None
    currency: str | None
    price_date: date | None
    labour_hours: float | None
    labour_rate: float | None
    fitted: float | None
    per_unit: float | None
    per_unit_interval: tuple[float, float] | None


def cost_of(part: Priced, gain: Between | None, base: float | None, shop: Shop) -> Cost:
    """Fitted cost, and what a unit of typical gain costs where the gain is established.

    Parameters: gain, typical with its interval, None where there is none; base, what it is a gain on [kW or N.m].
    """
    price = None if part.price is None else float(part.price)
    rate = labour_rate(part, shop)
    fitted = fitted_cost(price, part.labour_hours, rate)
    per_unit, interval = None, None
    if fitted and gain is not None and gain[1] > 0 and base is not None:
        typical, low, high = (base * math.expm1(end) for end in gain)
        per_unit, interval = fitted / typical, (fitted / high, fitted / low)
    return Cost(price, part.currency, part.price_date, part.labour_hours, rate, fitted, per_unit, interval)


def labour_rate(part: Priced, shop: Shop, asked: float | None = None) -> float | None:
    """An hour's price: the asked one, else the shop's where it is set and in the part's currency."""
    if asked is not None:
        return asked
    same_money = part.currency is None or part.currency == shop["currency"]
    return shop["labour_rate"] if shop["labour_rate"] and same_money else None


def fitted_cost(price: float | None, hours: float | None, rate: float | None) -> float | None:
    """Price and labour together; None where a part of it is not known. Hours never written down are left out."""
    if price is None or (hours and rate is None):
        return None
    return price + (hours or 0.0) * (rate or 0.0)

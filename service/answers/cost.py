"""What a part costs fitted, and for each unit of gain where the gain is established."""

import math
from dataclasses import dataclass
from datetime import date

from service.domain.shop import Shop
from service.stats.pooling import PooledGain
from service.store import evidence


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


def cost_of(question: evidence.Question, pooled: PooledGain | None, base: float | None, shop: Shop) -> Cost:
    """Fitted cost, and what a unit of typical gain costs where the gain is established."""
    price = None if question.price is None else float(question.price)
    same_money = question.currency is None or question.currency == shop["currency"]
    rate = shop["labour_rate"] if shop["labour_rate"] and same_money else None
    fitted = fitted_cost(price, question.labour_hours, rate)
    per_unit, interval = None, None
    if (
        fitted
        and pooled is not None
        and pooled.interval is not None
        and pooled.interval[0] > 0
        and base is not None
    ):
        gains = [base * math.expm1(g) for g in (pooled.mean, *pooled.interval)]
        per_unit, interval = fitted / gains[0], (fitted / gains[2], fitted / gains[1])
    return Cost(
        price, question.currency, question.price_date, question.labour_hours, rate, fitted, per_unit, interval
    )


def fitted_cost(price: float | None, hours: float | None, rate: float | None) -> float | None:
    """Price and labour together; None where a part of it is not known. Hours never written down are left out."""
    if price is None or (hours and rate is None):
        return None
    return price + (hours or 0.0) * (rate or 0.0)

"""What a correction standard must know of an engine, and the engine factor of those that are for compression ignition.

Vocabulary. Fuel per cycle `q` [mg per litre of displacement and cycle] is what one litre burns in one working cycle at
full load; the boost ratio `r` is the absolute boost pressure over the ambient one; `q_c` = q / r is the corrected fuel
flow, from which the engine factor `fm` follows. `None` means that it was not recorded: no default is ever filled in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

IGNITIONS: Final = ("spark", "compression")
ASPIRATIONS: Final = ("natural", "turbo", "supercharged")
CHARGE_COOLINGS: Final = ("none", "air", "liquid")
FM_SLOPE: Final = 0.036  # UN R85 annex 5 par. 5.4.2.2, read second-hand
FM_OFFSET: Final = 1.14  # the same
FM_HIGHEST: Final = 1.2  # the same: above 65 mg/(litre.cycle)


@dataclass(frozen=True, slots=True)
class Engine:
    """An engine as the standards ask for it; every field may be unknown."""

    ignition: str | None = None
    aspiration: str | None = None
    charge_cooling: str | None = None
    fuel_per_cycle: float | None = None
    boost_ratio: float | None = None

    @property
    def ratio(self) -> float | None:
        """Boost pressure ratio r [-]: 1 by definition where nothing charges it."""
        return 1.0 if self.aspiration == "natural" else self.boost_ratio

    @property
    def corrected_fuel(self) -> float | None:
        """q_c = q / r [mg per litre and cycle]; None where either is not recorded."""
        if self.fuel_per_cycle is None or self.ratio is None:
            return None
        return self.fuel_per_cycle / self.ratio

    @property
    def is_boosted(self) -> bool:
        """Whether it is known to be charged."""
        return self.aspiration in ("turbo", "supercharged")


class EngineFields(Protocol):
    """A record with what is known of an engine among its fields, named as in `Engine`."""

    @property
    def ignition(self) -> str | None: ...
    @property
    def aspiration(self) -> str | None: ...
    @property
    def charge_cooling(self) -> str | None: ...
    @property
    def fuel_per_cycle(self) -> float | None: ...
    @property
    def boost_ratio(self) -> float | None: ...


def engine_of(record: EngineFields) -> Engine:
    """What the correction standards must know of a record's engine."""
    return Engine(
        record.ignition, record.aspiration, record.charge_cooling, record.fuel_per_cycle, record.boost_ratio
    )


class HasEngine:
    """Gives a record with these fields its `engine`."""

    __slots__ = ()

    @property
    def engine(self: EngineFields) -> Engine:
        """What the correction standards must know of its engine."""
        return engine_of(self)


@dataclass(frozen=True, slots=True)
class EngineRule:
    """How one standard takes the engine into account.

    The engine factor is FM_SLOPE q_c - FM_OFFSET from `low` to `high` [mg per litre and cycle], `below` under `low` and
    FM_HIGHEST over `high`. `by_cooling`: a liquid-cooled charge of a turbocharged engine has a form of its own.
    """

    low: float
    below: float
    high: float = 65.0
    by_cooling: bool = False

    def factor(self, corrected_fuel: float) -> float:
        """The engine factor fm [-] at a corrected fuel flow q_c [mg per litre and cycle]."""
        if corrected_fuel < self.low:
            return self.below
        if corrected_fuel > self.high:
            return FM_HIGHEST
        return FM_SLOPE * corrected_fuel - FM_OFFSET

    def missing(self, engine: Engine | None) -> tuple[str, ...]:
        """What is not recorded of an engine and is needed, by the names of the fields; () where all is there."""
        if engine is None or engine.ignition is None:
            return ("ignition",)
        if engine.ignition == "spark":
            return ()
        needed = ["aspiration"] if engine.aspiration is None else []
        if engine.fuel_per_cycle is None:
            needed.append("fuel_per_cycle")
        if engine.aspiration is not None and engine.ratio is None:
            needed.append("boost_ratio")
        if self.by_cooling and engine.aspiration == "turbo" and engine.charge_cooling is None:
            needed.append("charge_cooling")
        return tuple(needed)


UN_R85: Final = EngineRule(low=40.0, below=0.3)
"""UN R85 annex 5 par. 5.4.2.2, read second-hand."""
ISO_1585: Final = EngineRule(low=37.2, below=0.2, by_cooling=True)
"""ISO 1585:1992: 37.2..65 read second-hand, 0.2 below and the liquid-cooled form from memory."""
JIS_D_1001: Final = ISO_1585
"""From memory: JIS D 1001:1993 took over the form of ISO 1585 (our choice, not confirmed)."""

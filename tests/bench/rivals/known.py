"""What a shop knows beside its setups, as a notebook has it in its first cells: slots, windows, spreads, engines."""

from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.engine import Engine
from service.domain.pairing import PART_MAY_CHANGE
from service.store.db import Connection
from service.store.settings import shop_in_force

ANY_OTHER = ("gear", "ratio", "tyre_size")
"""Conditions without a window: both sides' must be the same where both are known."""


@dataclass(frozen=True, slots=True)
class Known:
    """The settings that pairs hang on, the slots that each part fills, each platform's engine."""

    standard: str
    windows: Mapping[str, float]
    setup_spread: float
    session_spread: float
    bay_spread: float
    slots: Mapping[str, frozenset[str]]
    engines: Mapping[str, Engine]

    def windows_for(self, part: str) -> dict[str, float]:
        """How far each condition may differ between two setups, but for those that the part itself changes."""
        excused = self._excused(part)
        return {name: window for name, window in self.windows.items() if name not in excused}

    def alike_for(self, part: str) -> list[str]:
        """The conditions without a window that must be the same, where both are known."""
        excused = self._excused(part)
        return [name for name in ANY_OTHER if name not in excused]

    def _excused(self, part: str) -> frozenset[str]:
        of_slots = (PART_MAY_CHANGE.get(slot, frozenset()) for slot in self.slots.get(part, ()))
        return frozenset().union(*of_slots)


def known_of(conn: Connection) -> Known:
    """What the shop of a ledger knows."""
    shop = shop_in_force(conn)
    slots = conn.execute(
        "SELECT slug::text, array_agg(slot::text) FROM part JOIN part_slot USING (part_id) GROUP BY slug"
    )
    engines = conn.execute(
        "SELECT slug::text, ignition, aspiration, charge_cooling, fuel_per_cycle, boost_ratio FROM platform"
    )
    return Known(
        standard=shop["standard"],
        windows=shop.windows(),
        setup_spread=shop["setup_spread"],
        session_spread=shop["session_spread"],
        bay_spread=shop["bay_spread"],
        slots={part: frozenset(of_part) for part, of_part in slots},
        engines={platform: Engine(*engine) for platform, *engine in engines},
    )

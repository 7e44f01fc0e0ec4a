"""The shop's settings: what can be set, what it means, what holds until it is set."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from service.domain.correction import STANDARDS
from service.domain.units import SYSTEMS


@dataclass(frozen=True, slots=True)
class SettingRule:
    """One setting: its meaning, its default, and what values it takes."""

    name: str
    meaning: str
    default: Any
    choices: tuple[str, ...] | None = None
    low: float | None = None
    high: float | None = None

    def fault(self, value: Any) -> str | None:
        """Why a value cannot be taken, with the way out; None where it can."""
        if self.choices is not None:
            return None if value in self.choices else f"must be one of {', '.join(self.choices)}"
        if isinstance(self.default, bool):
            return None if isinstance(value, bool) else "must be true or false"
        if isinstance(self.default, str):
            good = isinstance(value, str) and len(value) == 3 and value.isascii() and value.isupper()
            return None if good else "must be three capital letters, such as GBP"
        if isinstance(value, bool) or not isinstance(value, int | float):
            return "must be a number"
        low, high = self.low or 0.0, self.high or 0.0
        return None if low <= value <= high else f"must lie between {low:g} and {high:g}"


RULES: Mapping[str, SettingRule] = {
    rule.name: rule
    for rule in (
        SettingRule(
            "standard", "The correction standard of answers that name none.", "sae-j1349", tuple(STANDARDS)
        ),
        SettingRule("units", "The units of answers that name none.", "si", SYSTEMS),
        SettingRule("currency", "The currency of the labour rate.", "EUR"),
        SettingRule(
            "labour_rate",
            "What an hour of labour costs, in `currency`; 0 means that it is not set, and fitted costs stay unknown.",
            0.0,
            low=0,
            high=10_000,
        ),
        SettingRule(
            "open_reading", "Whether reading needs no token. On for a demo on loopback, otherwise off.", False
        ),
        SettingRule(
            "setup_spread",
            "Relative spread of one setup's level beyond its pulls (common practice, no source).",
            0.0045,
            low=0.0,
            high=0.05,
        ),
        SettingRule(
            "session_spread",
            "Relative spread between strap-downs of one car in one bay (common practice, no source).",
            0.007,
            low=0.0,
            high=0.1,
        ),
        SettingRule(
            "bay_spread",
            "Relative spread between bays (common practice, no source).",
            0.022,
            low=0.0,
            high=0.2,
        ),
    )
}


def nearest_settings(name: str) -> list[str]:
    """The settings whose names are nearest to one that there is not."""
    return get_close_matches(name, RULES, n=3, cutoff=0.4)


def unknown_setting(name: str) -> str:
    """That there is no such setting, and which there are."""
    near = nearest_settings(name)
    hint = f"the nearest are {', '.join(near)}" if near else f"there are {', '.join(RULES)}"
    return f"there is no setting '{name}'; {hint}"


@dataclass(frozen=True, slots=True)
class Shop:
    """The settings in force, with the number that changes when any of them does."""

    version: int
    values: Mapping[str, Any]

    def __getitem__(self, name: str) -> Any:
        """The value in force."""
        return self.values.get(name, RULES[name].default)


def shop_of(version: int, stored: Iterable[tuple[str, str | None, Any]]) -> Shop:
    """The shop-wide settings among stored (name, bay, value) rows; values of another version's rules are left out."""
    values = {name: value for name, bay, value in stored if bay is None and name in RULES}
    return Shop(version, values)

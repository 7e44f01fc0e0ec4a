"""The shop's settings: what can be set, what it means, what holds until it is set."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from service.domain.checks import settings_fault
from service.domain.correction import STANDARDS
from service.domain.pairing import WINDOWS
from service.domain.units import SYSTEMS


@dataclass(frozen=True, slots=True)
class SettingRule:
    """One setting: its meaning, its default, what values it takes, and whether one bay may have its own.

    `judge`, where there is one, says why a value cannot be taken.
    """

    name: str
    meaning: str
    default: Any
    choices: tuple[str, ...] | None = None
    low: float | None = None
    high: float | None = None
    per_bay: bool = False
    judge: Callable[[Any], str | None] | None = None

    def fault(self, value: Any) -> str | None:
        """Why a value cannot be taken, with the way out; None where it can."""
        if self.judge is not None:
            return self.judge(value)
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


WINDOW_NAMES: Mapping[str, str] = {
    # As conditions are posted, and as pairing knows them.
    "coolant": "coolant_c",
    "oil": "oil_c",
    "inlet": "inlet_c",
    "ethanol": "ethanol",
    "lambda": "lambda_mean",
    "spark_advance": "spark_advance_deg",
    "map": "map_max_kpa",
    "tyre_pressure": "tyre_pressure_kpa",
    "ramp": "ramp_rpm_s",
    "air_temperature": "temperature_c",
    "air_pressure": "pressure_kpa",
}
WIDEST_WINDOW = 1000.0
"""Of whatever unit: wider than any condition ever differs, which is to say that it does not matter (our choice)."""


def windows_fault(value: Any) -> str | None:
    """Why a `windows` setting cannot be taken, with the way out; None where it can."""
    if not isinstance(value, dict):
        return 'must be an object such as {"coolant": 4}'
    for name, window in value.items():
        if name not in WINDOW_NAMES:
            return f"there is no window '{name}'; there are {', '.join(WINDOW_NAMES)}"
        number = isinstance(window, int | float) and not isinstance(window, bool)
        if not number or not 0.0 < window <= WIDEST_WINDOW:
            return f"{name}: must be a number above 0, at most {WIDEST_WINDOW:g}"
    return None


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
        SettingRule(
            "windows",
            "How far a condition may differ between two compared setups and still count as held, in SI (°C, kPa, degrees of "
            "crank; shares of ethanol and of the ramp; the bay's air inside one session only). What is left out keeps its "
            f"default: {', '.join(f'{name} {WINDOWS[column]:g}' for name, column in WINDOW_NAMES.items())} (common "
            "practice, no source). A change replaces the whole value: give every window that shall differ from its default, not only "
            "the new one. It makes every car's pairs anew.",
            {},
            judge=windows_fault,
        ),
        SettingRule(
            "checks",
            "The checks at the door by code: switched off, or with limits of your own; GET /v1/checks lists them. A "
            "change replaces the whole value: give every check that shall differ, not only the new one. Holds for what is "
            "posted from then on.",
            {},
            per_bay=True,
            judge=settings_fault,
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
    bays: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def windows(self) -> dict[str, float]:
        """The windows in force, as pairing takes them."""
        set_so = {WINDOW_NAMES[name]: float(window) for name, window in self["windows"].items()}
        return {**WINDOWS, **set_so}

    def checks(self, bay: str | None) -> dict[str, dict[str, Any]]:
        """The checks as they are set for a bay: its own word before the shop's, limit by limit."""
        shops = self["checks"]
        own = {} if bay is None else self.bays.get(bay, {}).get("checks", {})
        return {code: {**shops.get(code, {}), **own.get(code, {})} for code in {*shops, *own}}

    def __getitem__(self, name: str) -> Any:
        """The value in force."""
        return self.values.get(name, RULES[name].default)


def shop_of(version: int, stored: Iterable[tuple[str, str | None, Any]]) -> Shop:
    """The settings among stored (name, bay, value) rows; those of another version's rules are left out.

    A null takes a value back: the shop's holds again, or the default.
    """
    bays: dict[str, dict[str, Any]] = {}
    values: dict[str, Any] = {}
    for name, bay, value in stored:
        if name not in RULES or value is None:
            continue
        of_whom = values if bay is None else bays.setdefault(bay, {})
        of_whom[name] = value
    return Shop(version, values, bays)

"""What a check is: a named rule with its limits, what it means, and one small pure function beside it.

A check looks at a `Case` and says where and what; its rule says how grave that is. `refused` stops the post, `doubtful`
keeps the record but takes it out of the answers until a person confirms it, `note` only informs. Every limit can be
set for the shop or one bay; all but the refusing checks can be switched off (setting `checks`).
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from service.domain.checks.case import Case, Remark
from service.domain.records import Finding, Level

Area = Literal[
    "typing",
    "bay",
    "weather",
    "tyre or strap",
    "heat",
    "fuel or spark",
    "air path",
    "exhaust",
    "mechanical",
    "gearbox",
]
AREAS: Final[tuple[Area, ...]] = (
    # The order in which a bay looks for the cause (common practice, no source).
    "typing", "bay", "weather", "tyre or strap", "heat", "fuel or spark", "air path", "exhaust", "mechanical", "gearbox",
)  # fmt: skip
COMMON_PRACTICE: Final = "common practice, no source"
OUR_CHOICE: Final = "our choice"


@dataclass(frozen=True, slots=True)
class Limit:
    """A threshold of a rule: its default, the values that make sense, its unit and what it is."""

    default: float
    low: float
    high: float
    unit: str
    meaning: str


Limits = Mapping[str, float]
"""The limits of one rule as they hold in a bay, by name."""
Checked = Callable[[Case, Limits], Iterable[Remark]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One check: its code and level, the area to look in, what a finding is consistent with, its limits and origin."""

    code: str
    level: Level
    area: Area
    means: str
    limits: Mapping[str, Limit]
    origin: str
    look: Checked
    needs_figures: bool
    usual: Limits
    """The limits where nothing is set: made once, because every post asks for them."""

    def findings(self, case: Case, set_for_bay: Mapping[str, Any]) -> Iterator[Finding]:
        """What this check has to say of a case, with the limits as they are set."""
        if self.level != "refused" and set_for_bay.get("on") is False:
            return
        for remark in self.look(case, self.limits_as_set(set_for_bay) if set_for_bay else self.usual):
            yield Finding(
                self.code, self.level, in_print(remark.message), remark.pointer, remark.setup_n, remark.pull_n
            )

    def limits_as_set(self, set_for_bay: Mapping[str, Any]) -> Limits:
        """The limits of this check in a bay that has set some of them."""
        return {name: float(set_for_bay.get(name, limit.default)) for name, limit in self.limits.items()}


PERCENT: Final = re.compile(r"(?<=\d)%")


def in_print(message: str) -> str:
    """A message with a space between a number and its percent sign (SI Brochure, 9th edition, 5.4.7)."""
    return PERCENT.sub(" %", message)


RULES: dict[str, Rule] = {}
"""Every check by its code, in the order in which they are run."""


def rule(
    code: str,
    level: Level,
    area: Area,
    means: str,
    *,
    origin: str = COMMON_PRACTICE,
    needs_figures: bool = False,
    **limits: Limit,
) -> Callable[[Checked], Checked]:
    """Make a function the check of this code; one that refuses says whether it looks at derived figures."""

    def register(look: Checked) -> Checked:
        if code in RULES:
            raise ValueError(f"check: {code} is there already")
        usual = {name: float(limit.default) for name, limit in limits.items()}
        RULES[code] = Rule(
            code, level, area, means, limits, origin, look, needs_figures or level != "refused", usual
        )
        return look

    return register


NOTHING_SET: Final[Mapping[str, Any]] = {}
Settings = Mapping[str, Mapping[str, Any]]
"""What a shop or bay has set: code -> {"on": false, "<limit>": value}."""


def run(rules: Iterable[Rule], case: Case, settings: Settings) -> Iterator[Finding]:
    """What these checks have to say."""
    for one in rules:
        yield from one.findings(case, settings.get(one.code, NOTHING_SET))


def settings_fault(value: Any) -> str | None:
    """Why a `checks` setting cannot be taken, with the way out; None where it can."""
    if not isinstance(value, dict):
        return 'must be an object such as {"rpm-coverage": {"on": false}}'
    for code, wanted in value.items():
        if code not in RULES:
            return f"names no check '{code}'; GET /v1/checks lists them"
        if not isinstance(wanted, dict):
            return f'{code}: must be an object such as {{"on": false}}'
        fault = rule_fault(RULES[code], wanted)
        if fault:
            return f"{code}: {fault}"
    return None


def rule_fault(one: Rule, wanted: Mapping[str, Any]) -> str | None:
    """Why one check cannot be set so."""
    for name, value in wanted.items():
        if name == "on":
            if not isinstance(value, bool):
                return "on must be true or false"
            if not value and one.level == "refused":
                return "refuses what cannot be true and cannot be switched off; its limits can be changed"
            continue
        limit = one.limits.get(name)
        if limit is None:
            known = ", ".join(["on", *one.limits])
            return f"has no limit '{name}'; it has {known}"
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not limit.low <= value <= limit.high
        ):
            return f"{name} must be a number between {limit.low:g} and {limit.high:g} ({limit.unit})"
    return None

"""Checks at the door: small pure functions that look at one post and say what is wrong, where, and the way out.

One file per kind; `rules` says what a check is, `case` what it looks at. Importing a file puts its checks on the list,
in the order in which they are run.
"""

from collections.abc import Iterator

from service.domain.checks import (  # noqa: F401  (each adds its checks)
    agreement,
    air_path,
    basis,
    company,
    entry,
    heat,
    impossible,
    machine,
    mixture,
    rpm_axis,
    rpm_scale,
    shape,
    spark,
    standing,
    times,
    weather,
)
from service.domain.checks.case import Case, Surroundings
from service.domain.checks.impossible import future_time
from service.domain.checks.rules import RULES, Rule, Settings, run, settings_fault
from service.domain.checks.slots import slot_refusals
from service.domain.records import Finding

__all__ = [
    "RULES", "Case", "Rule", "Settings", "Surroundings", "doubts", "figure_refusals", "future_time",
    "refusals", "settings_fault", "slot_refusals",
]  # fmt: skip

REFUSALS = tuple(one for one in RULES.values() if one.level == "refused" and not one.needs_figures)
FIGURE_REFUSALS = tuple(one for one in RULES.values() if one.level == "refused" and one.needs_figures)
DOUBTS = tuple(one for one in RULES.values() if one.level != "refused")


def refusals(case: Case, settings: Settings) -> Iterator[Finding]:
    """Everything in a post that cannot be true, before anything is derived from it."""
    yield from run(REFUSALS, case, settings)


def figure_refusals(case: Case, settings: Settings) -> Iterator[Finding]:
    """Everything that cannot be true of what a post comes to, given the derived figures."""
    yield from run(FIGURE_REFUSALS, case, settings)


def doubts(case: Case, settings: Settings) -> Iterator[Finding]:
    """Everything that is kept but marked, given the derived figures and what the ledger knows around them."""
    yield from run(DOUBTS, case, settings)

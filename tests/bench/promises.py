"""How good the ledger has to be: every promise, and the figures by which it is judged.

The limits are ratios within one run on one machine, because absolute times say more about the machine than about the
ledger. `row` is one row by its key through the same app and server, `ping` a route of the same app without a database. The
limits are our choice, most of them from what a prototype of the storage reached.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tests.bench import names

MILLION = 1_000_000
HUNDRED_THOUSAND = 100_000
"""From here on the first pages of tables and indexes, which an empty ledger has too, no longer show (our choice)."""
TEN_THOUSAND = 10_500
"""A history of ten thousand pulls, with the last car's and what a run posts."""


@dataclass(frozen=True)
class Target:
    """A figure's limit: `most` or `least`, with `plus_ms` [ms] above a ratio to its base; promised for histories from
    `from_pulls` up to `to_pulls`."""

    figure: str
    most: float | None = None
    least: float | None = None
    plus_ms: float = 0.0
    from_pulls: int = 0
    to_pulls: float = math.inf

    def promised_for(self, pulls: int) -> bool:
        """Whether it is promised for a history of so many pulls."""
        return self.from_pulls <= pulls <= self.to_pulls

    def limit(self, base_ms: float | None) -> float:
        """The limit as the figure is given, a ratio where its base took `base_ms` [ms]."""
        bare = self.most if self.most is not None else self.least
        assert bare is not None
        return bare + (self.plus_ms / base_ms if self.plus_ms and base_ms else 0.0)

    def reached(self, value: float, base_ms: float | None) -> bool:
        """Whether a figure keeps to it."""
        limit = self.limit(base_ms)
        return value <= limit if self.most is not None else value >= limit


@dataclass(frozen=True)
class Promise:
    """One promise in words, its targets, and the part of the bench that measures it."""

    what: str
    part: str
    targets: tuple[Target, ...]


def at_most(limit: float, *figures: str, plus_ms: float = 0.0) -> tuple[Target, ...]:
    """The same upper limit for several figures."""
    return tuple(Target(figure, most=limit, plus_ms=plus_ms) for figure in figures)


PROMISES = (
    Promise(
        "the pairs alone, scalars, up to 50 cars, over HTTP",
        "questions",
        at_most(1.5, names.PAIRS_SCALARS_FEW, names.PAIRS_SCALARS_MANY, names.PAIRS_SCALARS_ANEW),
    ),
    Promise(
        "the pairs alone with their curve, up to 50 cars",
        "questions",
        at_most(2.0, names.PAIRS_CURVE_FEW, names.PAIRS_CURVE_MANY, names.PAIRS_CURVE_ANEW),
    ),
    Promise(
        "the typical gain with its curve, from the model: asked before, the first time, unchanged (304)",
        "questions",
        (
            *at_most(2.0, names.GAIN_CACHED),
            *at_most(4.0, names.GAIN_NEW, names.GAIN_AFTER_CHANGE, names.GAIN_AFTER_POST, plus_ms=30.0),
            *at_most(1.1, names.GAIN_UNCHANGED),
        ),
    ),
    Promise("the stock spread of 300 cars", "questions", at_most(1.6, names.STOCK_SPREAD)),
    Promise("a page of a list at any depth over its first page", "questions", at_most(1.1, names.DEEP_PAGE)),
    Promise(
        "growth of each at the same evidence, 1,000,000 over 10,000 pulls",
        "questions",
        tuple(Target(names.growth(case), most=1.2, from_pulls=MILLION) for case in names.GROWING),
    ),
    Promise(
        "242 cars at 1,000,000 pulls: times faster than pandas, DuckDB over one Parquet file; scalars, with curve",
        "questions",
        tuple(
            Target(names.rival(rival, question), least=least, from_pulls=MILLION)
            for rival, question, least in (
                (names.PANDAS, "scalars", 2000.0),
                (names.PANDAS, "curve", 500.0),
                (names.DUCKDB, "scalars", 1400.0),
                (names.DUCKDB, "curve", 350.0),
            )
        ),
    ),
    Promise(
        "SQLite in process with the same derived tables (the honest limit): times slower than it",
        "questions",
        tuple(
            Target(names.slower(names.SQLITE, question), most=6.0, from_pulls=MILLION)
            for question in ("scalars", "curve")
        ),
    ),
    Promise(
        "posting a setup of 4 pulls over HTTP, checked, corrected and paired",
        "questions",
        (*at_most(8.0, names.POST, names.POST_KEYED), *at_most(1.7, names.POST_OVER_RAW)),
    ),
    Promise(
        "8 bays posting at once: throughput over one bay's; none lost, none doubled, pairs as a rebuild makes them",
        "questions",
        (
            Target(names.BAYS_AT_ONCE, least=1.6),
            *at_most(0.0, names.POSTS_LOST, names.POSTS_DOUBLED, names.PAIRS_APART),
        ),
    ),
    Promise(
        "disk per pull, all tables and indexes",
        "questions",
        tuple(
            Target(figure, most=most, from_pulls=HUNDRED_THOUSAND)
            for figure, most in ((names.DISK_STEPPED, 2.2), (names.DISK_UNSTEPPED, 5.0))
        ),
    ),
    Promise(
        "an estimate of the model over 250,000 setups (1,000,000 pulls)",
        "questions",
        tuple(
            Target(figure, most=most, from_pulls=MILLION)
            for figure, most in ((names.REFIT_MIN, 10.0), (names.REFIT_GB, 4.0))
        ),
    ),
    Promise("standby: a post visible after its commit, over the commit's own time", "questions",
            at_most(5.0, names.STANDBY_VISIBLE)),
    Promise(
        "the demo ready from an installed environment; a page usable after it is asked for",
        "pages",
        (*at_most(60.0, names.DEMO_READY), *at_most(2.0, names.PAGE_USABLE)),
    ),
    Promise(
        "memory of the serving process at 10,000 pulls",
        "questions",
        tuple(Target(figure, most=250.0, to_pulls=TEN_THOUSAND) for figure in (names.PSS_LOADED, names.PSS_AFTER)),
    ),
    Promise("simulated truth: every row of the table in DEVELOPERS.md", "truth", (*at_most(0.0, names.TRUTH_MISSED),)),
)  # fmt: skip
"""Every promise, in the order in which the report shows them."""


def all_targets() -> Iterator[Target]:
    """Every target of every promise."""
    for promise in PROMISES:
        yield from promise.targets

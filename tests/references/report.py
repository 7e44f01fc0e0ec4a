"""The report as lines of Markdown: factors, moist air, and the checks at the door."""

from collections.abc import Iterator, Mapping
from textwrap import wrap

from service.domain.checks import RULES
from service.domain.checks.rules import Rule
from service.domain.correction import STANDARDS, Air
from service.domain.engine import Engine
from service.stats.spread import wilson
from tests.checks import rows
from tests.references import moist_air
from tests.references.planting import FAULTS
from tests.references.shops import KINDS, SHOPS, shops
from tests.references.trials import PLANTED, SETUPS, Alarms, Caught, try_faults, try_good

WIDTH = 120
MOST_ALARMS = 0.01
"""A doubt that is raised about more good setups than this is named loudly (our choice)."""
TOO_MANY = "TOO MANY"

Column = tuple[str, str, Engine, str]
SPARK = Engine("spark", "natural")


def diesel(aspiration: str, fm: float, cooling: str | None = None) -> Engine:
    """A diesel whose fuel flow makes this engine factor: UN R85's 0.3 under its range, 1.2 over it."""
    fuel = {0.3: 30.0, 1.2: 70.0}[fm]
    return Engine("compression", aspiration, cooling, fuel, 1.0)


PUBLISHED: tuple[Column, ...] = (
    # column of the check table, our standard, the engine it is for, what it is
    ("CF_J1349_1p18_minus_0p18", "sae-j1349", SPARK, "1.18 / 0.18 as printed"),
    ("CF_J1349_exact_eta0p85", "sae-j1349", SPARK, "its exact form, 1/0.85 and 0.15/0.85"),
    ("CF_powerlaw_1p2_0p6_SI", "iso-1585", SPARK, "power law, spark ignition"),
    ("CF_powerlaw_1p2_0p6_SI", "un-r85", SPARK, "power law, spark ignition"),
    ("CF_powerlaw_1p2_0p6_SI", "jis-d1001", SPARK, "power law, spark ignition"),
    ("CF_J607_29p92_519p67", "sae-j607", SPARK, "29.92 inHg, 60 degF"),
    ("CF_DIN70020_total_p", "din-70020", SPARK, "total pressure"),
    ("CF_DIN70020_if_dry_p", "din-70020", SPARK, "the other reading, dry pressure"),
    ("alpha_CI_NA_fm0p3", "un-r85", diesel("natural", 0.3), "diesel, natural, fm 0.3"),
    ("alpha_CI_turbo_fm0p3", "un-r85", diesel("turbo", 0.3), "diesel, turbo, fm 0.3"),
    ("alpha_CI_NA_fm1p2", "un-r85", diesel("natural", 1.2), "diesel, natural, fm 1.2"),
    ("alpha_CI_turbo_fm1p2", "un-r85", diesel("turbo", 1.2), "diesel, turbo, fm 1.2"),
    ("alpha_CI_NA_fm1p2", "iso-1585", diesel("natural", 1.2), "diesel, natural, fm 1.2"),
    ("alpha_CI_turbo_fm1p2", "iso-1585", diesel("turbo", 1.2, "air"), "diesel, turbo, fm 1.2"),
)


def factor_lines() -> Iterator[str]:
    """Our correction factors against the check table (tests/checks/SOURCES.md), by standard."""
    yield "### Correction factors against the published formulas"
    yield ""
    yield "Largest difference over `tests/checks/t01_correction_factors.csv`, which was computed apart from our code."
    yield ""
    yield from table_head(
        ("standard", "form", "rows", "largest difference", "in the air of", "ours", "theirs")
    )
    for column, slug, engine, words in PUBLISHED:
        yield "| " + " | ".join((slug, words, *largest_difference(column, slug, engine))) + " |"


def largest_difference(column: str, slug: str, engine: Engine) -> tuple[str, ...]:
    """(rows, largest difference, its row, our factor there, the published one) as text."""
    pairs = []
    for row in rows("t01_correction_factors.csv"):
        air = Air(float(row["t_C"]), float(row["p_total_kPa"]), float(row["pv_kPa"]))
        ours = STANDARDS[slug].factor(air, engine)
        assert ours is not None
        pairs.append((abs(ours - float(row[column])), row["case"], ours, float(row[column])))
    apart, case, ours, theirs = max(pairs)
    return str(len(pairs)), f"{apart:.1e}", case, f"{ours:.6f}", f"{theirs:.6f}"


def table_head(names: tuple[str, ...]) -> Iterator[str]:
    """The two first lines of a table."""
    yield "| " + " | ".join(names) + " |"
    yield "|" + " --- |" * len(names)


def moist_air_lines() -> Iterator[str]:
    """Saturation vapour pressure by several formulations, and density altitude."""
    yield "### Moist air"
    yield ""
    yield "```"
    yield from moist_air.report()
    yield "```"


def check_lines(setups: int = SETUPS, planted: int = PLANTED) -> Iterator[str]:
    """Detection and false alarms of every check at the door."""
    alarms, caught = {}, {}
    for kind in KINDS:
        good, alarms[kind.name] = try_good(shops(kind), setups)
        caught[kind.name] = try_faults(good, planted)
    yield "### Detection and false alarms of the checks at the door"
    yield ""
    yield from what_was_simulated(setups, planted)
    yield ""
    yield from table_head(
        ("check", "level", "alarms easy %", "alarms hard %", "caught easy, hard %", "by any %", "")
    )
    for code, rule in RULES.items():
        yield check_line(rule, alarms, {name: of_kind.get(code) for name, of_kind in caught.items()})
    yield ""
    yield from doubted_lines(alarms)
    yield ""
    yield from fault_lines()


def what_was_simulated(setups: int, planted: int) -> Iterator[str]:
    """What the figures rest on, in words."""
    yield from wrap(
        f"From simulation, not from real cars: {setups} good setups and {planted} posts with each fault, "
        f"in {SHOPS} easy and {SHOPS} hard shops, fixed seeds. Standard deviations in % (pull, setup, strap-down, bay-day, bay, stock "
        "car):",
        WIDTH,
    )
    for kind in KINDS:
        spreads = (kind.pull, kind.setup, kind.strap, kind.day, kind.bay, kind.stock)
        yield f"- {kind.name}: {', '.join(f'{100 * one:.2f}' for one in spreads)}"
    yield ""
    yield from wrap(
        "`alarms`: good setups that a check speaks of, with Wilson's 90 % interval. `caught`: posts in which the check "
        "itself sees the fault; `by any`: in which any check says what it did not say before; the rest is missed. Sizes "
        "reach from barely visible to gross (below), so nothing can catch all of them.",
        WIDTH,
    )


def check_line(rule: Rule, alarms: Mapping[str, Alarms], caught: Mapping[str, Caught | None]) -> str:
    """One check's row."""
    easy, hard = (alarms[kind.name] for kind in KINDS)
    tried = [one for one in caught.values() if one is not None and one.tried]
    own = ", ".join(percent(one.own, one.tried) for one in tried) or "no fault made"
    seen = ", ".join(percent(one.any, one.tried) for one in tried)
    told = [share_of(rule.code, easy), share_of(rule.code, hard), own, seen]
    return "| " + " | ".join((f"`{rule.code}`", rule.level, *told, verdict(rule, (easy, hard)))) + " |"


def share_of(code: str, alarms: Alarms) -> str:
    """Share of good setups that a check speaks of, with its interval [%]."""
    count, of = alarms.by_check[code], alarms.setups
    low, high = wilson(count, of)
    return f"{100 * count / of:.1f} ({100 * low:.1f}-{100 * high:.1f})"


def percent(count: int, of: int) -> str:
    """A share in whole per cent."""
    return f"{100 * count / of:.0f}"


def verdict(rule: Rule, alarms: tuple[Alarms, ...]) -> str:
    """A loud word where a doubt is raised too often."""
    loud = any(one.by_check[rule.code] > MOST_ALARMS * one.setups for one in alarms)
    return TOO_MANY if loud and rule.level != "note" else ""


def doubted_lines(alarms: Mapping[str, Alarms]) -> Iterator[str]:
    """Good sessions with any doubt, and what the too frequent checks said first."""
    for name, one in alarms.items():
        low, high = wilson(one.doubted, one.sessions)
        yield (
            f"Good sessions with any doubt, {name}: {one.doubted} of {one.sessions}, "
            f"{100 * one.doubted / one.sessions:.1f} % ({100 * low:.1f}-{100 * high:.1f})."
        )
    for code, rule in RULES.items():
        if verdict(rule, tuple(alarms.values())):
            first = next(one.example[code] for one in alarms.values() if code in one.example)
            yield from wrap(f"- {TOO_MANY} `{code}`, for example: {first}", WIDTH, subsequent_indent="  ")


def fault_lines() -> Iterator[str]:
    """The sizes of the faults, and the faults that no check is for."""
    yield "Planted, sizes drawn evenly, most of them in their logarithm:"
    for code in RULES:
        if code in FAULTS:
            yield f"- `{code}`: {FAULTS[code].sizes}"
    for code in FAULTS:
        if code not in RULES:
            yield f"- `{code}`: {FAULTS[code].sizes}. No check of that name is built."

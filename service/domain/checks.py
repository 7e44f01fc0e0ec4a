"""Checks at the door: small pure functions that look at one post and say what is wrong, where, and the way out.

`refused` stops the post, `doubtful` keeps the record but takes it out of the answers until a person confirms it,
`note` only informs. Every threshold is a named constant; those marked common practice have no published source.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np

from service.domain.correction import BASE_STANDARD, STANDARDS, correction_factor, factor_within_limits
from service.domain.derive import UNKNOWN, DerivedPull, air_of, common_footing, footing
from service.domain.records import Finding, Part, PlatformFacts, PostedPull, PostedSession, PostedSetup
from service.domain.units import power_kw

POWER_TORQUE_TOLERANCE = 0.005
"""Relative disagreement of power and torque x speed that means wrong units or columns (common practice, no source)."""
Derived = Mapping[tuple[int, int], DerivedPull]
"""What each pull comes to, by the numbers of its setup and its own."""
RPM_RANGE = (0.0, 20_000.0)
"""Engine speeds outside this are no engine's of ours [rpm] (our choice)."""
CHANNEL_RANGES: Mapping[str, tuple[float, float]] = {
    # Values outside are impossible, not merely odd; the warn ranges of common practice lie well inside (our choice).
    "torque": (-500.0, 5_000.0),
    "axle_torque": (-5_000.0, 60_000.0),
    "power": (-200.0, 4_000.0),
    "lambda": (0.3, 10.0),
    "map": (5.0, 800.0),
    "throttle": (-0.05, 1.05),
    "spark": (-70.0, 90.0),
    "knock_retard": (-5.0, 60.0),
    "inlet": (-60.0, 250.0),
    "roller_speed": (0.0, 20_000.0),
    "time": (-600.0, 86_400.0),
}
KEEPABLE = (-1e30, 1e30)
"""What the store can hold; a rejected pull may say anything else, being counted nowhere (our choice)."""
LEAST_PEAK_KW = 0.1
"""A curve whose peak lies below this shows no pull (our choice)."""
FEWEST_SAMPLES = 8
"""Fewer samples than this draw no curve (our choice)."""
LEAST_COVERAGE = 0.6
"""Share of the platform's rev range that a pull should cover (common practice, no source)."""
RANGE_STARTS_AT = 0.25
"""A platform's usable range is taken to begin at this share of its rpm limit (our choice)."""
SPREAD_LIMIT = {2: 2.8, 3: 3.6, 4: 4.0}
"""Range of the pulls of a setup, in the bay's pull spread, that about 1 good set in 20 exceeds (studentised range)."""
SPREAD_LIMIT_MORE = 4.5
RATED_SHARE = (0.4, 1.3)
"""Wheel power of a stock car over the platform's rated power; losses take 10 to 30 % (common practice, no source)."""
REPEAT_SPREAD = 0.0064
"""Relative spread of the difference of two states measured in one strap-down beyond their pulls: 0.45 % each."""
REPEAT_LIMIT = 4.0
"""Two equal states further apart than this many spreads were not equal (our choice)."""
FACTOR_POSSIBLE = (0.85, 1.25)
"""A correction factor outside this is a typing error (common practice, no source)."""
CLOCK_SKEW = timedelta(seconds=120)
"""A bay's clock may differ from the server's by this much at contact (common practice, no source)."""
CLOCK_AHEAD = timedelta(days=1)
"""A bay's clock further ahead than this is broken, and its times with it (our choice)."""
FUTURE_ALLOWED = timedelta(minutes=10)
"""How far ahead of the server a time may stand when the bay's clock is not given (our choice)."""


def refusals(session: PostedSession, now: datetime) -> Iterator[Finding]:
    """Everything in a post that cannot be true, before anything is derived from it."""
    yield from times_in_the_future(session, now)
    for setup, pull, pointer in pulls_of(session):
        yield from impossible_channels(pull, pointer)
        yield from impossible_air(pull, pointer)
        if pull.status != "rejected":
            yield from disagreeing_power(pull, pointer)
        if "axle_torque" in pull.channels and session.ratio is None:
            yield Finding(
                "ratio-missing",
                "refused",
                "axle_torque needs the session's ratio (engine turns per axle turn) to become engine torque",
                "/ratio",
                setup.n,
                pull.n,
            )


def doubts(
    session: PostedSession,
    derived: Mapping[tuple[int, int], DerivedPull],
    platform: PlatformFacts,
    pull_spread: float,
    now: datetime,
) -> Iterator[Finding]:
    """Everything that is kept but marked, given the derived figures and the bay's own pull spread (relative)."""
    yield from skewed_clock(session, now)
    for setup, pull, pointer in pulls_of(session):
        if pull.status != "accepted":
            continue
        figures = derived[setup.n, pull.n]
        yield from missing_air(pull, figures, pointer, setup.n)
        yield from unknown_basis(pull, figures, pointer, setup.n)
        yield from factor_limits(pull, figures, pointer, setup.n)
        yield from thin_curve(pull, figures, platform, pointer, setup.n)
        yield from unknown_best_of(pull, pointer, setup.n)
    for setup in session.setups:
        yield from mixed_basis(setup, derived)
        yield from disagreeing_pulls(setup, derived, pull_spread)
        yield from unchecked_stock(setup)
        yield from implausible_level(setup, derived, platform)
    yield from forgotten_parts(session, derived, pull_spread)


def pulls_of(session: PostedSession) -> Iterator[tuple[PostedSetup, PostedPull, str]]:
    """Each pull with its setup and its RFC 6901 pointer in the post."""
    for setup in session.setups:
        for pull in setup.pulls:
            yield setup, pull, f"/setups/{setup.n - 1}/pulls/{pull.n - 1}"


def times_in_the_future(session: PostedSession, now: datetime) -> Iterator[Finding]:
    """A time after the bay's own clock (or, without it, well after the server's) has not happened yet."""
    yield from future_time(session.started_at, now, session.clock)
    for setup, pull, pointer in pulls_of(session):
        for finding in future_time(pull.started_at, now, session.clock, f"{pointer}/started_at"):
            yield replace(finding, setup_n=setup.n, pull_n=pull.n)


def future_time(
    at: datetime | None, now: datetime, clock: datetime | None = None, pointer: str = "/started_at"
) -> Iterator[Finding]:
    """One such time."""
    latest = min(clock + CLOCK_SKEW, now + CLOCK_AHEAD) if clock else now + FUTURE_ALLOWED
    if at is not None and at > latest:
        whose = (
            "the bay's clock in this post, or a day ahead of the server's" if clock else "the server's clock"
        )
        message = (
            f"{at.isoformat()} is after {whose}; set the bay's clock right, or send `clock` with the post"
        )
        yield Finding("time-in-the-future", "refused", message, pointer)


def impossible_channels(pull: PostedPull, pointer: str) -> Iterator[Finding]:
    """Channel values that no car or machine gives."""
    for name, values in pull.channels.items():
        low, high = RPM_RANGE if name == "rpm" else CHANNEL_RANGES.get(name, KEEPABLE)
        if pull.status == "rejected":
            low, high = KEEPABLE
        outside = np.flatnonzero((values < low) | (values > high))
        if len(outside):
            first = int(outside[0])
            yield Finding(
                "impossible-value",
                "refused",
                f"{name} is {values[first]:g} at sample {first}; between {low:g} and {high:g} (in SI) can be true: "
                "check the unit and the column",
                f"{pointer}/curve/{name}/{first}",
            )


def impossible_air(pull: PostedPull, pointer: str) -> Iterator[Finding]:
    """A dew point above the air's temperature, or a factor that only a typing error makes."""
    if (
        pull.dew_point_c is not None
        and pull.temperature_c is not None
        and pull.dew_point_c > pull.temperature_c
    ):
        yield Finding(
            "dew-point-above-temperature",
            "refused",
            f"dew point {pull.dew_point_c:g} °C is above the air temperature {pull.temperature_c:g} °C; "
            "were the two swapped, or is it the wet bulb?",
            f"{pointer}/ambient/dew_point",
        )
        return
    try:
        air = air_of(pull)
    except ValueError as impossible:
        yield Finding("air-impossible", "refused", str(impossible), f"{pointer}/ambient")
        return
    computed = None if air is None else correction_factor(BASE_STANDARD, air)
    yield from impossible_factor(
        computed, "check temperature, station pressure and their units", f"{pointer}/ambient"
    )
    yield from impossible_factor(
        pull.basis_factor, "check the factor that was posted", f"{pointer}/basis/factor"
    )


def impossible_factor(factor: float | None, way_out: str, pointer: str) -> Iterator[Finding]:
    """A factor that only a typing error makes."""
    if factor is not None and not FACTOR_POSSIBLE[0] <= factor <= FACTOR_POSSIBLE[1]:
        low, high = FACTOR_POSSIBLE
        message = (
            f"the correction factor comes to {factor:.3f}; between {low} and {high} can be true: {way_out}"
        )
        yield Finding("factor-impossible", "refused", message, pointer)


def disagreeing_power(pull: PostedPull, pointer: str) -> Iterator[Finding]:
    """Power and torque both given, but power is not torque times speed."""
    if "power" not in pull.channels or "torque" not in pull.channels:
        return
    power = power_kw(pull.channels["torque"], pull.channels["rpm"])
    known = np.abs(power) > 1.0
    if not known.any():
        return
    k = float(np.median(pull.channels["power"][known] / power[known]))
    if abs(k - 1.0) > POWER_TORQUE_TOLERANCE:
        yield Finding(
            "power-torque-disagree",
            "refused",
            f"power is {k:.3f} times torque x speed; it must be 1: a unit is wrong, a column is corrected and the other "
            "is not, or the torque is the axle's (send it as axle_torque)",
            f"{pointer}/curve/power",
        )


def powerless(session: PostedSession, derived: Mapping[tuple[int, int], DerivedPull]) -> Iterator[Finding]:
    """Curves on which the engine never pulls: they have no peak to compare."""
    for setup, pull, pointer in pulls_of(session):
        if pull.status != "rejected" and derived[setup.n, pull.n].observed.power_kw < LEAST_PEAK_KW:
            name = next((name for name in ("torque", "power", "axle_torque") if name in pull.channels), "rpm")
            message = f"{name} never comes to {LEAST_PEAK_KW} kW: check its sign and its column, or post the pull as rejected"
            yield Finding("no-pull", "refused", message, f"{pointer}/curve/{name}")


def skewed_clock(session: PostedSession, now: datetime) -> Iterator[Finding]:
    """The bay's clock at contact against the server's."""
    if session.clock is not None and abs(session.clock - now) > CLOCK_SKEW:
        behind = session.clock < now
        apart = timedelta(seconds=round(abs((session.clock - now).total_seconds())))
        yield Finding(
            "clock-skew",
            "note",
            f"the bay's clock is {apart} {'behind' if behind else 'ahead of'} the server's; times are kept as sent",
            "/clock",
        )


def missing_air(pull: PostedPull, figures: DerivedPull, pointer: str, setup_n: int) -> Iterator[Finding]:
    """Air not fully recorded: kept, but the figure cannot be brought to another standard."""
    if figures.vapour_kpa is not None:
        return
    missing = [
        name
        for name, value in (("temperature", pull.temperature_c), ("pressure", pull.pressure_kpa))
        if value is None
    ]
    if pull.humidity is None and pull.dew_point_c is None:
        missing.append("humidity or dew_point")
    yield Finding(
        "air-incomplete",
        "note",
        f"{' and '.join(missing)} not recorded: kept, but used only for comparisons inside this session"
        + (f" and figures in {pull.basis_standard}" if pull.basis_standard in STANDARDS else ""),
        f"{pointer}/ambient",
        setup_n,
        pull.n,
    )


def unknown_basis(pull: PostedPull, figures: DerivedPull, pointer: str, setup_n: int) -> Iterator[Finding]:
    """Corrected by nobody knows what: kept as posted."""
    if figures.level == UNKNOWN:
        yield Finding(
            "basis-unknown",
            "note",
            "corrected by an unknown factor: kept as posted, used only for comparisons inside this session",
            f"{pointer}/basis",
            setup_n,
            pull.n,
        )


def factor_limits(pull: PostedPull, figures: DerivedPull, pointer: str, setup_n: int) -> Iterator[Finding]:
    """A correction larger than the standard trusts itself with."""
    if figures.vapour_kpa is None or figures.factor is None:
        return
    if not factor_within_limits(BASE_STANDARD, figures.factor):
        low, high = STANDARDS[BASE_STANDARD].factor_limits or (0.0, 0.0)
        yield Finding(
            "factor-outside-limits",
            "doubtful",
            f"the {BASE_STANDARD} factor is {figures.factor:.3f}, outside {low}..{high}: levels are doubtful, ratios "
            "inside this session are not",
            f"{pointer}/ambient",
            setup_n,
            pull.n,
        )


def thin_curve(
    pull: PostedPull, figures: DerivedPull, platform: PlatformFacts, pointer: str, setup_n: int
) -> Iterator[Finding]:
    """Too few samples, or too little of the rev range."""
    if figures.grid is None or figures.rpm_from is None or figures.rpm_to is None:
        return
    if figures.samples < FEWEST_SAMPLES:
        yield Finding(
            "few-samples",
            "doubtful",
            f"only {figures.samples} samples at different speeds; {FEWEST_SAMPLES} draw a curve",
            f"{pointer}/curve/rpm",
            setup_n,
            pull.n,
        )
    if platform.rpm_limit is None:
        return
    usable_range = platform.rpm_limit * (1.0 - RANGE_STARTS_AT)
    covered = (figures.rpm_to - figures.rpm_from) / usable_range
    if covered < LEAST_COVERAGE:
        yield Finding(
            "rpm-coverage",
            "doubtful",
            f"{figures.rpm_from:.0f} to {figures.rpm_to:.0f} rpm is {covered:.0%} of this platform's range; "
            f"{LEAST_COVERAGE:.0%} is expected",
            f"{pointer}/curve/rpm",
            setup_n,
            pull.n,
        )


def unknown_best_of(pull: PostedPull, pointer: str, setup_n: int) -> Iterator[Finding]:
    """A peaks-only record that does not say of how many pulls it is the best."""
    if pull.peaks is not None and pull.best_of is None:
        yield Finding(
            "best-of-unknown",
            "note",
            "of how many pulls this is the best is not recorded: its level is read as the best of 3",
            f"{pointer}/best_of",
            setup_n,
            pull.n,
        )


def disagreeing_pulls(
    setup: PostedSetup, derived: Mapping[tuple[int, int], DerivedPull], pull_spread: float
) -> Iterator[Finding]:
    """Pulls of one setup further apart than this bay's own spread explains."""
    known = comparable_peaks(setup, derived)
    if len(known) < 2:
        return
    apart = float(np.log(max(known) / min(known)))
    limit = SPREAD_LIMIT.get(len(known), SPREAD_LIMIT_MORE) * pull_spread
    if apart > limit:
        yield Finding(
            "pulls-disagree",
            "doubtful",
            f"the {len(known)} pulls lie {apart:.1%} apart; this bay's own spread of {pull_spread:.2%} explains "
            f"{limit:.1%}: mark a settling or bad pull, or confirm",
            f"/setups/{setup.n - 1}/pulls",
            setup.n,
        )


def mixed_basis(setup: PostedSetup, derived: Derived) -> Iterator[Finding]:
    """Pulls of one setup that do not stand on one footing: the fewer ones are left out of its figure."""
    accepted = [pull for pull in setup.pulls if pull.status == "accepted"]
    footings = [footing(derived[setup.n, pull.n]) for pull in accepted]
    common = common_footing([derived[setup.n, pull.n] for pull in accepted])
    other = sum(one != common for one in footings)
    if other:
        yield Finding(
            "mixed-basis",
            "note",
            f"{other} of {len(accepted)} pulls cannot be brought to the others' level (another basis, or no air): "
            "left out of this setup's figure",
            f"/setups/{setup.n - 1}/pulls",
            setup.n,
        )


def unchecked_stock(setup: PostedSetup) -> Iterator[Finding]:
    """A stock car of which nobody said that it was looked at."""
    if not setup.parts and setup.parts_known == "complete" and setup.stock_checked == "unknown":
        yield Finding(
            "stock-not-checked",
            "note",
            "nothing is fitted, but `stock_checked` is unknown: not counted among stock cars until it is verified or declared",
            f"/setups/{setup.n - 1}/stock_checked",
            setup.n,
        )


def implausible_level(setup: PostedSetup, derived: Derived, platform: PlatformFacts) -> Iterator[Finding]:
    """A wheel power far from the platform's rated power: another car, unit or column."""
    power = setup_power(setup, derived)
    if power is None or platform.rated_power_kw is None:
        return
    share = power / platform.rated_power_kw
    low, high = RATED_SHARE
    if share < low or (share > high and not setup.parts):
        yield Finding(
            "level-implausible",
            "doubtful",
            f"{power:.0f} kW at the wheel is {share:.0%} of this platform's rated power; {low:.0%} to {high:.0%} is "
            "expected of a stock car: wrong car, unit or column?",
            f"/setups/{setup.n - 1}/pulls",
            setup.n,
        )


def forgotten_parts(session: PostedSession, derived: Derived, pull_spread: float) -> Iterator[Finding]:
    """Setups of one strap-down that list the same parts but do not read the same: is a part missing from one?"""
    seen: dict[frozenset[str], tuple[int, float]] = {}
    for setup in session.setups:
        power = setup_power(setup, derived)
        if power is None:
            continue
        state = frozenset(posted.slug for posted in setup.parts)
        first_n, first = seen.setdefault(state, (setup.n, power))
        apart = abs(float(np.log(power / first)))
        limit = REPEAT_LIMIT * float(np.hypot(REPEAT_SPREAD, pull_spread))
        if apart > limit:
            yield Finding(
                "same-parts-differ",
                "doubtful",
                f"lists the same parts as setup {first_n} but reads {apart:.1%} apart; {limit:.1%} is explained by the "
                "bay: is a part missing from one list, or did the engine run hot?",
                f"/setups/{setup.n - 1}/parts",
                setup.n,
            )


def comparable_peaks(setup: PostedSetup, derived: Derived) -> list[float]:
    """Peak power [kW] of a setup's accepted pulls, at the level that most of them can stand at."""
    figures = [derived[setup.n, pull.n] for pull in setup.pulls if pull.status == "accepted"]
    common = common_footing(figures)
    peaks = [one.observed.power_kw * (one.factor or 1.0) for one in figures if footing(one) == common]
    return [peak for peak in peaks if peak == peak and peak > 0]


def setup_power(setup: PostedSetup, derived: Derived) -> float | None:
    """Mean peak power of a setup's accepted pulls [kW]; None where none has one."""
    known = comparable_peaks(setup, derived)
    return sum(known) / len(known) if known else None


def slot_refusals(setup: PostedSetup, parts: Mapping[str, Part]) -> Iterator[Finding]:
    """A part outside its slots, a part named twice, two parts in one slot."""
    taken: dict[str, str] = {}
    named: set[str] = set()
    for i, posted in enumerate(setup.parts):
        pointer = f"/setups/{setup.n - 1}/parts/{i}"
        part = parts[posted.slug]
        if posted.slug in named:
            yield Finding(
                "part-twice", "refused", f"{posted.slug} is listed twice; list it once", pointer, setup.n
            )
            continue
        named.add(posted.slug)
        if posted.slot is not None and posted.slot not in part.slots:
            fits = ", ".join(sorted(part.slots))
            message = f"{posted.slug} does not fit the slot {posted.slot}; it fills {fits}"
            yield Finding("part-not-in-slot", "refused", message, f"{pointer}/slot", setup.n)
            continue
        for slot in occupied(part, posted.slot):
            if slot in taken:
                message = (
                    f"{posted.slug} and {taken[slot]} cannot both sit in the slot {slot}; list the one fitted"
                )
                yield Finding("slot-taken-twice", "refused", message, pointer, setup.n)
            taken.setdefault(slot, posted.slug)


def occupied(part: Part, slot: str | None) -> Iterable[str]:
    """The slots a fitted part takes: the named one, else all of its own."""
    return (slot,) if slot is not None else sorted(part.slots)

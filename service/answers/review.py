"""The review of a session: what a bay is told right after a post, joined from what was kept of it and its company."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median

from service.answers.cache import Kept
from service.answers.pairs_gain import Asked, shop_spreads, usable
from service.answers.stock_spread import StockAsked, stock_cars_once
from service.domain.checks import RULES
from service.domain.correction import STANDARDS
from service.domain.derive import ANY_STANDARD, OBSERVED, PULL_SPREAD_START, UNKNOWN
from service.domain.engine import Engine
from service.domain.levels import level_ratio
from service.domain.measures import PEAK_POWER
from service.domain.pairing import MATCHES
from service.domain.review import (
    CONDITIONS,
    DISAGREE,
    FEWEST_CARS,
    Comparison,
    CountedPull,
    Place,
    Remarked,
    Review,
    SetupReview,
    area_of,
    drifts_of,
    explained_range,
    in_order,
    range_of,
    repeats_of,
)
from service.domain.review_standing import standard_of, standing
from service.domain.shop import Shop
from service.stats.noise import CLAIM_STANDARD_ERRORS, pooled_spread, smallest_visible_gain
from service.stats.pairs import Reading, Spreads, reading_variance
from service.stats.spread import percentile_of
from service.store import evidence
from service.store.db import Connection, together
from service.store.reading import FindingRow, PullRow, SessionRow, SetupRow, WholeSession
from service.store.review import BaySpread, ReviewedPair, ask_bay_spread, ask_pairs

LEVEL = 0.9
"""Level of the interval of a place among stock cars, as answers have it unless asked otherwise."""


@dataclass(frozen=True, slots=True)
class Company:
    """What a session's setups are held against: the spreads, the limit on pulls that disagree (None: switched off), and
    the peak powers of the platform's other stock cars at the asked standard [kW]."""

    standard: str
    engine: Engine
    spreads: Spreads
    times: float | None
    stock_kw: Sequence[float]


def session_review(conn: Connection, record: WholeSession, standard: str, shop: Shop, kept: Kept) -> Review:
    """Review a session at a standard; what was read of the stock cars for another question is in `kept`."""
    session = record.session
    with together(conn):
        spread, pairs = (
            ask_bay_spread(conn, session.bay, session.session_id),
            ask_pairs(conn, session.session_id),
        )
        bay, made = spread(), pairs()
    company = company_of(conn, session, standard, shop, bay, kept)
    findings = in_order(list(remarked(record)))
    return Review(
        session=session.id,
        vehicle=session.vehicle,
        platform=session.platform,
        bay=session.bay,
        started_at=session.started_at,
        struck=session.struck is not None,
        standard=standard,
        pull_spread=company.spreads.pull,
        setups=tuple(reviewed(setup, record, findings, company) for setup in record.setups),
        comparisons=tuple(compared(pair, company) for pair in made),
        findings=findings,
    )


def company_of(
    conn: Connection, session: SessionRow, standard: str, shop: Shop, bay: BaySpread, kept: Kept
) -> Company:
    """The spreads as they hold in the bay, and the platform's other stock cars."""
    checked = shop.checks(session.bay).get(DISAGREE, {})
    times = float(checked.get("times", RULES[DISAGREE].limits["times"].default))
    return Company(
        standard=standard,
        engine=session.engine,
        spreads=shop_spreads(pooled_spread(bay.spread_ss, bay.spread_df, prior_sd=PULL_SPREAD_START), shop),
        times=None if checked.get("on") is False else times,
        stock_kw=other_stock_cars(conn, session, standard, kept),
    )


def other_stock_cars(conn: Connection, session: SessionRow, standard: str, kept: Kept) -> list[float]:
    """One peak power [kW] a car, of all stock cars of the platform but this one, as the stock spread counts them."""
    question = evidence.find_stock_question(conn, session.platform)
    if question is None:
        return []
    asked = StockAsked(PEAK_POWER, standard, LEVEL, None, "declared")
    stock = stock_cars_once(conn, question, asked, kept)
    return [car.value for car in stock.cars if car.vehicle != session.vehicle]


def remarked(record: WholeSession) -> Iterator[Remarked]:
    """What the checks said, each with its area and whether it still stands."""
    for row in record.findings:
        known = RULES.get(row.code)
        yield Remarked(
            area=area_of(row.code),
            code=row.code,
            level=row.level,
            message=row.message,
            consistent_with=None if known is None else known.means,
            pointer=row.pointer,
            setup_n=row.setup_n,
            pull_n=row.pull_n,
            open=is_open(row, record),
        )


def is_open(row: FindingRow, record: WholeSession) -> bool:
    """Whether nobody cleared it, what it is about counts, and, for a doubt, its setup still carries it."""
    about = [setup for setup in record.setups if row.setup_n in (None, setup.n) and setup.struck is None]
    if row.cleared_at is not None or record.session.struck is not None or not about:
        return False
    if row.pull_n is not None:
        ids = {setup.setup_id for setup in about}
        if not any(p.setup_id in ids and p.n == row.pull_n and stands(p) for p in record.pulls):
            return False
    return row.level == "note" or any(row.code in setup.doubts for setup in about)


def stands(pull: PullRow) -> bool:
    """Whether a pull is one of those that its setup's figure may rest on."""
    return pull.status == "accepted" and pull.struck is None


def counted_pulls(setup: SetupRow, record: WholeSession) -> list[PullRow]:
    """The pulls behind a setup's figure: with a curve where any has one, and on the footing of its figure."""
    if setup.struck is not None or record.session.struck is not None:
        return []
    own = [pull for pull in record.pulls if pull.setup_id == setup.setup_id and stands(pull)]
    own = [pull for pull in own if pull.rpm_to is not None] or own
    footing = (setup.level_standard, setup.factor is not None)
    return [pull for pull in own if (level_of(pull), pull.factor is not None) == footing]


def level_of(pull: PullRow) -> str:
    """The level of a kept pull, as `derive` gave it."""
    if pull.vapour_kpa is not None and pull.factor is not None:
        return ANY_STANDARD
    if pull.basis_standard is None:
        return OBSERVED
    return pull.basis_standard if pull.basis_standard in STANDARDS else UNKNOWN


def counted(pull: PullRow) -> CountedPull:
    """A kept pull as the review looks at it."""
    seen = {one.field: getattr(pull, one.field) for one in CONDITIONS}
    power = (pull.power_kw or 0.0) * (pull.factor or 1.0)
    return CountedPull(
        n=pull.n,
        log_power=math.log(power) if power > 0.0 else None,
        conditions={name: value for name, value in seen.items() if value is not None},
    )


def reviewed(
    setup: SetupRow, record: WholeSession, findings: Sequence[Remarked], company: Company
) -> SetupReview:
    """One setup of the session."""
    own_pulls = counted_pulls(setup, record)
    pulls = [counted(pull) for pull in own_pulls]
    ratio = level_ratio(setup, company.standard, company.engine)
    mean = setup.power_kw * (1.0 if ratio is None else ratio) if pulls and setup.power_kw else None
    variance = reading_variance(Reading(mean or 0.0, len(pulls), setup.best_of), company.spreads)
    explained = None
    if company.times is not None and setup.best_of is None:
        explained = explained_range(len(pulls), company.spreads.pull, company.times)
    own = [one for one in findings if one.about(setup.n)]
    return SetupReview(
        n=setup.n,
        label=setup.label,
        parts=tuple(fitted["part"] for fitted in setup.parts),
        struck=setup.struck is not None or record.session.struck is not None,
        pulls=len(pulls),
        peaks_only=setup.best_of is not None,
        standard=company.standard if ratio is not None else standard_of(setup.level_standard),
        standing=standing(
            company.standard, setup.level_standard, ratio is not None, company.engine, own_pulls
        ),
        mean_kw=mean,
        spread=setup.power_spread if pulls else None,
        range=None if setup.best_of is not None else range_of(pulls),
        explained=explained,
        error=math.sqrt(variance) if pulls else None,
        smallest=smallest_visible_gain(2.0 * variance) if pulls else None,
        drifts=tuple(drifts_of(pulls)),
        repeats=() if setup.best_of is not None else repeats_of(pulls, own, explained),
        place=None if mean is None or ratio is None else place_of(setup, mean, variance, company),
    )


def place_of(setup: SetupRow, mean_kw: float, variance: float, company: Company) -> Place:
    """Where a setup's peak power lies among the other stock cars'."""
    values = company.stock_kw
    middle = median(values) if values else None
    known = not setup.parts and setup.parts_known == "complete" and setup.stock_checked != "unknown"
    found = percentile_of(mean_kw, values, LEVEL) if values and known else None
    enough = middle is not None and len(values) >= FEWEST_CARS
    return Place(
        stock=known,
        cars=len(values),
        median_kw=middle,
        deviation=mean_kw / middle - 1.0 if enough and middle else None,
        above=sum(value < mean_kw for value in values),
        percentile=None if found is None else found[0],
        interval=None if found is None else found[1:],
        noise=math.sqrt(variance + company.spreads.session**2),
    )


def compared(pair: ReviewedPair, company: Company) -> Comparison:
    """A pair with its gain and the interval of its own noise."""
    asked = Asked(PEAK_POWER, company.standard, LEVEL, None, None, curve=False, pairs=False)
    found = usable(pair.row, asked, company.engine, {}, company.spreads)
    gain = interval = gain_kw = returned = None
    if found is not None:
        log, half = found.measured.gain, CLAIM_STANDARD_ERRORS * math.sqrt(found.measured.variance)
        gain, interval = math.expm1(log), (math.expm1(log - half), math.expm1(log + half))
        gain_kw = None if found.without is None else found.without * gain
        returned = returned_to(pair.row, found.ratios)
    return Comparison(
        part=pair.part,
        against=pair.against,
        before=(pair.without_session, pair.without_n),
        after=(pair.with_session, pair.with_n),
        match=MATCHES[pair.row.match],
        held=pair.row.held,
        usable=pair.row.usable,
        differs=tuple(pair.differs),
        gain=gain,
        interval=interval,
        gain_kw=gain_kw,
        returned=returned,
    )


def returned_to(row: evidence.PairRow, ratios: Sequence[float]) -> float | None:
    """How a repeated state's second reading stands against its first, relative; None where none was repeated."""
    if row.again is None:
        return None
    first, ratio = (row.with_, ratios[0]) if row.again_is_with else (row.without, ratios[1])
    if not first.power_kw or not row.again.power_kw:
        return None
    return row.again.power_kw * ratios[2] / (first.power_kw * ratio) - 1.0

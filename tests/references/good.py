"""Simulated good sessions: sound cars, sound bays, cool-downs kept. Whatever a check says of them is a false alarm."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np

from seed.parts import PART
from seed.shop import PLATFORMS, Platform
from service.domain.checks import Case, Surroundings, doubts, figure_refusals, refusals
from service.domain.checks.case import BayDayCar, BayPull, Derived, EarlierState, SiteAir
from service.domain.derive import DerivedPull, derive_pull, log_spread
from service.domain.records import Finding, PlatformFacts, PostedPart, PostedPull, PostedSession, PostedSetup
from service.stats.noise import pooled_spread
from tests.references.cars import SHOP_EFFECTS, draw_car
from tests.references.pulls import Run, Turn, make_pull, written
from tests.references.shops import FIRST_DAY, Bay, Shop, measure_stock, usual_creep

FORMS = (("stock",), ("modified",), ("stock", "modified"), ("stock", "modified", "stock"))
FORM_SHARES = (0.45, 0.2, 0.2, 0.15)
PULLS, PULL_SHARES = (3, 4, 5), (0.75, 0.2, 0.05)
FITTED = ("open-intake", "large-bore-silencer", "200-cell-down-pipe", "large-charge-cooler", "road-calibration",
          "side-feed-plenum", "long-primary-manifold", "full-service")  # fmt: skip


@dataclass(frozen=True)
class Post:
    """A simulated post with the company it comes into; `known`: its good pulls and what they come to, by identity."""

    session: PostedSession
    platform: Platform
    facts: PlatformFacts
    around: Surroundings
    now: datetime
    known: Mapping[int, tuple[PostedPull, DerivedPull]]

    def findings(self) -> list[Finding]:
        """What all checks say of it, as the ledger asks them: what refuses it, else what is doubtful or noted."""
        case = Case(self.session, self.now)
        refused = list(refusals(case, {}))
        if refused:
            return refused
        case = replace(case, derived=self.derived(), platform=self.facts, around=self.around)
        return list(figure_refusals(case, {})) or list(doubts(case, {}))

    def derived(self) -> Derived:
        """What each pull comes to; good ones are not derived again."""
        made = {}
        for setup in self.session.setups:
            for pull in setup.pulls:
                _, figures = self.known.get(id(pull), (pull, None))
                made[setup.n, pull.n] = figures or derive_pull(pull, self.session.ratio, self.facts.engine)
        return made

    def with_session(self, session: PostedSession) -> "Post":
        """The same company, another session."""
        return replace(self, session=session)


def good_posts(of: Sequence[Shop], setups: int, seed: int) -> Iterator[Post]:
    """Good sessions of some shops until so many setups are in them."""
    rng, made = np.random.default_rng([seed, round(1e6 * of[0].spreads.pull)]), 0
    while made < setups:
        post = good_post(of[int(rng.integers(len(of)))], rng)
        made += len(post.session.setups)
        yield post


def good_post(shop: Shop, rng: np.random.Generator) -> Post:
    """One session of a car off the street in one of the shop's bays."""
    spreads, platform = shop.spreads, PLATFORMS[int(rng.integers(len(PLATFORMS)))]
    car = draw_car(platform, spreads.stock, spreads.tilt, rng)
    bay = shop.bays[int(rng.integers(len(shop.bays)))]
    day = spreads.day * rng.standard_normal()
    level = bay.level + day + spreads.strap * rng.standard_normal()
    run = Run(shop, bay, car, level, usual_creep(rng), bool(rng.random() < 0.3))
    began = FIRST_DAY + timedelta(days=int(rng.integers(2, 360)), hours=8, minutes=int(rng.integers(0, 420)))
    setups, ended = make_setups(run, began, rng)
    now = ended + timedelta(hours=float(rng.choice((0.1, 0.1, 5.0))))  # the network was down, now and then
    session = make_session(run, began, now, setups, rng)
    facts = facts_of(platform)
    known = {
        id(pull): (pull, derive_pull(pull, session.ratio, facts.engine))
        for setup in setups
        for pull in setup.pulls
    }
    return Post(session, platform, facts, company(run, began, day, rng), now, known)


@cache
def own_spread(shop: Shop, bay: Bay) -> float:
    """A bay's spread of pulls as its own history of 10 to 40 setups says, by the peaks that the ledger reads."""
    rng = np.random.default_rng([*shop.seed, 3, *bay.slug.encode()])
    return pooled_spread(*history(shop, bay, int(rng.integers(10, 41)), rng))


def history(shop: Shop, bay: Bay, setups: int, rng: np.random.Generator) -> tuple[float, int]:
    """Squared deviations of ln(peak power) from the means of so many setups of a bay, and their degrees of freedom."""
    ss, df = 0.0, 0
    for _ in range(setups):
        car = draw_car(PLATFORMS[int(rng.integers(len(PLATFORMS)))], shop.spreads.stock, 0.0, rng)
        run = Run(shop, bay, car, bay.level, usual_creep(rng), False)
        pulls, _ = make_pulls(run, 2, (), FIRST_DAY + timedelta(days=int(rng.integers(2, 360))), rng)
        figures = [derive_pull(pull, None) for pull in pulls]
        of_setup = log_spread(np.array([one.observed.power_kw * (one.factor or 1.0) for one in figures]))
        ss, df = ss + of_setup[0], df + of_setup[1]
    return ss, df


def facts_of(platform: Platform) -> PlatformFacts:
    """What the ledger knows of a platform."""
    known = platform.document
    return PlatformFacts(
        1 + PLATFORMS.index(platform), str(known["aspiration"]), str(known["ignition"]),
        float(known["rpm_limit"]), float(known["rated_power"]),  # type: ignore[arg-type]
    )  # fmt: skip


def make_session(
    run: Run, began: datetime, now: datetime, setups: tuple[PostedSetup, ...], rng: np.random.Generator
) -> PostedSession:
    """The strap-down around the setups."""
    platform = run.car.platform
    return PostedSession(
        id=None,
        vehicle=f"car-{run.car.number}",
        bay=run.bay.slug,
        started_at=began,
        setups=setups,
        gear=platform.gear,
        ratio=platform.ratio,
        tyre_size=platform.tyre_size,
        tyre_pressure_kpa=platform.tyre_pressure_kpa + 5.0 * round(rng.uniform(-1, 1)),
        sequence=int(500 + (began - FIRST_DAY).total_seconds() // 600),
        clock=now + timedelta(seconds=float(rng.uniform(-60, 60))) if rng.random() < 0.5 else None,
    )


def make_setups(
    run: Run, began: datetime, rng: np.random.Generator
) -> tuple[tuple[PostedSetup, ...], datetime]:
    """The states a car was in, and when the last pull of them ended."""
    form = FORMS[int(rng.choice(len(FORMS), p=FORM_SHARES))]
    fits = [part for part in FITTED if SHOP_EFFECTS.fits(run.car.platform.slug, part)]
    part = fits[int(rng.integers(len(fits)))]
    moment, setups = began + timedelta(minutes=9), []
    for n, state in enumerate(form, 1):
        parts = (part,) if state == "modified" else ()
        pulls, moment = make_pulls(run, n, parts, moment, rng)
        checked = "unknown" if parts else "verified"
        setups.append(
            PostedSetup(
                n,
                tuple(PostedPart(slug) for slug in parts),
                "complete",
                checked,
                pulls,
                **fuel(run.car.platform, rng),
            )
        )
        moment += timedelta(minutes=8 + 60.0 * PART[part].hours)
    return tuple(setups), moment


def make_pulls(
    run: Run, setup_n: int, parts: tuple[str, ...], moment: datetime, rng: np.random.Generator
) -> tuple[tuple[PostedPull, ...], datetime]:
    """The pulls of one state, minutes apart; the first of a session now and then a settling one."""
    level = run.shop.spreads.setup * rng.standard_normal()
    settling = int(setup_n == 1 and rng.random() < 0.4)
    pulls = []
    for i in range(settling + int(rng.choice(PULLS, p=PULL_SHARES))):
        turn = Turn(i + 1, max(0, i - settling), moment, parts, level, settling=i < settling)
        pulls.append(make_pull(run, turn, rng))
        moment += timedelta(seconds=int(rng.integers(210, 330)))
    return tuple(pulls), moment


def fuel(platform: Platform, rng: np.random.Generator) -> dict[str, object]:
    """What was in the tank, where it was asked."""
    if platform.octane is None or rng.random() < 0.4:
        return {}
    ethanol = round(float(np.clip(0.05 + 0.02 * rng.standard_normal(), 0.0, 0.1)), 2)
    return {"ethanol": ethanol, "octane": float(platform.octane), "octane_method": "RON"}


def company(run: Run, began: datetime, day: float, rng: np.random.Generator) -> Surroundings:
    """What the ledger knows around a post."""
    references = run.shop.stock_references(run.car.platform)
    others = int(rng.integers(0, 6))
    stock, strap = run.shop.spreads.stock, run.shop.spreads.strap
    usual, own = run.bay.level - run.shop.level, float(np.hypot(stock, strap))
    residuals = usual + day + own * rng.standard_normal(others)
    seen_before = int(rng.integers(8, 40))
    earlier = tuple(earlier_states(run, began, rng)) if rng.random() < 0.5 else ()
    return Surroundings(
        pull_spread=own_spread(run.shop, run.bay),
        bay_level=usual + 1.25 * own / seen_before**0.5 * rng.standard_normal(),
        calibrations=frozenset(slug for slug in FITTED if "calibration" in PART[slug].slots),
        bay_kind="roller-inertia" if run.bay.test == "inertia" else "roller-loaded",
        altitude_m=round(run.shop.altitude_m),
        reference=references[int(rng.integers(len(references)))],
        earlier=earlier,
        bay_pulls=tuple(bay_pulls(run, began, rng)),
        site_air=tuple(site_air(run, began, rng)) if rng.random() < 0.6 else (),
        bay_day=tuple(BayDayCar(f"other-{i}", float(each)) for i, each in enumerate(residuals)),
        elsewhere=((next_bay(run).slug, began - timedelta(hours=float(rng.uniform(3, 20)))),)
        if rng.random() < 0.1
        else (),
    )


def next_bay(run: Run) -> Bay:
    """Another bay of the same house."""
    return run.shop.bays[(run.shop.bays.index(run.bay) + 1) % len(run.shop.bays)]


def earlier_states(run: Run, began: datetime, rng: np.random.Generator) -> Iterator[EarlierState]:
    """This car, stock, on its earlier visits to any bay: newest first."""
    spreads, moment = run.shop.spreads, began
    for i in range(int(rng.integers(1, 4))):
        moment -= timedelta(days=float(rng.uniform(20, 300)))
        bay = run.shop.bays[int(rng.integers(len(run.shop.bays)))]
        away = (spreads.day, spreads.strap, spreads.setup, spreads.pull / 3**0.5)
        level = bay.level + sum(sd * rng.standard_normal() for sd in away)
        read = measure_stock(run.car, bay.tilt, level, 100.0)
        yield EarlierState(
            session=f"earlier-{i}",
            setup_n=1,
            bay=bay.slug,
            started_at=moment,
            parts=frozenset(),
            gear=run.car.platform.gear,
            speed_ratio=read.ratio * (1.0 + usual_creep(rng)),
            power_kw=read.peaks.power_kw,
            torque_nm=read.torque_nm,
            tyre_size=run.car.platform.tyre_size,
        )


def bay_pulls(run: Run, began: datetime, rng: np.random.Generator) -> Iterator[BayPull]:
    """What the bay posted earlier that day: none, or one or two other cars."""
    cars = int(rng.integers(0, 3))
    for k in range(cars):
        moment = began - timedelta(minutes=130 * (cars - k) - int(rng.integers(0, 30)))
        sequence = int(500 + (moment - FIRST_DAY).total_seconds() // 600)
        for _ in range(int(rng.integers(3, 8))):
            air = written(run.shop.air(run.bay, moment), run.bay, rng)
            yield BayPull(f"session-{k}", f"other-{k}", moment, sequence, **air)
            moment += timedelta(seconds=int(rng.integers(210, 330)))


def site_air(run: Run, began: datetime, rng: np.random.Generator) -> Iterator[SiteAir]:
    """What another bay of the house wrote half an hour before or after."""
    other = next_bay(run)
    moment = began + timedelta(minutes=float(rng.uniform(-20, 25)))
    yield SiteAir(other.slug, moment, **written(run.shop.air(other, moment), other, rng))
